"""Artefacts for devices, one file per kind."""
