"""The lit part of a panel: reach ends where light ends, so no blend relies on what an edge cuts off."""

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial import HalfspaceIntersection

from prewarp.checks import FloatArray, as_pupil
from prewarp.errors import SeamError
from prewarp.field.lit import LitRegion
from prewarp.photometry.luminance import LuminanceMap, LuminanceMaps

if TYPE_CHECKING:
    from prewarp.field import Field, FieldSet

# Nodes along each side of the panel at which light is asked for.
NODES = 65
_MOST_CUTS = 400


def lit_border(field: "Field", luminance: LuminanceMap, /, *, pupils_mm: ArrayLike) -> FloatArray:
    """Return the corners (k, 2), px, of a convex part of the panel that is lit from every pupil position.

    Parameters
    ----------
    field : Field
        Channel and colour; a border that it has already is kept.
    luminance : LuminanceMap
        Says where the vignetting edge is.
    pupils_mm : (n, 3) float array
        Pupil positions, mm: the corners of the eye box and some between.

    Returns
    -------
    (k, 2) float array
        Counter-clockwise in (u, v) as numbers, as `Field.border_pixel` has them.

    Raises
    ------
    SeamError
        The middle of the panel is dark from one of the positions.

    Notes
    -----
    The deepest dark node that is left is cut off by a straight line along the edge there, again and again:
    the result is convex and lit, if not the largest such part.
    """
    pupils = as_pupil(pupils_mm, "pupils_mm").reshape(-1, 1, 1, 3)
    size = np.array(field.panel_size_px, dtype=float)
    u, v = (np.linspace(0.0, length, NODES) for length in size)
    nodes = np.stack(np.meshgrid(u, v), axis=-1)
    depth = luminance.edge_depth(nodes, field.forward(nodes, pupil_mm=pupils), pupil_mm=pupils).min(axis=0)
    middle = 0.5 * size
    if depth[NODES // 2, NODES // 2] <= 0.0:
        raise SeamError(
            f"channel '{field.channel}', {field.colour}: the middle of the panel is dark from part of the "
            "eye box. Ask for a smaller eye box or look for wrong luminances.",
            channel=field.channel,
        )
    slope = np.stack(np.gradient(depth, v, u)[::-1], axis=-1)
    planes = [_half_planes(np.asarray(getattr(field, "border_pixel", _panel(size)), dtype=float))]
    points, dark = nodes.reshape(-1, 2), depth.ravel()
    steep = slope.reshape(-1, 2)
    left = dark <= 0.0
    for _ in range(_MOST_CUTS):
        inside = left & np.all(points @ planes[-1][:, :2].T + planes[-1][:, 2] < -1e-9, axis=1)
        if not inside.any():
            break
        left = inside
        # The dark node nearest the middle is the one furthest in.
        worst = np.flatnonzero(inside)[np.argmin(np.linalg.norm(points[inside] - middle, axis=1))]
        normal = -steep[worst] / max(np.linalg.norm(steep[worst]), 1e-300)
        # On to where the depth is zero, at most to the next node.
        pitch = float(np.max(size / (NODES - 1)))
        back = min(-dark[worst] / max(np.linalg.norm(steep[worst]), 1e-300), pitch)
        through = points[worst] - normal * back
        planes.append(np.array([[*normal, -normal @ through]]))
    every = np.vstack(planes)
    keeps = every[:, :2] @ middle + every[:, 2] < 0.0
    corners = HalfspaceIntersection(every[keeps], middle).intersections
    around = np.arctan2(*(corners - corners.mean(axis=0)).T[::-1])
    ordered = corners[np.argsort(around)]
    apart = np.linalg.norm(ordered - np.roll(ordered, 1, axis=0), axis=1) > 1e-6
    return np.asarray(np.clip(ordered[apart], 0.0, size))


def lit_fields(fields: "FieldSet", maps: LuminanceMaps, /) -> "FieldSet":
    """Return the fields with the edges of their light in them, as functions of the pupil (`Field.lit`).

    Channels that the maps do not know, such as those of the other eye, stay as they are.
    """
    return replace(
        fields,
        fields={
            key: field if (edge := _edge(maps, key)) is None else replace(field, lit=(*field.lit, edge))
            for key, field in fields.fields.items()
        },
    )


def narrowed_fields(fields: "FieldSet", maps: LuminanceMaps, /, *, pupils_mm: ArrayLike) -> "FieldSet":
    """Return the fields with every border drawn in to what is lit from all pupil positions; see `lit_border`.

    Light is then handed over within what is lit. A channel whose middle is dark from one of them keeps its
    border: what is lit from where says `Field.lit`.
    """

    def narrowed(key: tuple[str, str], field: "Field") -> "Field":
        luminance = maps.maps.get(key)
        if not isinstance(luminance, LuminanceMap) or luminance.edge is None:
            return field
        try:
            return replace(field, border_pixel=lit_border(field, luminance, pupils_mm=pupils_mm))
        except SeamError:
            return field

    return replace(fields, fields={key: narrowed(key, field) for key, field in fields.fields.items()})


def _edge(maps: LuminanceMaps, key: tuple[str, str]) -> LitRegion | None:
    luminance = maps.maps.get(key)
    return luminance.edge if isinstance(luminance, LuminanceMap) else None


def _panel(size: FloatArray) -> FloatArray:
    return np.array([[0.0, 0.0], [size[0], 0.0], [size[0], size[1]], [0.0, size[1]]])


def _half_planes(corners: FloatArray) -> FloatArray:
    """Return the sides of a convex polygon, counter-clockwise, as a u + b v + c <= 0, (k, 3)."""
    along = np.roll(corners, -1, axis=0) - corners
    normal = np.stack([along[:, 1], -along[:, 0]], axis=-1) / np.linalg.norm(along, axis=1, keepdims=True)
    return np.column_stack([normal, -np.sum(normal * corners, axis=1)])
