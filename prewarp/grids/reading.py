"""Reading a grid from a file."""

from pathlib import Path
from typing import cast

from prewarp.checks import FloatArray
from prewarp.columns import PUPIL_COLUMNS, Columns, read_columns
from prewarp.grids.columns import DIRECTION_COLUMNS, GRID_SCHEMA, PIXEL_COLUMNS
from prewarp.grids.table import Grid

LIMIT_BYTES = 1 << 30  # of the file and, apart from it, of what it unpacks to


def read_grid(path: str | Path, /, *, limit_bytes: int = LIMIT_BYTES) -> Grid:
    """Read a distortion grid from CSV, gzip-compressed CSV or NPZ; the content decides, not the suffix.

    Columns in any order: `channel, color, eye_x_mm, eye_y_mm, eye_z_mm, dir_x_deg, dir_y_deg, panel_u_px,
    panel_v_px`, optional `luminance, sigma_px`; others are kept in `Grid.extra`. CSV may use comma, semicolon
    or tab, and decimal commas with the latter two. Empty cells and NaN are kept as NaN. NPZ holds one array
    per column, `channel` and `color` as text.

    Parameters
    ----------
    path : path
    limit_bytes : int
        Largest file, and largest unpacked content, that is accepted.

    Raises
    ------
    InputFileError
        Missing, empty, too large or damaged file.
    GridError
        A column missing, misspelt or there twice; cells that are no numbers (rows, column and text are
        named).

    Examples
    --------
    >>> import prewarp
    >>> grid = prewarp.read_grid("calib/coaxial.grid.npz")
    >>> grid.channel_names, grid.colour_names, len(grid)
    (('inner', 'outer'), ('R', 'G', 'B'), 77354)
    """
    path = Path(path)
    return _grid_from_columns(read_columns(path, schema=GRID_SCHEMA, limit_bytes=limit_bytes), str(path))


def _grid_from_columns(columns: Columns, source: str) -> Grid:
    channel, channel_names = columns.texts["channel"]
    colour, colour_names = columns.texts["color"]
    return Grid(
        channel=channel,
        channel_names=channel_names,
        colour=colour,
        colour_names=colour_names,
        pupil_mm=columns.stacked(PUPIL_COLUMNS),
        tangent=cast(FloatArray, None),  # made from the angles
        pixel=columns.stacked(PIXEL_COLUMNS),
        luminance=columns.numbers.get("luminance"),
        sigma_px=columns.numbers.get("sigma_px"),
        extra=columns.extra,
        row=columns.row,
        source=source,
        sha256=columns.sha256,
        direction_deg=columns.stacked(DIRECTION_COLUMNS),
    )
