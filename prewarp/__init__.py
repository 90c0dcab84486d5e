"""Distortion grids of tiled see-through displays to verified pre-warp tables, meshes and shaders."""

__version__ = "0.1.0"
