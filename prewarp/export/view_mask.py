"""What of a view can be seen: field of view and visibility mask of one eye, as JSON and C arrays.

A runtime that serves one view per eye asks which part of it the display shows: OpenXR by the extension
XR_KHR_visibility_mask (a mesh of what is visible, one of what is hidden, one loop of lines around what is
visible; two-dimensional points in the plane z = -1 of the view, counter-clockwise), WebXR likewise (both from
memory). There -z is forward, +x right, +y up: the points are our tangents.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.spatial import ConvexHull

from prewarp.checks import FloatArray, IntArray
from prewarp.errors import PackageError
from prewarp.export.outlines import MERGED, area, strips, sweep, triangles, union
from prewarp.files import json_text

LARGEST_TANGENT = 30.0
MAX_CORNERS = 20_000
UP_TO_16_BITS = 1 << 16


@dataclass(frozen=True, eq=False)
class FieldOfView:
    """Sides of the view, tangents: `left` and `down` are less than `right` and `up`."""

    left: float
    right: float
    up: float
    down: float

    @property
    def corners(self) -> FloatArray:
        """The four corners (4, 2), counter-clockwise."""
        return np.array(
            [
                (self.left, self.down),
                (self.right, self.down),
                (self.right, self.up),
                (self.left, self.up),
            ]
        )

    def as_dict(self) -> dict[str, float]:
        """Return the angles as OpenXR names them, rad; left and down are negative from straight ahead."""
        names = {"left": "angleLeft", "right": "angleRight", "up": "angleUp", "down": "angleDown"}
        return {f"{name}_rad": float(np.arctan(getattr(self, side))) for side, name in names.items()}


@dataclass(frozen=True, eq=False)
class ViewMask:
    """The mask of one eye's view.

    Parameters
    ----------
    field_of_view : FieldOfView
    vertices : (n, 2) float array
        Points in the plane z = -1, tangents (x right, y up); each is a 32-bit float.
    visible, hidden : (m, 3) int array
        Triangles of what is visible and of the rest of the view, counter-clockwise, as numbers of vertices.
    loop : (k,) int array
        One loop of lines around all that is visible, counter-clockwise.
    loop_is_hull : bool
        Whether what is visible lies in several pieces, and the loop is the hull of them all.
    """

    field_of_view: FieldOfView
    vertices: FloatArray
    visible: IntArray
    hidden: IntArray
    loop: IntArray
    loop_is_hull: bool = False

    def as_dict(self) -> dict[str, Any]:
        """Return this for machines."""
        return {
            "field_of_view": self.field_of_view.as_dict(),
            "vertices": self.vertices.tolist(),
            "visible_triangles": self.visible.tolist(),
            "hidden_triangles": self.hidden.tolist(),
            "line_loop": self.loop.tolist(),
            "line_loop_is_hull": self.loop_is_hull,
        }


def view_mask(
    outlines: Sequence[FloatArray | Sequence[FloatArray]], /, *, field_of_view: FieldOfView | None = None
) -> ViewMask:
    """Return the mask of a view of which the areas within outlines are visible.

    Parameters
    ----------
    outlines : sequence of (n, 2) float arrays, or of sequences of such
        Corners of areas that are visible, tangents X/Z and Y/Z, either way round, open; several channels of
        one eye, and several pupil positions, may overlap, touch or lie apart. Of a whole eye box give the
        outlines from all its pupils: what any of them sees must be drawn. An outline that crosses itself, and
        several that are given as one area (holes), are taken by the even-odd rule.
    field_of_view : FieldOfView, optional
        Sides of the view; the smallest that holds the outlines if not given.

    Raises
    ------
    PackageError
        No outlines, one without three finite corners or without area, or beyond the field of view.

    Notes
    -----
    Triangles of one mesh do not overlap, both cover the view, and all share whole sides: no cracks where they
    are drawn. Corners within 1e-6 of each other (0.003 arcmin) are merged.
    """
    areas = [
        [_checked(one, number) for one in ([piece] if isinstance(piece, np.ndarray) else piece)]
        for number, piece in enumerate(outlines)
    ]
    if not any(areas):
        raise PackageError("no outlines are given; expected at least one area that is visible.")
    corners = sum(len(one) for piece in areas for one in piece)
    if corners > MAX_CORNERS:
        raise PackageError(f"outlines have {corners} corners; expected at most {MAX_CORNERS}. Thin them out.")
    borders = union(areas)
    if not borders:
        raise PackageError(f"outlines enclose no area; expected areas wider than {MERGED:g}, tangents.")
    low, high = _extent(borders)
    view = field_of_view or FieldOfView(low[0], high[0], high[1], low[1])
    if (low < (view.left, view.down)).any() or (high > (view.right, view.up)).any():
        raise PackageError(
            f"outlines reach from ({low[0]:.4g}, {low[1]:.4g}) to ({high[0]:.4g}, {high[1]:.4g}), beyond the "
            f"field of view from ({view.left:.4g}, {view.down:.4g}) to ({view.right:.4g}, {view.up:.4g}), "
            "tangents. Give a wider one."
        )
    swept = sweep([borders, [view.corners]])
    visible = triangles(swept, strips(swept, lambda inside: 0 in inside))
    hidden = triangles(swept, strips(swept, lambda inside: inside == {1}))
    outer = [one for one in borders if area(one) > 0.0]
    around = outer[0] if len(outer) == 1 else _hull(np.concatenate(outer))
    every = np.concatenate([visible.reshape(-1, 2), hidden.reshape(-1, 2), around])
    vertices, number = np.unique(every.astype(np.float32), axis=0, return_inverse=True)
    number = number.reshape(-1)
    meshes = number[: -len(around)].reshape(-1, 3)
    return ViewMask(
        view,
        vertices.astype(np.float64),
        meshes[: len(visible)],
        meshes[len(visible) :],
        number[-len(around) :],
        len(outer) > 1,
    )


def masks_json(masks: Mapping[str, ViewMask], /) -> str:
    """Return masks by name as JSON text."""
    return json_text(
        {
            "what": "visibility masks and fields of view, one view per eye",
            "frame": "points in the plane z = -1 of the view, x right, y up, -z forward (tangents X/Z, Y/Z)",
            "winding": "counter-clockwise",
            "masks": {name: mask.as_dict() for name, mask in masks.items()},
        }
    )


def masks_c(masks: Mapping[str, ViewMask], /) -> str:
    """Return masks by name as constant arrays of a C99 header.

    Raises
    ------
    PackageError
        Two names become the same name in C, or a mask has too many vertices for 16-bit numbers.
    """
    lines = [
        "/* Visibility masks and fields of view, one view per eye. Points lie in the plane z = -1 of the",
        "   view, x right, y up, -z forward (tangents X/Z, Y/Z); triangles and loops run counter-clockwise.",
        "   Angles are rad: left, right, up, down. */",
        "#ifndef PREWARP_VIEW_MASKS_H",
        "#define PREWARP_VIEW_MASKS_H",
        "#include <stdint.h>",
    ]
    taken: dict[str, str] = {}
    for name, mask in masks.items():
        stem = "prewarp_view_" + re.sub(r"[^A-Za-z0-9]", "_", name)
        if stem in taken:
            raise PackageError(f"masks '{taken[stem]}' and '{name}' are both {stem} in C. Rename one.")
        taken[stem] = name
        if len(mask.vertices) > UP_TO_16_BITS:
            raise PackageError(
                f"mask '{name}' has {len(mask.vertices)} vertices; expected at most {UP_TO_16_BITS}. Thin "
                "its outlines out."
            )
        angles = ", ".join(f"{angle:.9e}f" for angle in mask.field_of_view.as_dict().values())
        lines += [
            "",
            f"static const float {stem}_fov_rad[4] = {{{angles}}};",
            *_array(f"static const float {stem}_vertices[{len(mask.vertices)}][2]", _pairs(mask.vertices)),
        ]
        for kind, numbers in (("visible", mask.visible), ("hidden", mask.hidden), ("loop", mask.loop)):
            count = numbers.size
            lines.append(f"enum {{ {stem}_{kind}_count = {count} }};")
            if count:
                words = [str(one) for one in numbers.reshape(-1).tolist()]
                lines += _array(f"static const uint16_t {stem}_{kind}[{count}]", words)
    return "\n".join([*lines, "", "#endif", ""])


def _array(head: str, words: list[str]) -> list[str]:
    """Return a C array of 12 words a line."""
    rows = [", ".join(words[place : place + 12]) for place in range(0, len(words), 12)]
    return [f"{head} = {{", *(f"    {row}," for row in rows), "};"]


def _pairs(vertices: FloatArray) -> list[str]:
    return [f"{{{x:.9e}f, {y:.9e}f}}" for x, y in vertices.tolist()]


def _checked(outline: FloatArray, number: int) -> FloatArray:
    loop = np.asarray(outline, dtype=np.float64)
    if loop.ndim != 2 or loop.shape[1] != 2 or len(loop) < 3 or not np.isfinite(loop).all():
        raise PackageError(
            f"outline {number} has shape {loop.shape}; expected 3 or more corners (n, 2), finite tangents."
        )
    if np.abs(loop).max() > LARGEST_TANGENT:
        raise PackageError(
            f"outline {number} reaches tangents of {np.abs(loop).max():.3g}; expected at most "
            f"{LARGEST_TANGENT:g}, some 88 degrees."
        )
    return loop


def _extent(borders: Sequence[FloatArray]) -> tuple[FloatArray, FloatArray]:
    every = np.concatenate(borders)
    return every.min(axis=0), every.max(axis=0)


def _hull(points: FloatArray) -> FloatArray:
    """Return the corners of the hull of points (n, 2), counter-clockwise."""
    result: FloatArray = points[ConvexHull(points).vertices]
    return result
