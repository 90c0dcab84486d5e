"""Acceptance of a unit: fresh captures held against its device package, and a verdict with its risk."""
