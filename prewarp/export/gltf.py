"""Meshes as glTF 2.0 binary: one file per channel and pupil position, attributes per colour.

Khronos glTF 2.0 specification (ISO/IEC 12113). POSITION is the panel as a flat plate, x to the right and y
up, its edges at -1 and 1: what a vertex shader needs, and what any viewer can show. Attributes of our own
begin with an underscore, as the specification asks; colours are named by their letters or numbered.
"""

import json
import struct
from typing import NoReturn

import numpy as np

from prewarp.checks import FloatArray
from prewarp.errors import PackageError
from prewarp.export.build import DeviceBuild
from prewarp.export.package_file import (
    CONTENT_FRAME,
    DIRECTION_FRAME,
    PANEL_FRAME,
    ArrayNote,
    JsonObject,
    PackageFile,
)
from prewarp.mesh import PanelMesh

KIND = "mesh glTF"
MAGIC, VERSION = 0x46546C67, 2
_JSON, _BINARY = 0x4E4F534A, 0x004E4942
_FLOAT, _UNSIGNED_INT, _ARRAY, _INDICES = 5126, 5125, 34962, 34963
_PANEL = "_PANEL_PX"
MAX_NODES = 1 << 26


def gltf_file(
    build: DeviceBuild, meshes: dict[str, PanelMesh], gained: dict[str, PanelMesh], pupil: int, /
) -> PackageFile:
    """Return the mesh of one channel for one pupil position, all colours of `meshes` in it.

    `gained`: the same with gains for weights (`DeviceBuild.gain_mesh`).
    """
    first = next(iter(meshes.values()))
    rows, columns = first.weight.shape
    u, v = np.meshgrid(*first.node_px)
    width, height = first.panel_size_px
    position = np.stack([2.0 * u / width - 1.0, 1.0 - 2.0 * v / height, np.zeros_like(u)], axis=-1)
    attributes = {"POSITION": position, _PANEL: np.stack([u, v], axis=-1)}
    names = colour_attributes(list(meshes))
    for colour, (direction, content, weight, gain) in names.items():
        attributes[direction] = meshes[colour].tangent
        attributes[content] = meshes[colour].content_px
        attributes[weight] = meshes[colour].weight[..., None]
        attributes[gain] = gained[colour].weight[..., None]
    notes = [
        _note("POSITION", rows, columns, 3, "half panel width, half panel height", "x right, y up"),
        _note(_PANEL, rows, columns, 2, "px", PANEL_FRAME),
    ]
    for colour, (direction, content, weight, gain) in names.items():
        own = f"colour '{colour}'"
        notes += [
            _note(direction, rows, columns, 2, "tangent", f"{own}: {DIRECTION_FRAME}"),
            _note(content, rows, columns, 2, "px", f"{own}: {CONTENT_FRAME}"),
            _note(weight, rows, columns, 1, "fraction of linear light, gain in it", own),
            _note(gain, rows, columns, 1, "factor on linear light, gain alone", own),
        ]
    details = {
        "channel": first.channel,
        "pupil": pupil,
        "rows": rows,
        "columns": columns,
        "attributes": {
            colour: dict(zip(("direction", "content", "weight", "gain"), own, strict=True))
            for colour, own in names.items()
        },
    }
    extras = {
        "channel": first.channel,
        "pupil_mm": first.tracked_pupil_mm.tolist(),
        "panel_size_px": [width, height],
        "nodes": [columns, rows],
    }
    data = glb_bytes(attributes, triangle_indices(rows, columns), f"{first.channel} p{pupil:03d}", extras)
    path = f"meshes/{build.stem(first.channel)}_p{pupil:03d}.glb"
    return PackageFile(path, data, KIND, "pre-warp mesh of all colours, triangles", tuple(notes), details)


def colour_attributes(colours: list[str], /) -> dict[str, tuple[str, str, str, str]]:
    """Return the names of direction, content place, weight and gain per colour.

    A colour's own name stands in them where an attribute can hold it.
    """
    names = {}
    for place, colour in enumerate(colours):
        taken = [other.upper() for other in colours[:place]]
        plain = colour.isascii() and colour.isalnum() and colour.upper() not in taken
        end = colour.upper() if plain else f"COLOUR{place}"
        names[colour] = (f"_DIRECTION_{end}", f"_CONTENT_{end}", f"_WEIGHT_{end}", f"_GAIN_{end}")
    return names


def triangle_indices(rows: int, columns: int, /) -> np.ndarray:
    """Return triangles (2 x cells, 3) of nodes numbered row by row, counter-clockwise as seen with y up.

    Each cell is cut from its first node to the opposite one.
    """
    first = (np.arange(rows - 1)[:, None] * columns + np.arange(columns - 1)).ravel()
    across, down, opposite = first + 1, first + columns, first + columns + 1
    return np.stack([first, down, opposite, first, opposite, across], axis=-1).reshape(-1, 3).astype("<u4")


