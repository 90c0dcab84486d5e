"""Reading an exported mesh folder back, trusting nothing in it."""

import io
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow.csv
from PIL import Image

from prewarp.checks import FloatArray
from prewarp.errors import InputFileError, PackageError
from prewarp.export.quantise import COMPONENTS, CodedTable
from prewarp.files import MEBIBYTE, read_bytes, sha256_of_bytes
from prewarp.frames import degrees_from_tangent
from prewarp.mesh import PanelMesh

FORMAT = "pre-warp meshes"
FORMAT_VERSION = 1
CSV_COLUMNS = (
    "row",
    "column",
    "panel_u_px",
    "panel_v_px",
    "dir_x_deg",
    "dir_y_deg",
    "content_u_px",
    "content_v_px",
    "weight",
)
MAX_FILE_BYTES = 256 * MEBIBYTE
MAX_NODES = 4096
# Numbers in the CSV are written so that they read back as the same double.
_CSV_TOLERANCE = 0.0


@dataclass(frozen=True)
class ExportedMesh:
    """One mesh as its files hold it.

    Parameters
    ----------
    channel, colour : str
        Which panel and colour.
    pupil_mm : (3,) float array
        Pupil position, mm.
    nodes : (rows, columns, 9) float array
        The CSV, columns `CSV_COLUMNS`.
    table : CodedTable
        The PNG files and their scales.
    """

    channel: str
    colour: str
    pupil_mm: FloatArray
    nodes: FloatArray
    table: CodedTable


def read_manifest(folder: Path, /) -> dict[str, object]:
    """Return the manifest of an exported folder; its format and version are checked."""
    data = _read(folder, "manifest.json")
    try:
        manifest = json.loads(data)
    except ValueError as cause:
        raise PackageError(f"{folder}: manifest.json is not JSON ({cause}). Export again.") from cause
    found = (manifest.get("format"), manifest.get("version")) if isinstance(manifest, dict) else None
    if found != (FORMAT, FORMAT_VERSION):
        raise PackageError(
            f"{folder}: manifest.json names {found}; expected {(FORMAT, FORMAT_VERSION)}. Export again."
        )
    return manifest


def read_mesh_export(folder: Path, /) -> list[ExportedMesh]:
    """Read every mesh of an exported folder and check every file's hash and shape.

    Raises
    ------
    PackageError
        A file is missing, changed, has another shape than the manifest says, or lies outside the folder.
    """
    folder = Path(folder)
    manifest = read_manifest(folder)
    try:
        read_listed(folder, manifest["vertex_shader"])
        for channel in manifest["channels"]:
            read_listed(folder, channel["fragment_shader"])
        return [_mesh(folder, entry, manifest["pupils_mm"]) for entry in manifest["meshes"]]
    # A damaged manifest can lack any key or hold any kind of value; each means the same to the reader.
    except (KeyError, TypeError, ValueError, IndexError) as cause:
        raise PackageError(
            f"{folder}: manifest.json is damaged ({type(cause).__name__}: {cause}). Export again."
        ) from cause


def read_listed(folder: Path, entry: Mapping[str, str], /) -> bytes:
    """Return the bytes of a file that the manifest lists, after checking its hash."""
    name = entry["file"]
    if not isinstance(name, str) or Path(name).name != name:
        raise PackageError(
            f"{folder}: manifest.json names the file {name!r}; expected a name without folders."
        )
    data = _read(folder, name)
    if sha256_of_bytes(data) != entry["sha256"]:
        raise PackageError(f"{folder / name}: the file is not the one that was exported (SHA-256 differs).")
    return data


def compare_with(read: list[ExportedMesh], meshes: Iterable[PanelMesh], /) -> None:
    """Raise unless what was read back is what the meshes hold: nodes exactly, tables to half a code."""
    count = 0
    for count, mesh in enumerate(meshes, start=1):
        got = read[count - 1]
        where = f"channel '{mesh.channel}', {mesh.colour}, pupil {tuple(mesh.tracked_pupil_mm.tolist())} mm"
        expected = np.concatenate(
            [degrees_from_tangent(mesh.tangent), mesh.content_px, mesh.weight[..., None]], axis=-1
        )
        if got.nodes.shape[:2] != mesh.weight.shape or np.any(
            np.abs(got.nodes[..., 4:] - expected) > _CSV_TOLERANCE
        ):
            raise PackageError(f"{where}: the CSV does not read back as it was written. Check the disk.")
        error = np.abs(got.table.spline().coefficients - mesh.spline().coefficients).max(axis=(0, 1))
        if np.any(error > 0.501 * got.table.scale + 1e-9):
            raise PackageError(f"{where}: the tables are {error.max():g} off; expected half a code at most.")
    if count != len(read):
        raise PackageError(f"{len(read)} meshes were read back; {count} were written.")


def _mesh(folder: Path, entry: Mapping[str, object], pupils: list[list[float]]) -> ExportedMesh:
    rows, columns = (int(entry["nodes"][name]) for name in ("rows", "columns"))
    if not (4 <= rows <= MAX_NODES and 4 <= columns <= MAX_NODES):
        raise PackageError(
            f"{folder}: a mesh of {rows} x {columns} nodes; expected 4 to {MAX_NODES} each way."
        )
    csv = pyarrow.csv.read_csv(io.BytesIO(read_listed(folder, entry["csv"])))
    if tuple(csv.column_names) != CSV_COLUMNS or csv.num_rows != rows * columns:
        raise PackageError(
            f"{folder / entry['csv']['file']}: {csv.num_rows} rows of {', '.join(csv.column_names)}; expected "
            f"{rows * columns} of {', '.join(CSV_COLUMNS)}."
        )
    nodes = np.stack([csv[name].to_numpy().astype(np.float64) for name in CSV_COLUMNS], axis=-1)
    codes = [_png(folder, entry["png"][name], (rows + 2, columns + 2)) for name in COMPONENTS]
    table = CodedTable(
        np.stack(codes, axis=-1),
        np.array(entry["affine"], dtype=np.float64).reshape(3, 3),
        np.array(entry["scale"], dtype=np.float64).reshape(3),
        np.array(entry["step_px"], dtype=np.float64).reshape(2),
    )
    pupil = np.array(pupils[int(entry["pupil"])], dtype=np.float64).reshape(3)
    return ExportedMesh(
        str(entry["channel"]), str(entry["colour"]), pupil, nodes.reshape(rows, columns, -1), table
    )


def _png(folder: Path, entry: Mapping[str, str], shape: tuple[int, int]) -> np.ndarray:
    data = read_listed(folder, entry)
    with Image.open(io.BytesIO(data), formats=["PNG"]) as picture:
        found = (picture.height, picture.width), picture.mode
        if found != (shape, "I;16"):
            raise PackageError(
                f"{folder / entry['file']}: {found[0]} px of kind {found[1]}; expected {shape} of kind I;16."
            )
        return np.asarray(picture).astype(np.uint16)


def _read(folder: Path, name: str) -> bytes:
    try:
        return read_bytes(folder / name, limit_bytes=MAX_FILE_BYTES, what="a file of an exported folder")
    except InputFileError as cause:
        raise PackageError(str(cause)) from cause
