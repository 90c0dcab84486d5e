"""First form of export: meshes as CSV and 16-bit PNG, with shaders that draw from them, and a manifest.

One folder::

    manifest.json                     units, frames, shapes, scales, SHA-256 of every file
    c0-left_G_p000.csv                nodes: panel point, direction, content point, weight
    c0-left_G_p000_content_u.png      spline coefficients in 16 bits (also _content_v, _weight)
    panel.vert, c0-left.frag          desktop GLSL 3.30 that draws the panel from the PNG tables

The folder is written beside its place, read back and compared with the meshes, and only then renamed.
"""

import io
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.csv
from numpy.typing import ArrayLike
from PIL import Image

from prewarp.checks import as_pupil
from prewarp.content import ContentProjection
from prewarp.encoding import TransferFunction
from prewarp.errors import PackageError
from prewarp.export.mesh_reading import CSV_COLUMNS, FORMAT, FORMAT_VERSION, compare_with, read_mesh_export
from prewarp.export.quantise import COMPONENTS, CodedTable, coded_table
from prewarp.files import json_text, output_folder, sha256_of_bytes, write_bytes
from prewarp.frames import degrees_from_tangent
from prewarp.glsl import compose
from prewarp.mesh import NODE_STEP_PX, PanelMesh, panel_mesh
from prewarp.seam import Seam

if TYPE_CHECKING:
    from prewarp.field import FieldSet

MAX_PUPILS = 1000
_ENCODINGS = {"srgb": 0, "power": 1, "table": 2}
_FRAMES = {
    "panel": "px; origin at the top-left corner of the active area, first pixel's centre (0.5, 0.5), v down",
    "content": "px; origin at the picture's top-left corner, first pixel's centre (0.5, 0.5), v down",
    "direction": "degrees, atan of X/Z and Y/Z; +x to the wearer's right, +y up, +z forward",
    "pupil": "mm from the eye-box centre, same axes as directions",
    "weight": "share of linear light, 0 to 1",
    "table": "value(u, v) = affine . (1, u, v) + scale * bicubic B-spline of the codes at node coordinates "
    "(u / step_u, v / step_v); code (0, 0) lies one node before the panel's top-left corner both ways",
}


def export_mesh(
    folder: Path,
    fields: "FieldSet",
    content: ContentProjection,
    /,
    *,
    pupils_mm: ArrayLike,
    seam: Seam | None = None,
    channels: Sequence[str] | None = None,
    transfers: Mapping[str, TransferFunction] | None = None,
    bit_depths: Mapping[str, int] | None = None,
    step_px: float = NODE_STEP_PX,
    provenance: Mapping[str, object] | None = None,
) -> dict[str, object]:
    """Write the pre-warp meshes of every channel and colour for given pupil positions.

    Parameters
    ----------
    folder : Path
        Folder to make; one that this package wrote before is replaced.
    fields : FieldSet
        The fit.
    content : ContentProjection
        How the content picture lies on directions.
    pupils_mm : (3,) or (n, 3) float array
        Pupil positions, mm from the eye-box centre.
    seam : Seam, optional
        Blend weights; 1 everywhere without one.
    channels : sequence of str, optional
        Which to write; all if not given.
    transfers, bit_depths : mapping, optional
        Per channel: how its panel turns codes into light (sRGB and 8 bits where not given).
    step_px : float
        Largest distance between nodes, panel px.
    provenance : mapping, optional
        Facts about the fit, written into the manifest as they are (JSON).

    Returns
    -------
    dict
        The manifest, with the largest rounding error of the tables in px.

    Raises
    ------
    PackageError
        No pupils or too many, or what was read back is not what was written.
    InputFileError
        The folder holds something that this package did not write.
    """
    pupils = as_pupil(pupils_mm, "pupils_mm").reshape(-1, 3)
    if not 1 <= len(pupils) <= MAX_PUPILS or not np.isfinite(pupils).all():
        raise PackageError(
            f"pupils_mm holds {len(pupils)} positions; expected 1 to {MAX_PUPILS}, all finite numbers."
        )
    names = tuple(fields.channels if channels is None else channels)
    with output_folder(Path(folder)) as working:
        manifest: dict[str, object] = {
            "format": FORMAT,
            "version": FORMAT_VERSION,
            "frames": _FRAMES,
            "content": {
                "projection": content.projection,
                "size_px": list(content.size_px),
                "field_x_deg": content.field_x_deg,
            },
            "csv_columns": list(CSV_COLUMNS),
            "table_components": list(COMPONENTS),
            "pupils_mm": pupils.tolist(),
            "feather_deg": None if seam is None else seam.feather_deg,
            "provenance": dict(provenance or {}),
            "channels": [],
            "meshes": [],
        }
        manifest["vertex_shader"] = _write(working, "panel.vert", compose("picture.vert").text.encode())
        for number, name in enumerate(names):
            stem = f"c{number}-{re.sub(r'[^A-Za-z0-9_-]', '_', name)[:40]}"
            transfer = (transfers or {}).get(name, TransferFunction())
            bits = (bit_depths or {}).get(name, 8)
            manifest["channels"].append(_channel(working, stem, fields, name, transfer, bits))
            for mesh, index in _meshes(fields, content, name, pupils, seam, step_px):
                manifest["meshes"].append(_mesh(working, f"{stem}_{mesh.colour}_p{index:03d}", mesh, index))
        write_bytes(working / "manifest.json", json_text(manifest).encode())
        expected = (
            mesh for name in names for mesh, _ in _meshes(fields, content, name, pupils, seam, step_px)
        )
        compare_with(read_mesh_export(working), expected)
    return manifest


