"""Least-squares fitting of distortion grids: bases, normal equations, robust weights, choice of model."""
