"""Visibility masks in a package: one of the whole eye box and one per pupil position, as JSON and C arrays.

Read back, both hold the same numbers; triangles run counter-clockwise, share whole sides and fill the view
without overlap; what is lit is visible and what is dark is hidden, at the truth's directions.
"""

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from prewarp.checks import BoolArray, FloatArray, IntArray
from prewarp.cores import one_blas_thread
from prewarp.errors import PackageError
from prewarp.export.build import DeviceBuild
from prewarp.export.outlines import area
from prewarp.export.package_file import ArrayNote, JsonObject, PackageFile
from prewarp.export.truth import Truth
from prewarp.export.view_mask import UP_TO_16_BITS, FieldOfView, ViewMask, masks_c, masks_json, view_mask
from prewarp.export.view_outlines import MOST_BEYOND_DEG, lit_areas, lit_areas_of_box
from prewarp.seam import channel_lights

KIND = "view mask"
JSON_PATH, C_PATH = "views/masks.json", "views/prewarp_view_masks.h"
BOX = "eye_box"
_FRAME = "plane z = -1 of the view: tangents X/Z, Y/Z, +x to the wearer's right, +y up"
# Directions nearer to a border than this are neither: 32-bit corners are off by 0.02 arcmin at most.
_BORDER_DEG = 1e-3
# Of the view's area: 32-bit corners.
_SAME_AREA = 1e-5
# Directions asked for at once.
_CHUNK = 256
_ANGLES = ("angleLeft_rad", "angleRight_rad", "angleUp_rad", "angleDown_rad")


def pupil_name(pupil: int, /) -> str:
    """Return the name of the mask of one of the build's pupil positions."""
    return f"p{pupil:03d}"


def masks_of(build: DeviceBuild, /) -> dict[str, ViewMask]:
    """Return the mask of the whole eye box, and of each of the build's pupil positions."""
    lights = channel_lights(build.fields, build.channels)
    with one_blas_thread():
        masks = {BOX: view_mask(lit_areas_of_box(lights, build.eye.eye_box))}
        for pupil, pupil_mm in enumerate(build.pupils_mm):
            masks[pupil_name(pupil)] = view_mask(lit_areas(lights, pupil_mm))
    return masks


def mask_files(build: DeviceBuild, /) -> list[PackageFile]:
    """Return the masks of a build as JSON and as a C header."""
    masks = masks_of(build)
    details = {"masks": list(masks), "largest_beyond_deg": MOST_BEYOND_DEG}
    notes = tuple(
        ArrayNote(
            name, mask.vertices.shape, ("vertices", "x, y"), "float32 as decimal text", "tangent", _FRAME
        )
        for name, mask in masks.items()
    )
    what = "field of view and visibility mask of the eye box and of every pupil position"
    return [
        PackageFile(JSON_PATH, masks_json(masks).encode(), KIND, what, notes, {**details, "form": "json"}),
        PackageFile(C_PATH, masks_c(masks).encode(), KIND, f"{what}, C99", notes, {**details, "form": "c"}),
    ]


def masks_from_json(data: bytes, /, *, where: str) -> dict[str, ViewMask]:
    """Return the masks of a file such as `masks_json` writes.

    Raises
    ------
    PackageError
        Not such a file, or damaged.
    """
    try:
        found = json.loads(data)["masks"]
        return {str(name): _mask(one) for name, one in found.items()}
    # A damaged document can lack any key or hold any kind of value.
    except (KeyError, TypeError, ValueError, AttributeError, RecursionError, OverflowError) as cause:
        raise PackageError(f"{where}: damaged ({type(cause).__name__}: {cause}). Export again.") from cause


@dataclass(frozen=True, eq=False)
class CMask:
    """What a C header holds of one mask: arrays as they stand there, flat but for the vertices (n, 2)."""

    fov_rad: FloatArray
    vertices: FloatArray
    visible: IntArray
    hidden: IntArray
    loop: IntArray


def masks_from_c(text: str, /) -> dict[str, CMask]:
    """Return the arrays of a header such as `masks_c` writes, by name of the mask; nothing is compiled."""
    arrays: dict[str, FloatArray] = {}
    for found in re.finditer(
        r"^static const (?:float|uint16_t) prewarp_view_(\w+)\[\d+\](?:\[2\])? = \{([^;]*)\};",
        text,
        re.MULTILINE,
    ):
        numbers = re.findall(r"-?\d+(?:\.\d+(?:e[-+]?\d+)?)?", found[2])
        arrays[found[1]] = np.array([float(number) for number in numbers])
    masks = {}
    for name in (key.removesuffix("_fov_rad") for key in arrays if key.endswith("_fov_rad")):
        whole = [
            arrays.get(f"{name}_{kind}", np.zeros(0)).astype(int) for kind in ("visible", "hidden", "loop")
        ]
        vertices = arrays.get(f"{name}_vertices", np.zeros(0))
        masks[name] = CMask(arrays[f"{name}_fov_rad"], vertices.reshape(-1, 2), *whole)
    return masks


def c_faults(masks: Mapping[str, ViewMask], header: Mapping[str, CMask], /) -> Iterator[str]:
    """Yield where a C header does not hold the numbers of the JSON, as 32-bit floats."""
    if set(masks) != set(header):
        yield f"the header holds {', '.join(header)}; expected {', '.join(masks)}"
        return
    for name, mask in masks.items():
        own = header[name]
        angles = np.array(list(mask.field_of_view.as_dict().values()))
        floats = ((own.fov_rad, angles), (own.vertices, mask.vertices))
        whole = ((own.visible, mask.visible), (own.hidden, mask.hidden), (own.loop, mask.loop))
        same = all(np.array_equal(a.astype(np.float32), b.astype(np.float32)) for a, b in floats)
        if not same or not all(np.array_equal(a, b.reshape(-1)) for a, b in whole):
            yield f"{name}: other numbers in the header than in the JSON"


