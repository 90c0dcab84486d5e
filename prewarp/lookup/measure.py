"""The error of a lookup, measured over panel and eye box: every map as a device evaluates it.

Panel px: |J^-1 (t_table - t_field)| with J = dt/d(u, v) of the field. Points are evenly spaced from edge to
edge of panel and eye box, so corners count; their spacing is prime to the usual meshes, so cell middles count
too. Past a field's border, where no sample held its map, a direction counts no more px than at the median
inside: the map may fold there, and no px is a fold's error.

Inside the seam, where a channel hands light over to another, less is allowed: at the default of 0.25 px it is
0.1 px at worst and 0.019 px RMS, 0.02 arcmin at 58 px per degree, so that what weights lose by it there stays
below 0.2 % of the light at their steepest, 1 per degree.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from prewarp.checks import BoolArray, FloatArray
from prewarp.errors import RenderError
from prewarp.field.border import inside_convex
from prewarp.lookup.device import prepare
from prewarp.lookup.tables import Lookup
from prewarp.points import box_lattice

if TYPE_CHECKING:
    from prewarp.field import Field

# Of a limit on the largest error: the largest inside the seam, and the RMS there.
SEAM_SHARE, SEAM_RMS_SHARE = 0.4, 0.075
PANEL_POINTS = 71
PUPIL_COUNTS = (7, 7, 5)


@dataclass(frozen=True)
class MapTruth:
    """What one field says on a lattice of panel and pupil points.

    `pupils_mm` (n, 3); `tangent` (n, points, points, 2); `px_per_tangent` (n, points, points, 2, 2); `shared`
    (n, points, points): inside the seam; None: there is none.
    """

    pupils_mm: FloatArray
    tangent: FloatArray
    px_per_tangent: FloatArray
    shared: BoolArray | None = None


@dataclass(frozen=True)
class MapError:
    """Error of one map: `max_px`, `rms_px`, and where the largest is: `pixel` (2,), `pupil_mm` (3,).

    `seam_px`, `seam_rms_px`: the largest and the RMS inside the seam; None where there is none.
    """

    channel: str
    colour: str
    max_px: float
    rms_px: float
    pixel: tuple[float, float]
    pupil_mm: tuple[float, float, float]
    seam_px: float | None = None
    seam_rms_px: float | None = None

    @property
    def held_px(self) -> float:
        """What a limit is held to: the largest error, those inside the seam by what they count."""
        return held_px(self.max_px, self.seam_px, self.seam_rms_px)


def held_px(max_px: float, seam_px: float | None, seam_rms_px: float | None, /) -> float:
    """Return the largest error, px, of which those inside the seam count as more (`SEAM_SHARE`)."""
    return max(max_px, (seam_px or 0.0) / SEAM_SHARE, (seam_rms_px or 0.0) / SEAM_RMS_SHARE)


def pupil_lattice(box_mm: FloatArray, counts: tuple[int, int, int], /) -> FloatArray:
    """Return evenly spread pupil positions (n, 3), corners included; one along a side without length."""
    low, high = np.asarray(box_mm, dtype=float)
    return box_lattice(low, high, np.where(high > low, np.maximum(counts, 2), 1).tolist())


def map_truth(field: "Field", pupils_mm: FloatArray, /, *, panel_points: int = PANEL_POINTS) -> MapTruth:
    """Evaluate a field on a panel lattice for pupils (n, 3), without what the seam holds.

    Raises
    ------
    RenderError
        The field has no direction for a panel point.
    """
    u, v = (np.linspace(0.0, size, panel_points) for size in field.panel_size_px)
    tangent = np.stack([field.forward_lattice(u, v, pupil_mm=pupil) for pupil in pupils_mm])
    if not np.isfinite(tangent).all():
        raise RenderError(
            f"channel '{field.channel}', {field.colour}: no direction for part of the panel. "
            "Check the fit, or ask for a smaller eye box."
        )
    scale = heeded(
        _px_per_tangent(tangent, u[1], v[1]),
        inside_border(border_of(field), np.stack(np.meshgrid(u, v), axis=-1)),
    )
    return MapTruth(pupils_mm, tangent, scale)


def measured_errors(lookup: Lookup, truths: Mapping[tuple[str, str], MapTruth], /) -> tuple[MapError, ...]:
    """Return the error of every map of a lookup, in its order."""
    return tuple(
        _measured(lookup, place, truths[lookup.key_of(table)]) for place, table in enumerate(lookup.maps)
    )


def _measured(lookup: Lookup, place: int, truth: MapTruth) -> MapError:
    points = truth.tangent.shape[1]
    worst, total, pupil, at = -1.0, 0.0, truth.pupils_mm[0], 0
    inside: list[FloatArray] = []
    for n, pupil_mm in enumerate(truth.pupils_mm):
        got = prepare(lookup, place, pupil_mm).mesh(points, points)
        error = px_error(got - truth.tangent[n], truth.px_per_tangent[n])
        total += float(np.mean(error**2))
        if truth.shared is not None:
            inside.append(error[truth.shared[n]])
        # A table that gives no number must not pass for a good one.
        if not error.max() <= worst:
            worst, pupil, at = float(error.max()), pupil_mm, int(np.argmax(error))
    shared = np.concatenate([np.zeros(0), *inside])
    known = len(shared) > 0
    seam_px = float(np.nan_to_num(shared.max(), nan=np.inf)) if known else None
    seam_rms = float(np.nan_to_num(np.sqrt(np.mean(shared**2)), nan=np.inf)) if known else None
    table = lookup.maps[place]
    width, height = (size / (points - 1) for size in lookup.panel_sizes_px[table.channel])
    return MapError(
        *lookup.key_of(table),
        worst if np.isfinite(worst) else float("inf"),
        float(np.sqrt(total / len(truth.pupils_mm))),
        (at % points * width, at // points * height),
        (float(pupil[0]), float(pupil[1]), float(pupil[2])),
        seam_px,
        seam_rms,
    )


def border_of(field: "Field", /) -> FloatArray | None:
    """Return the border (k, 2) of a field, panel px; None for one that holds everywhere."""
    return getattr(field, "border_pixel", None)


def inside_border(border_px: FloatArray | None, pixel: FloatArray, /) -> BoolArray:
    """Return which panel points (..., 2) lie within a border (k, 2), a convex polygon; all without one."""
    if border_px is None:
        return np.ones(pixel.shape[:-1], dtype=bool)
    return inside_convex(pixel.reshape(-1, 2), border_px, slack=1e-6).reshape(pixel.shape[:-1])


def heeded(px_per_tangent: FloatArray, inside: BoolArray, /) -> FloatArray:
    """Return inverse Jacobians (..., 2, 2), outside the border no larger than the median inside."""
    size = np.linalg.norm(px_per_tangent, axis=(-2, -1))
    inside = np.broadcast_to(inside, size.shape)
    if inside.all() or not inside.any():
        return px_per_tangent
    limit = np.median(size[inside])
    large = ~inside & ~(size <= limit)
    cut = px_per_tangent * np.where(large, limit / size, 1.0)[..., None, None]
    # At a fold itself there is no inverse.
    return np.where(np.isfinite(size)[..., None, None], cut, limit / np.sqrt(2.0) * np.eye(2))


def px_error(difference: FloatArray | NDArray[np.float32], px_per_tangent: FloatArray, /) -> FloatArray:
    """Return the length (...) in px of tangent differences (..., 2)."""
    u = px_per_tangent[..., 0, 0] * difference[..., 0] + px_per_tangent[..., 0, 1] * difference[..., 1]
    v = px_per_tangent[..., 1, 0] * difference[..., 0] + px_per_tangent[..., 1, 1] * difference[..., 1]
    return np.asarray(np.sqrt(u * u + v * v))


def _px_per_tangent(tangent: FloatArray, step_u: float, step_v: float) -> FloatArray:
    """Return J^-1 (n, rows, columns, 2, 2); J by second-order differences of the lattice, ends included."""
    # One pupil position after the other: what lies between takes many times as many bytes as the result.
    return np.stack([_px_per_tangent_at(one, step_u, step_v) for one in tangent])


def _px_per_tangent_at(tangent: FloatArray, step_u: float, step_v: float) -> FloatArray:
    slopes: list[FloatArray] = list(np.gradient(tangent, step_v, step_u, axis=(0, 1), edge_order=2))
    by_v, by_u = slopes
    determinant = by_u[..., 0] * by_v[..., 1] - by_v[..., 0] * by_u[..., 1]
    rows = [
        np.stack([by_v[..., 1], -by_v[..., 0]], axis=-1),
        np.stack([-by_u[..., 1], by_u[..., 0]], axis=-1),
    ]
    return np.asarray(np.stack(rows, axis=-2) / determinant[..., None, None])
