"""Writing a grid: CSV, gzip-compressed CSV or NPZ by suffix; equal grids give equal bytes."""

import csv
import gzip
import io
from pathlib import Path

import numpy as np

from prewarp.columns import PUPIL_COLUMNS
from prewarp.errors import GridError
from prewarp.files import npz_bytes, write_bytes
from prewarp.grids.columns import DIRECTION_COLUMNS, OPTIONAL_COLUMNS, PIXEL_COLUMNS
from prewarp.grids.table import Grid


def write_grid(path: str | Path, grid: Grid, /) -> None:
    """Write `grid` as `.csv`, `.csv.gz` or `.npz`; reading it again gives exactly the same columns.

    Numbers in CSV have as many digits as are needed to read the same float64 again; NaN is written as `nan`.

    Raises
    ------
    GridError
        The suffix is none of the three.
    """
    path = Path(path)
    name = path.name.lower()
    if name.endswith(".npz"):
        data = npz_bytes(_columns(grid))
    elif name.endswith((".csv", ".csv.gz")):
        data = _csv_bytes(grid)
    else:
        raise GridError(f"{path}: unknown suffix; expected .csv, .csv.gz or .npz. Rename it.", path=str(path))
    if name.endswith(".gz"):
        packed = io.BytesIO()
        # No name and time 0 in the header, so that the bytes depend on the grid alone.
        with gzip.GzipFile(filename="", mode="wb", fileobj=packed, compresslevel=6, mtime=0) as stream:
            stream.write(data)
        data = packed.getvalue()
    write_bytes(path, data)


def _columns(grid: Grid) -> dict[str, np.ndarray]:
    columns = {
        "channel": np.asarray(grid.channel_names)[grid.channel],
        "color": np.asarray(grid.colour_names)[grid.colour],
    }
    for names, array in (
        (PUPIL_COLUMNS, grid.pupil_mm),
        (DIRECTION_COLUMNS, grid.direction_deg),
        (PIXEL_COLUMNS, grid.pixel),
    ):
        columns |= {name: array[:, axis] for axis, name in enumerate(names)}
    columns |= {name: getattr(grid, name) for name in OPTIONAL_COLUMNS if getattr(grid, name) is not None}
    return columns | dict(grid.extra)


def _csv_bytes(grid: Grid) -> bytes:
    import pyarrow as pa
    from pyarrow import csv as arrow_csv

    columns = _columns(grid)
    header = io.StringIO()
    csv.writer(header, lineterminator="\n").writerow(columns)
    for code, name in ((grid.channel, "channel"), (grid.colour, "color")):
        names = grid.channel_names if name == "channel" else grid.colour_names
        columns[name] = pa.DictionaryArray.from_arrays(pa.array(code), pa.array(names)).cast(pa.string())
    # from_pandas=False keeps NaN apart from "no value".
    table = pa.table(
        {
            name: column if isinstance(column, pa.Array) else pa.array(column, from_pandas=False)
            for name, column in columns.items()
        }
    )
    for quoting in (
        "none",
        "needed",
    ):  # the reader's "needed" quotes all text; "none" refuses text that needs quotes
        body = io.BytesIO()
        body.write(header.getvalue().encode("utf-8"))
        try:
            arrow_csv.write_csv(
                table, body, write_options=arrow_csv.WriteOptions(include_header=False, quoting_style=quoting)
            )
        except pa.ArrowInvalid:
            continue
        break
    return body.getvalue()
