"""Meshes as CSV: one row per node, numbers written so that they read back as the same double."""

import io

import numpy as np
import pyarrow as pa
import pyarrow.csv

from prewarp.checks import FloatArray
from prewarp.errors import PackageError
from prewarp.export.build import DeviceBuild
from prewarp.export.package_file import CONTENT_FRAME, PANEL_FRAME, ArrayNote, PackageFile, map_file
from prewarp.frames import degrees_from_tangent
from prewarp.mesh import PanelMesh

KIND = "mesh csv"
# Column, unit.
COLUMNS = (
    ("row", ""),
    ("column", ""),
    ("panel_u_px", "px"),
    ("panel_v_px", "px"),
    ("dir_x_deg", "degrees"),
    ("dir_y_deg", "degrees"),
    ("content_u_px", "px"),
    ("content_v_px", "px"),
    ("weight", "fraction of linear light"),
)
NAMES = tuple(name for name, _ in COLUMNS)


def csv_file(build: DeviceBuild, mesh: PanelMesh, pupil: int, /) -> PackageFile:
    """Return one mesh, node by node."""
    rows, columns = mesh.weight.shape
    note = ArrayNote(
        "nodes",
        (rows, columns, len(COLUMNS)),
        ("rows along v", "columns along u", ", ".join(NAMES)),
        "decimal text",
        "; ".join(f"{name}: {unit}" for name, unit in COLUMNS if unit),
        f"{PANEL_FRAME}; {CONTENT_FRAME}; directions: degrees, atan of X/Z and Y/Z",
        "nodes evenly spaced from the panel's edge to edge, both included, row by row",
    )
    what = "pre-warp mesh: one row per node"
    path, data = "meshes/{}.csv", csv_bytes(mesh)
    return map_file(build, mesh, pupil, path, data, KIND, what, note, rows=rows, columns=columns)


def csv_bytes(mesh: PanelMesh, /) -> bytes:
    """Return the nodes of a mesh as CSV."""
    rows, columns = mesh.weight.shape
    row, column = np.mgrid[0:rows, 0:columns]
    values = (
        row,
        column,
        *np.meshgrid(*mesh.node_px),
        *np.moveaxis(degrees_from_tangent(mesh.tangent), -1, 0),
        *np.moveaxis(mesh.content_px, -1, 0),
        mesh.weight,
    )
    stream = io.BytesIO()
    table = pa.table({name: value.ravel() for name, value in zip(NAMES, values, strict=True)})
    pyarrow.csv.write_csv(table, stream, pyarrow.csv.WriteOptions(quoting_style="none"))
    return stream.getvalue()


def nodes_from_csv(data: bytes, rows: int, columns: int, /, *, where: str) -> FloatArray:
    """Return the nodes (rows, columns, 9) of a CSV file, columns `COLUMNS`.

    Raises
    ------
    PackageError
        Not such a CSV, other columns or another number of rows.
    """
    try:
        table = pyarrow.csv.read_csv(io.BytesIO(data))
    except pa.ArrowException as cause:
        raise PackageError(f"{where}: not a CSV file ({cause}). Export again.") from cause
    if tuple(table.column_names) != NAMES or table.num_rows != rows * columns:
        raise PackageError(
            f"{where}: {table.num_rows} rows of {', '.join(table.column_names)}; expected {rows * columns} "
            f"of {', '.join(NAMES)}. Export again."
        )
    try:
        values = [table[name].to_numpy().astype(np.float64) for name in NAMES]
    except ValueError as cause:
        raise PackageError(f"{where}: not all cells are numbers ({cause}). Export again.") from cause
    return np.stack(values, axis=-1).reshape(rows, columns, -1)
