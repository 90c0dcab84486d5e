"""Reading a grid: format by content, columns checked by name, numbers kept as they are."""

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from prewarp.checks import IntArray
from prewarp.errors import GridError
from prewarp.files import read_npz, sha256_of_bytes, sha256_of_file
from prewarp.grids.columns import (
    DIRECTION_COLUMNS,
    GRID_SCHEMA,
    KNOWN_COLUMNS,
    LIMIT_BYTES,
    PIXEL_COLUMNS,
    PUPIL_COLUMNS,
    Schema,
    require_columns,
)
from prewarp.grids.csv_cells import csv_columns
from prewarp.grids.csv_text import csv_text_from_bytes
from prewarp.grids.table import Grid, codes_from_names, forward_tangent
from prewarp.grids.unpacking import is_gzip, is_zip, require_npz_ratio, unpacked_bytes


def read_grid(path: str | Path, /, *, limit_bytes: int = LIMIT_BYTES) -> Grid:
    """Read a distortion grid from CSV, gzip-compressed CSV or NPZ; the content decides, not the suffix.

    Columns in any order: `channel, color, eye_x_mm, eye_y_mm, eye_z_mm, dir_x_deg, dir_y_deg, panel_u_px,
    panel_v_px`, optional `luminance, sigma_px`; others are kept in `Grid.extra`. CSV may use comma, semicolon or tab,
    and decimal commas with the latter two. Empty cells and NaN are kept as NaN. NPZ holds one array per column,
    `channel` and `color` as text.

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
        A column missing, misspelt or there twice; cells that are no numbers (rows, column and text are named).
    """
    path = Path(path)
    columns, row, sha256 = read_columns(path, limit_bytes=limit_bytes)
    return _grid_from_columns(columns, row=row, source=str(path), sha256=sha256)


def read_columns(
    path: Path, /, *, limit_bytes: int = LIMIT_BYTES, schema: Schema = GRID_SCHEMA
) -> tuple[dict[str, object], IntArray, str]:
    """Return the columns of a table in a file, the row number of each entry, and the file's SHA-256.

    Formats, limits and errors as in `read_grid`. Text columns of the schema become (codes, names), its numbers float64
    arrays; other columns are kept as they are.
    """
    source = str(path)
    if path.is_file() and is_zip(path):
        return _npz_columns(path, source, limit_bytes, schema)
    data = unpacked_bytes(path, limit_bytes=limit_bytes, what=schema.what)
    sha256 = sha256_of_file(path) if is_gzip(path) else sha256_of_bytes(data)
    text = csv_text_from_bytes(data, source, schema)
    del data
    columns = csv_columns(text, source, limit_bytes=limit_bytes, schema=schema)
    return columns, text.row, sha256


def _npz_columns(
    path: Path, source: str, limit_bytes: int, schema: Schema
) -> tuple[dict[str, object], IntArray, str]:
    require_npz_ratio(path, limit_bytes=limit_bytes, what=schema.what)
    arrays: dict[str, object] = dict(read_npz(path, limit_bytes=limit_bytes, what=schema.what))
    require_columns(list(arrays), source, schema)
    first = schema.text[0]
    count = int(np.size(arrays[first]))
    for name, array in arrays.items():
        if array.shape != (count,):
            raise GridError(
                f"{source}: array '{name}' has shape {array.shape}; expected ({count},) as '{first}' has.",
                path=source,
                column=name,
            )
        wanted = "U" if name in schema.text else "iuf" if name in schema.all_numbers else "iufbU"
        if array.dtype.kind not in wanted:
            kind = {"U": "text (unicode)", "iuf": "real numbers", "iufbU": "numbers or text"}[wanted]
            raise GridError(
                f"{source}: array '{name}' holds {array.dtype}; expected {kind}. Convert it.",
                path=source,
                column=name,
            )
        if array.dtype.kind == "U":
            _require_characters(array, name, source)
    for name in schema.text:
        arrays[name] = codes_from_names(arrays[name])
    with np.errstate(
        all="ignore"
    ):  # a long double beyond float64 becomes an infinity, which the check reports
        for name in schema.all_numbers:
            if name in arrays:
                arrays[name] = arrays[name].astype(np.float64)
    return arrays, np.arange(1, count + 1), sha256_of_file(path)


def _require_characters(array: np.ndarray, name: str, source: str) -> None:
    """Raise `GridError` where a damaged file holds numbers that are no characters."""
    if array.dtype.itemsize == 0 or array.size == 0:
        return
    points = (
        np.ascontiguousarray(array)
        .view(array.dtype.byteorder.replace("|", "=") + "u4")
        .reshape(len(array), -1)
    )
    bad = ((points > 0x10FFFF) | ((points >= 0xD800) & (points < 0xE000))).any(axis=1)
    if bad.any():
        row = int(np.argmax(bad)) + 1
        raise GridError(
            f"{source}, row {row}: '{name}' holds what is no text. Write the file again.",
            path=source,
            row=row,
            column=name,
        )


def _grid_from_columns(columns: Mapping[str, object], *, row: IntArray, source: str, sha256: str) -> Grid:
    channel, channel_names = columns["channel"]
    colour, colour_names = columns["color"]
    direction_deg = np.stack([columns[name] for name in DIRECTION_COLUMNS], axis=1)
    return Grid(
        channel=channel,
        channel_names=channel_names,
        colour=colour,
        colour_names=colour_names,
        pupil_mm=np.stack([columns[name] for name in PUPIL_COLUMNS], axis=1),
        tangent=forward_tangent(direction_deg),
        pixel=np.stack([columns[name] for name in PIXEL_COLUMNS], axis=1),
        luminance=columns.get("luminance"),
        sigma_px=columns.get("sigma_px"),
        extra={name: array for name, array in columns.items() if name not in KNOWN_COLUMNS},
        row=row,
        source=source,
        sha256=sha256,
        direction_deg=direction_deg,
    )
