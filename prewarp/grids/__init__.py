"""The distortion grid: its type, its columns, reading and writing.

One row is one measured or traced ray: channel, colour, pupil position, viewing direction, panel point.
"""

from prewarp.grids.reading import read_grid
from prewarp.grids.table import Grid, grid_from_samples
from prewarp.grids.writing import write_grid

__all__ = ["Grid", "grid_from_samples", "read_grid", "write_grid"]
