"""The target: the luminance that all channels show in each direction, for every pupil position alike.

It is the largest one that stays below what the channels can give and falls off no faster than a chosen share
per degree: `log tau(t) = min over t' of log A(t') + s |t - t'|`. With s = 0 it is one level for the whole
field; a gentle fall that nobody sees keeps more light where the rim of the field is dim. It does not depend
on the pupil, so nothing pulsates as the eye moves.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.ndimage import map_coordinates

from prewarp.checks import FloatArray, as_tangent, require_range
from prewarp.frames import unit_from_tangent
from prewarp.seam.directions import plane_deg_from_tangent

TARGET_STEP_DEG = 1.0
_CHUNK = 512


@dataclass(frozen=True)
class TargetLight:
    """Target luminance of one colour on a lattice of directions.

    Parameters
    ----------
    origin_deg : (2,) float array
        Node (0, 0) in the plane of `prewarp.seam.directions`; nodes are `TARGET_STEP_DEG` apart.
    log_level : (rows, columns) float array
        Logarithm of the luminance; joined bilinearly, constant beyond.
    """

    origin_deg: FloatArray
    log_level: FloatArray

    def at(self, tangent: ArrayLike, /) -> FloatArray:
        """Return the target luminance (...) in directions (..., 2)."""
        return self.on_plane(plane_deg_from_tangent(np.nan_to_num(as_tangent(tangent))))

    def on_plane(self, place_deg: FloatArray, /) -> FloatArray:
        """Return the target luminance (...) at places (..., 2) of the plane of `prewarp.seam.directions`."""
        node = ((place_deg - self.origin_deg) / TARGET_STEP_DEG).reshape(-1, 2)
        level = map_coordinates(self.log_level, node.T[::-1], order=1, mode="nearest")
        return np.exp(level).reshape(place_deg.shape[:-1])


def target_below(
    available: FloatArray, tangent: FloatArray, origin_deg: FloatArray, /, *, fall_percent_per_deg: float
) -> TargetLight:
    """Return the largest target below what is available.

    Parameters
    ----------
    available : (rows, columns) float array
        What the channels can give at the nodes, above 0; infinite where nothing is asked.
    tangent : (rows, columns, 2) float array
        Directions of the nodes, tangents.
    origin_deg : (2,) float array
        Node (0, 0) in the plane.
    fall_percent_per_deg : float
        Steepest change of the target, per cent of itself per degree; 0 for one level.
    """
    require_range(fall_percent_per_deg, "fall_percent_per_deg", 0.0, 50.0, unit="percent per degree")
    asked = np.isfinite(available)
    level = np.log(available[asked])
    if fall_percent_per_deg == 0.0:
        return TargetLight(origin_deg, np.full(available.shape, level.min()))
    slope_per_radian = np.degrees(np.log1p(fall_percent_per_deg / 100.0))
    here, there = unit_from_tangent(tangent[asked]), unit_from_tangent(tangent).reshape(-1, 3)
    lowest = np.empty(len(there))
    for first in range(0, len(there), _CHUNK):
        part = slice(first, first + _CHUNK)
        angle = np.arccos(np.clip(there[part] @ here.T, -1.0, 1.0))
        lowest[part] = np.min(level + slope_per_radian * angle, axis=1)
    return TargetLight(origin_deg, lowest.reshape(available.shape))
