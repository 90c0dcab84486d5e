"""Figures and the report."""