def mask_faults(mask: ViewMask, /) -> Iterator[str]:
    """Yield what is wrong with a mask by itself: winding, overlap, cracks, a view that is not filled."""
    every = np.concatenate([mask.visible, mask.hidden])
    sizes = _areas(mask, every)
    if not len(mask.visible):
        yield "nothing is visible"
        return
    if sizes.min() <= 0.0:
        yield f"{int((sizes <= 0.0).sum())} triangles do not run counter-clockwise"
    view = mask.field_of_view
    whole = (view.right - view.left) * (view.up - view.down)
    if abs(sizes.sum() - whole) > _SAME_AREA * whole:
        yield f"triangles cover {sizes.sum() / whole:.6f} of the view"
    sides = np.concatenate([every[:, [0, 1]], every[:, [1, 2]], every[:, [2, 0]]])
    there = set(map(tuple, sides.tolist()))
    if len(there) < len(sides):
        yield f"{len(sides) - len(there)} sides belong to two triangles on one hand: they overlap"
    alone = np.array([side for side in there if side[::-1] not in there]).reshape(-1, 2)
    if not _on_border(mask, alone).all():
        yield "triangles do not share whole sides: there are cracks"
    if area(mask.vertices[mask.loop]) <= 0.0 or len(set(mask.loop.tolist())) < len(mask.loop):
        yield "the loop does not run once and counter-clockwise"


def visible_at(mask: ViewMask, tangent: FloatArray, /) -> BoolArray:
    """Return whether directions (n, 2) lie in a triangle of what is visible, its sides included."""
    found = np.zeros(len(tangent), dtype=bool)
    corners = mask.vertices[mask.visible]
    a, b, c = (corners[:, place] for place in range(3))
    for first in range(0, len(tangent), _CHUNK):
        p = tangent[first : first + _CHUNK, None]
        inside = (_turn(a, b, p) >= 0.0) & (_turn(b, c, p) >= 0.0) & (_turn(c, a, p) >= 0.0)
        found[first : first + _CHUNK] = inside.any(axis=1)
    return found


def coverage(masks: Mapping[str, ViewMask], truth: Truth, /) -> tuple[int, int, int]:
    """Return how many lit directions a mask hides, how many dark ones it shows, and how many were asked.

    Lit: from a mask's own pupil, or from any pupil of the eye box. Dark: further than `MOST_BEYOND_DEG`
    outside what any channel lights, for the masks of single pupils.
    """
    hidden = shown = asked = 0
    for channel, depth in truth.lit_deg.items():
        tangent = truth.maps[channel, truth.first_colour].tangent
        for number in range(len(truth.pupils_mm)):
            lit, dark = depth[number] > _BORDER_DEG, depth[number] < -MOST_BEYOND_DEG
            for name in (BOX, *([pupil_name(number)] if number < truth.mesh_pupils else [])):
                seen = visible_at(masks[name], tangent[number])
                hidden += int(np.count_nonzero(lit & ~seen))
                if name != BOX:
                    shown += int(np.count_nonzero(dark & seen))
                asked += len(seen)
    return hidden, shown, asked


def _turn(a: FloatArray, b: FloatArray, p: FloatArray) -> FloatArray:
    result: FloatArray = (b[:, 0] - a[:, 0]) * (p[..., 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (
        p[..., 0] - a[:, 0]
    )
    return result


def _areas(mask: ViewMask, triangles: IntArray) -> FloatArray:
    a, b, c = (mask.vertices[triangles[:, place]] for place in range(3))
    across, along = b - a, c - a
    return np.asarray(0.5 * (across[:, 0] * along[:, 1] - across[:, 1] * along[:, 0]))


def _on_border(mask: ViewMask, sides: IntArray) -> BoolArray:
    """Return whether sides (n, 2) lie on the border of the view."""
    view = mask.field_of_view
    x, y = np.moveaxis(mask.vertices[sides], -1, 0)
    lines = ((x, view.left), (x, view.right), (y, view.up), (y, view.down))
    away = [np.abs(one - line).max(axis=-1) for one, line in lines]
    size = max(view.right - view.left, view.up - view.down)
    return np.asarray(np.min(away, axis=0) <= _SAME_AREA * size)


def _mask(found: JsonObject) -> ViewMask:
    left, right, up, down = (float(np.tan(found["field_of_view"][name])) for name in _ANGLES)
    vertices = np.array(found["vertices"], dtype=np.float64)
    count = len(vertices)
    if vertices.ndim != 2 or vertices.shape[1] != 2 or not np.isfinite(vertices).all():
        raise ValueError(f"vertices of shape {vertices.shape}")
    forward = all(abs(found["field_of_view"][name]) < 0.5 * np.pi for name in _ANGLES)
    if not (forward and left < right and down < up) or count > UP_TO_16_BITS:
        raise ValueError(f"a view from {left:g} to {right:g}, {down:g} to {up:g} with {count} vertices")
    numbers = [
        np.array(found[name], dtype=np.int64).reshape(-1, *shape)
        for name, shape in (("visible_triangles", (3,)), ("hidden_triangles", (3,)), ("line_loop", ()))
    ]
    if any(one.size and (one.min() < 0 or one.max() >= count) for one in numbers):
        raise ValueError("numbers of vertices that are not there")
    visible, hidden, loop = numbers
    hull = bool(found["line_loop_is_hull"])
    return ViewMask(FieldOfView(left, right, up, down), vertices, visible, hidden, loop, hull)