def glb_bytes(
    attributes: dict[str, FloatArray], indices: np.ndarray, name: str, extras: JsonObject, /
) -> bytes:
    """Return a GLB file with one mesh; attributes (rows, columns, k) become 32-bit floats."""
    binary = bytearray()
    views: list[JsonObject] = []
    accessors: list[JsonObject] = []

    def add(data: bytes, target: int, **accessor: object) -> int:
        views.append({"buffer": 0, "byteOffset": len(binary), "byteLength": len(data), "target": target})
        accessors.append({"bufferView": len(views) - 1, **accessor})
        binary.extend(data + bytes(-len(data) % 4))
        return len(accessors) - 1

    places = {}
    for attribute, values in attributes.items():
        flat = values.reshape(-1, values.shape[-1]).astype("<f4")
        kind = {1: "SCALAR", 2: "VEC2", 3: "VEC3"}[flat.shape[1]]
        ends = {"min": flat.min(axis=0).tolist(), "max": flat.max(axis=0).tolist()}
        bounds = ends if attribute == "POSITION" else {}
        places[attribute] = add(
            flat.tobytes(), _ARRAY, componentType=_FLOAT, count=len(flat), type=kind, **bounds
        )
    triangles = add(
        indices.tobytes(), _INDICES, componentType=_UNSIGNED_INT, count=indices.size, type="SCALAR"
    )
    primitive = {"attributes": places, "indices": triangles, "mode": 4}
    document = {
        "asset": {"version": "2.0", "generator": "prewarp"},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0, "name": name}],
        "meshes": [{"name": name, "primitives": [primitive], "extras": extras}],
        "accessors": accessors,
        "bufferViews": views,
        "buffers": [{"byteLength": len(binary)}],
    }
    text = json.dumps(document, separators=(",", ":"), allow_nan=False, sort_keys=True).encode()
    text += b" " * (-len(text) % 4)
    chunks = struct.pack("<II", len(text), _JSON) + text + struct.pack("<II", len(binary), _BINARY) + binary
    return struct.pack("<III", MAGIC, VERSION, 12 + len(chunks)) + chunks


def attributes_from_glb(data: bytes, rows: int, columns: int, /, *, where: str) -> dict[str, FloatArray]:
    """Return the attributes (rows, columns, k) of a file such as `glb_bytes` writes; triangles are checked.

    Raises
    ------
    PackageError
        Not such a file, damaged, or another number of nodes.
    """

    def refuse(why: str) -> NoReturn:
        raise PackageError(f"{where}: {why} Export again.")

    if len(data) < 28 or len(data) % 4 or struct.unpack_from("<III", data) != (MAGIC, VERSION, len(data)):
        refuse("not a glTF 2.0 binary file of its stated length.")
    size, kind = struct.unpack_from("<II", data, 12)
    if kind != _JSON or 28 + size > len(data) or size % 4:
        refuse("its first chunk is not JSON.")
    binary_size, binary_kind = struct.unpack_from("<II", data, 20 + size)
    if binary_kind != _BINARY or 28 + size + binary_size != len(data):
        refuse("its second chunk is not the binary one.")
    binary = data[28 + size :]
    try:
        document = json.loads(data[20 : 20 + size])
        (primitive,) = document["meshes"][0]["primitives"]
        found = {
            str(name): _accessor(document, place, binary).reshape(rows, columns, -1)
            for name, place in primitive["attributes"].items()
        }
        indices = _accessor(document, primitive["indices"], binary)
    # A damaged document can lack any key or hold any kind of value.
    except (KeyError, TypeError, ValueError, IndexError, RecursionError) as cause:
        raise PackageError(f"{where}: damaged ({type(cause).__name__}: {cause}). Export again.") from cause
    if not np.array_equal(indices.reshape(-1, 3), triangle_indices(rows, columns)):
        refuse("its triangles do not join neighbouring nodes.")
    return {name: values.astype(float) for name, values in found.items()}


def _accessor(document: JsonObject, place: int, binary: bytes) -> np.ndarray:
    accessor = document["accessors"][place]
    view = document["bufferViews"][accessor["bufferView"]]
    width = {"SCALAR": 1, "VEC2": 2, "VEC3": 3}[accessor["type"]]
    dtype = np.dtype({_FLOAT: "<f4", _UNSIGNED_INT: "<u4"}[accessor["componentType"]])
    start, size, count = int(view["byteOffset"]), int(view["byteLength"]), int(accessor["count"])
    if not (0 <= start <= start + size <= len(binary) and 0 < count < MAX_NODES * 6):
        raise ValueError(f"a view of {size} bytes at {start}")
    if size != count * width * dtype.itemsize:
        raise ValueError(f"{size} bytes for {count} elements")
    return np.frombuffer(binary, dtype, count * width, start).reshape(count, width)


def _note(name: str, rows: int, columns: int, width: int, unit: str, frame: str) -> ArrayNote:
    axes = ("rows along v", "columns along u", "components")
    texels = "nodes evenly spaced from the panel's edge to edge, row by row; between them triangles"
    return ArrayNote(name, (rows, columns, width), axes, "float32", unit, frame, texels)
