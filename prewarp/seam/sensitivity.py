"""Sensitivity over the seam: how far a picture moves per mm of pupil, and how far two come apart.

S_c = df_c/de at a fixed panel point. Two channels move alike, and stay merged, where S is equal; their
difference is what an error of the tracked pupil is multiplied by.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import FloatArray, as_pupil, as_tangent
from prewarp.frames import ARCMIN_PER_RADIAN, sight_axes
from prewarp.seam.misregistration import seam_error

if TYPE_CHECKING:
    from prewarp.field import Field


def channel_sensitivity(field: "Field", tangent: ArrayLike, /, *, pupil_mm: ArrayLike) -> FloatArray:
    """Return S: how the direction in which a channel shows fixed content turns as the pupil moves.

    Parameters
    ----------
    field : Field
    tangent : (..., 2) float array
        Directions, tangents, eye frame, drawn rightly for `pupil_mm`.
    pupil_mm : (..., 3) float array
        Pupil, mm; leading axes broadcast with those of `tangent`.

    Returns
    -------
    (..., 2, 3) float array
        arcmin per mm; rows right and up across the line of sight, columns x, y, z of the pupil. NaN out of
        reach.

    Notes
    -----
    A pupil that moves along its ray (tx, ty, 1) sees no change, so dt/dz = -(dt/d(x, y)) t.
    """
    tangent = as_tangent(tangent)
    found = field.inverse(tangent, pupil_mm=as_pupil(pupil_mm))
    slope = field.pupil_jacobian(found.pixel, pupil_mm=pupil_mm)
    tangent = np.broadcast_to(tangent, found.pixel.shape)
    slope = np.concatenate([slope, -slope @ tangent[..., None]], axis=-1)
    length = np.sqrt(1.0 + np.sum(tangent * tangent, axis=-1))[..., None, None]
    # A step of the tangent turns the unit vector by its part across the ray over the length of (tx, ty, 1).
    return np.asarray(sight_axes(tangent)[..., :2] @ slope / length * ARCMIN_PER_RADIAN)


def seam_sensitivity(
    field_a: "Field", field_b: "Field", tangent: ArrayLike, /, *, pupil_mm: ArrayLike
) -> FloatArray:
    """Return d(seam error)/d(x, y of the pupil) about a right tracker, (..., 2, 2) arcmin per mm.

    First order of `seam_error`: vector = (S_b - S_a)(e - e'), with S_c the change of direction at a fixed
    panel point. Rows are right and up, columns x and y. NaN where a channel does not reach the direction.
    """
    first, second = (channel_sensitivity(field, tangent, pupil_mm=pupil_mm) for field in (field_a, field_b))
    return (second - first)[..., :2]


@dataclass(frozen=True)
class SensitivityMap:
    """Sensitivity of two channels over their overlap.

    Parameters
    ----------
    channels : (str, str)
    tangent : (n, 2) float array
        Directions, tangents.
    own_arcmin_per_mm : (2, n, 2, 3) float array
        S of each channel, pupil centred.
    difference_arcmin_per_mm : (n, 2, 3) float array
        S of the second less that of the first.
    fixed_worst_arcmin : (n,) float array
        Largest seam error of any pupil considered, when the correction stays that of a centred pupil. Exact,
        not first order.
    fixed_worst_pupil_mm : (n, 3) float array
        The pupil where that happens.
    tracked_worst_arcmin_per_mm : (n,) float array
        Largest seam error per mm of error of the tracked pupil, for any pupil and any direction of the error.
    tracked_worst_pupil_mm : (n, 3) float array
        The pupil where that happens.
    """

    channels: tuple[str, str]
    tangent: FloatArray
    own_arcmin_per_mm: FloatArray
    difference_arcmin_per_mm: FloatArray
    fixed_worst_arcmin: FloatArray
    fixed_worst_pupil_mm: FloatArray
    tracked_worst_arcmin_per_mm: FloatArray
    tracked_worst_pupil_mm: FloatArray

    def __repr__(self) -> str:
        fixed, tracked = (
            values[np.isfinite(values)].max(initial=0.0)
            for values in (self.fixed_worst_arcmin, self.tracked_worst_arcmin_per_mm)
        )
        return (
            f"<SensitivityMap of {' and '.join(self.channels)}, {len(self.tangent)} directions: "
            f"seam error at most {fixed:.3g} arcmin fixed, {tracked:.3g} arcmin per mm tracked>"
        )

    def tracked_worst_arcmin(self, error_mm: float, /) -> FloatArray:
        """Return the largest seam error (n,) for a tracked pupil within `error_mm`, to first order."""
        return self.tracked_worst_arcmin_per_mm * error_mm

    def as_dict(self) -> dict[str, Any]:
        """Return the figures for machines; units are in the keys."""
        size = _largest_gain(self.own_arcmin_per_mm[..., :2])
        step = _largest_gain(self.difference_arcmin_per_mm)
        return {
            "channels": list(self.channels),
            "directions": len(self.tangent),
            "sensitivity_mean_arcmin_per_mm": {
                name: float(np.nanmean(part)) for name, part in zip(self.channels, size, strict=True)
            },
            "difference_centred_rms_arcmin_per_mm": float(np.sqrt(np.nanmean(step**2))),
            "difference_centred_max_arcmin_per_mm": float(np.nanmax(step)),
            "fixed_worst_arcmin": _worst(
                self.fixed_worst_arcmin, self.tangent, self.fixed_worst_pupil_mm, "arcmin"
            ),
            "tracked_worst_arcmin_per_mm": _worst(
                self.tracked_worst_arcmin_per_mm, self.tangent, self.tracked_worst_pupil_mm, "arcmin_per_mm"
            ),
        }


def _largest_gain(matrix: FloatArray) -> FloatArray:
    """Return the largest singular value (...) of matrices (..., 2, k), NaN where an entry is."""
    known = np.all(np.isfinite(matrix), axis=(-2, -1))
    gain = np.linalg.norm(np.where(known[..., None, None], matrix, 0.0), ord=2, axis=(-2, -1))
    return np.where(known, gain, np.nan)


def _worst(values: FloatArray, tangent: FloatArray, pupils: FloatArray, unit: str) -> dict[str, Any]:
    place = int(np.nanargmax(values))
    x, y = np.degrees(np.arctan(tangent[place]))
    return {
        f"max_{unit}": float(values[place]),
        f"median_{unit}": float(np.nanmedian(values)),
        "dir_x_deg": float(x),
        "dir_y_deg": float(y),
        "pupil_mm": pupils[place].tolist(),
    }


def sensitivity_map(
    first: "Field",
    second: "Field",
    tangent: ArrayLike,
    /,
    *,
    pupils_mm: ArrayLike,
    fixed_at_mm: ArrayLike = (0.0, 0.0, 0.0),
) -> SensitivityMap:
    """Return the sensitivity of two channels over common directions, and the worst cases over an eye box.

    Parameters
    ----------
    first, second : Field
    tangent : (n, 2) float array
        Directions that both serve from the whole eye box, tangents (`overlaps`).
    pupils_mm : (p, 3) float array
        Pupil positions considered, mm: a lattice over the eye box with its corners.
    fixed_at_mm : (3,) float array
        Pupil that the fixed correction is made for.
    """
    tangent = as_tangent(tangent).reshape(-1, 2)
    pupils = as_pupil(pupils_mm, "pupils_mm").reshape(-1, 3)
    fixed_at = as_pupil(fixed_at_mm, "fixed_at_mm")
    count = len(tangent)
    fixed, per_mm = np.full(count, -np.inf), np.full(count, -np.inf)
    fixed_place, per_mm_place = np.zeros((2, count), dtype=int)
    for place, pupil in enumerate(pupils):
        error = seam_error(first, second, tangent, pupil_mm=pupil, tracked_pupil_mm=fixed_at).error_arcmin
        step = channel_sensitivity(second, tangent, pupil_mm=pupil) - channel_sensitivity(
            first, tangent, pupil_mm=pupil
        )
        size = _largest_gain(step)
        for value, best, where in ((error, fixed, fixed_place), (size, per_mm, per_mm_place)):
            larger = value > best
            best[larger] = value[larger]
            where[larger] = place
    own = np.stack([channel_sensitivity(field, tangent, pupil_mm=fixed_at) for field in (first, second)])
    return SensitivityMap(
        (first.channel, second.channel),
        tangent,
        own,
        own[1] - own[0],
        np.where(np.isfinite(fixed), fixed, np.nan),
        pupils[fixed_place],
        np.where(np.isfinite(per_mm), per_mm, np.nan),
        pupils[per_mm_place],
    )
