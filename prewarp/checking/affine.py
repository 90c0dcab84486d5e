"""The best affine map of each group, in coordinates common to the whole grid: what gross faults show in."""

from dataclasses import dataclass

import numpy as np

from prewarp.checking.samples import Samples, group_sums
from prewarp.checks import FloatArray, IntArray, lengths_of_rows
from prewarp.robust import medians_by

_LOWER = ((0, 0), (1, 0), (2, 0), (1, 1), (2, 1), (2, 2))
FEWEST_SAMPLES = 12  # of a group, for its affine map to say anything


@dataclass(frozen=True, eq=False)
class Frame:
    """Panel coordinates w = (pixel - middle) / half, about -1 to 1 over the samples of all channels."""

    middle: FloatArray  # (2,) px
    half: FloatArray  # (2,) px

    def __call__(self, pixel: FloatArray) -> FloatArray:
        return scaled(pixel, self.middle, self.half)


def scaled(points: FloatArray, middle: FloatArray, half: FloatArray) -> FloatArray:
    """Return points (n, 2) as (points - middle) / half, by columns: far quicker than along short rows."""
    result = np.empty(points.shape)
    for axis in (0, 1):
        np.subtract(points[..., axis], middle[axis], out=result[..., axis])
        result[..., axis] /= half[axis]
    return result


def common_frame(samples: Samples) -> Frame:
    """Return the frame of the panel points, from quantiles so that stray points do not stretch it."""
    low, high = np.quantile(samples.pixel, (0.003, 0.997), axis=0)
    return Frame((low + high) / 2.0, np.maximum((high - low) / 2.0, 1e-6))


def group_affine(samples: Samples, frame: Frame, values: FloatArray, *, rounds: int = 0) -> FloatArray:
    """Return (g, 2, 3): values ~ map[:, :, 0] + map[:, :, 1] w_u + map[:, :, 2] w_v; NaN for too few samples.

    Each of `rounds` lowers the weight of samples far from their group's map, against the group's median
    distance.
    """
    basis = frame(samples.pixel)
    maps = _weighted_affine(samples, basis, values, np.ones(len(basis)))
    for _ in range(rounds):
        away = values - _mapped(maps, samples.group, basis)
        distance = lengths_of_rows(away)
        scale = 3.0 * medians_by(samples.group, distance)[samples.group] + 1e-12
        maps = _weighted_affine(samples, basis, values, 1.0 / (1.0 + (distance / scale) ** 2))
    return maps


def _mapped(maps: FloatArray, group: IntArray, w: FloatArray) -> FloatArray:
    """Return what the maps (g, 2, 3) of their groups say at panel places (n, 2), (n, 2)."""
    own = np.nan_to_num(maps)[group]
    u, v = w.T
    return np.stack([own[:, k, 0] + own[:, k, 1] * u + own[:, k, 2] * v for k in (0, 1)], axis=-1)


def _weighted_affine(samples: Samples, w: FloatArray, values: FloatArray, weight: FloatArray) -> FloatArray:
    """Return the maps for samples at panel places `w` (n, 2) with a `weight` (n,) each."""
    count = len(samples.group_pair)
    columns = (np.ones(len(w)), w[:, 0], w[:, 1])
    weighted = (weight, weight * w[:, 0], weight * w[:, 1])
    # The normal matrix is symmetric: its lower triangle is summed.
    lower = group_sums((weighted[i] * columns[j] for i, j in _LOWER), samples.group, count)
    normal = np.empty((count, 3, 3))
    for place, (i, j) in enumerate(_LOWER):
        normal[:, i, j] = normal[:, j, i] = lower[:, place]
    right = group_sums((one * value for one in weighted for value in values.T), samples.group, count)
    maps = np.full((count, 2, 3), np.nan)
    usable = samples.group_size >= FEWEST_SAMPLES
    usable[usable] = np.linalg.cond(normal[usable]) < 1e6
    if usable.any():
        maps[usable] = np.linalg.solve(normal[usable], right[usable].reshape(-1, 3, 2)).transpose(0, 2, 1)
    return maps


def map_length(maps: FloatArray) -> FloatArray:
    """Return the root mean square over the square -1..1 of maps (..., 2, 3), in the unit of the values."""
    squared = maps * maps
    result: FloatArray = np.sqrt(
        squared[..., 0].sum(axis=-1) + (squared[..., 1] + squared[..., 2]).sum(axis=-1) / 3.0
    )
    return result


def field_size(maps: FloatArray) -> FloatArray:
    """Return the root mean square spread of directions that maps (..., 2, 3) give, the middle taken out."""
    result: FloatArray = np.sqrt((maps[..., 1] ** 2 + maps[..., 2] ** 2).sum(axis=-1) / 3.0)
    return result


def px_per_tangent(maps: FloatArray, frame: Frame) -> FloatArray:
    """Return panel px per unit tangent at the middle of maps (..., 2, 3), geometric mean of both axes."""
    per_px = maps[..., 1:] / frame.half
    determinant = per_px[..., 0, 0] * per_px[..., 1, 1] - per_px[..., 0, 1] * per_px[..., 1, 0]
    return 1.0 / np.sqrt(np.maximum(np.abs(determinant), 1e-300))


def px_per_radian(maps: FloatArray, frame: Frame) -> FloatArray:
    """Return panel px per radian on the sphere at the middle of maps (..., 2, 3).

    Geometric mean of both axes. A solid angle is dtx dty / (1 + |t|^2)^(3/2).
    """
    squared = (maps[..., 0] ** 2).sum(axis=-1)
    result: FloatArray = px_per_tangent(maps, frame) * (1.0 + squared) ** 0.75
    return result


def medoid(maps: FloatArray) -> FloatArray:
    """Return the map (2, 3) with the smallest summed distance to the others: right while more than half are.

    With a tie (two groups) the map that follows the convention (u along +x, v down) wins.
    """
    chosen = maps[np.linspace(0, len(maps) - 1, min(len(maps), 300)).astype(int)]
    distance = map_length(chosen[:, None] - chosen[None, :]).sum(axis=1)
    odd = (chosen[:, 0, 1] < 0.0).astype(float) + (chosen[:, 1, 2] > 0.0)
    result: FloatArray = chosen[np.lexsort((odd, np.round(distance / max(distance.max(), 1e-300), 6)))[0]]
    return result
