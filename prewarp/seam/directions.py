"""Lattices of directions in the plane (angle from straight ahead, degrees, along the azimuth).

Angles near its middle are true both ways, so that one pitch in degrees serves a whole field of view.
"""

from collections.abc import Sequence

import numpy as np

from prewarp.checks import FloatArray
from prewarp.content import focal_lengths_from_tangent

# Directions stop short of 90 degrees, where tangents end.
_WIDEST_DEG = 89.9
SQUARE_DEGREES = (180.0 / np.pi) ** 2


def plane_deg_from_tangent(tangent: FloatArray, /) -> FloatArray:
    """Return angle from straight ahead along the azimuth, (..., 2) degrees, for tangents (..., 2)."""
    return np.degrees(focal_lengths_from_tangent(tangent, "equidistant"))


def tangent_from_plane_deg(angle_deg: FloatArray, /) -> FloatArray:
    """Return tangents (..., 2) of points (..., 2) of the plane, degrees; at most 89.9 from the middle."""
    length = np.linalg.norm(angle_deg, axis=-1, keepdims=True)
    radians = np.radians(np.minimum(length, _WIDEST_DEG))
    safe = np.where(length > 1e-9, length, 1.0)
    return np.where(length > 1e-9, angle_deg / safe * np.tan(radians), np.radians(angle_deg))


def direction_lattice(
    outlines: Sequence[FloatArray], /, *, step_deg: float, margin_deg: float
) -> tuple[FloatArray, FloatArray]:
    """Return a lattice of directions that covers outlines (n, 2), tangents, and a margin around them.

    Returns
    -------
    origin_deg : (2,) float array
        Node (0, 0) in the plane; rows run along y, columns along x.
    tangent : (rows, columns, 2) float array
        Directions of the nodes.
    """
    plane = np.concatenate([plane_deg_from_tangent(outline) for outline in outlines])
    low = plane.min(axis=0) - margin_deg
    count = np.ceil((plane.max(axis=0) + margin_deg - low) / step_deg).astype(int) + 1
    x, y = (low[axis] + step_deg * np.arange(count[axis]) for axis in range(2))
    return low, tangent_from_plane_deg(np.stack(np.meshgrid(x, y), axis=-1))


def node_areas_deg2(angle_deg: FloatArray, step_deg: float, /) -> FloatArray:
    """Return the solid angle (...) of each node (..., 2) of a lattice, square degrees: step^2 sin(r) / r."""
    radius = np.radians(np.linalg.norm(angle_deg, axis=-1))
    return np.asarray(step_deg**2 * np.sinc(radius / np.pi))