def _meshes(
    fields: "FieldSet",
    content: ContentProjection,
    channel: str,
    pupils: np.ndarray,
    seam: Seam | None,
    step_px: float,
) -> Iterator[tuple[PanelMesh, int]]:
    for colour in fields.colours:
        field = fields.field(channel, colour)
        for index, pupil in enumerate(pupils):
            yield panel_mesh(field, content, tracked_pupil_mm=pupil, seam=seam, step_px=step_px), index


def _channel(
    working: Path, stem: str, fields: "FieldSet", name: str, transfer: TransferFunction, bits: int
) -> dict[str, object]:
    text = compose("panel_tables.frag", options={"PW_ENCODING": _ENCODINGS[transfer.kind]}).text
    return {
        "channel": name,
        "panel_size_px": list(fields.field(name, fields.colours[0]).panel_size_px),
        "encoding": transfer.kind,
        "gamma": transfer.gamma if transfer.kind == "power" else None,
        "table": list(transfer.table),
        "bit_depth": bits,
        "fragment_shader": _write(working, f"{stem}.frag", text.encode()),
    }


def _mesh(working: Path, stem: str, mesh: PanelMesh, index: int) -> dict[str, object]:
    table = coded_table(mesh.spline())
    rows, columns = mesh.weight.shape
    return {
        "channel": mesh.channel,
        "colour": mesh.colour,
        "pupil": index,
        "nodes": {"rows": rows, "columns": columns},
        "step_px": table.step.tolist(),
        "affine": table.affine.tolist(),
        "scale": table.scale.tolist(),
        "largest_rounding_px": float(0.5 * table.scale[:2].max()),
        "csv": _write(working, f"{stem}.csv", _csv_bytes(mesh)),
        "png": {
            name: _write(working, f"{stem}_{name}.png", _png_bytes(table, place))
            for place, name in enumerate(COMPONENTS)
        },
    }


def _csv_bytes(mesh: PanelMesh) -> bytes:
    rows, columns = mesh.weight.shape
    u, v = np.meshgrid(*mesh.node_px)
    row, column = np.mgrid[0:rows, 0:columns]
    degrees = degrees_from_tangent(mesh.tangent)
    values = (
        row,
        column,
        u,
        v,
        degrees[..., 0],
        degrees[..., 1],
        *np.moveaxis(mesh.content_px, -1, 0),
        mesh.weight,
    )
    stream = io.BytesIO()
    table = pa.table({name: value.ravel() for name, value in zip(CSV_COLUMNS, values, strict=True)})
    pyarrow.csv.write_csv(table, stream, pyarrow.csv.WriteOptions(quoting_style="none"))
    return stream.getvalue()


def _png_bytes(table: CodedTable, component: int) -> bytes:
    stream = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(table.codes[..., component])).save(stream, format="PNG")
    return stream.getvalue()


def _write(folder: Path, name: str, data: bytes) -> dict[str, str]:
    write_bytes(folder / name, data)
    return {"file": name, "sha256": sha256_of_bytes(data)}
