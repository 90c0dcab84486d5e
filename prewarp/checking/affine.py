"""The best affine map of each group, in coordinates common to the whole grid: what gross faults show in."""

from dataclasses import dataclass

import numpy as np

from prewarp.checking.samples import Samples, group_sums
from prewarp.checks import FloatArray
from prewarp.robust import medians_by

FEWEST_SAMPLES = 12  # of a group, for its affine map to say anything


@dataclass(frozen=True, eq=False)
class Frame:
    """Panel coordinates w = (pixel - middle) / half, about -1 to 1 over the samples of all channels."""

    middle: FloatArray  # (2,) px
    half: FloatArray  # (2,) px

    def __call__(self, pixel: FloatArray) -> FloatArray:
        return (pixel - self.middle) / self.half


def common_frame(samples: Samples) -> Frame:
    """Return the frame of the panel points, from quantiles so that stray points do not stretch it."""
    low, high = np.quantile(samples.pixel, (0.003, 0.997), axis=0)
    return Frame((low + high) / 2.0, np.maximum((high - low) / 2.0, 1e-6))


def group_affine(samples: Samples, frame: Frame, values: FloatArray, *, rounds: int = 0) -> FloatArray:
    """Return (g, 2, 3): values ~ map[:, :, 0] + map[:, :, 1] w_u + map[:, :, 2] w_v; NaN for too few samples.

    Each of `rounds` lowers the weight of samples far from their group's map, against the group's median
    distance.
    """
    w = frame(samples.pixel)
    basis = np.stack([np.ones(len(w)), w[:, 0], w[:, 1]], axis=1)
    maps = _weighted_affine(samples, basis, values)
    for _ in range(rounds):
        expected = np.einsum("nij,nj->ni", np.nan_to_num(maps)[samples.group], basis)
        distance = np.sqrt(((values - expected) ** 2).sum(axis=1))
        scale = 3.0 * medians_by(samples.group, distance)[samples.group] + 1e-12
        maps = _weighted_affine(samples, basis / (1.0 + (distance / scale) ** 2)[:, None], values, basis)
    return maps


def _weighted_affine(
    samples: Samples, weighted: FloatArray, values: FloatArray, basis: FloatArray | None = None
) -> FloatArray:
    """Return the maps for a basis (n, 3) with weights in it; `basis` is the plain one where they differ."""
    basis = weighted if basis is None else basis
    count = len(samples.group_pair)
    products = (weighted[:, :, None] * basis[:, None, :]).reshape(-1, 9)
    normal = group_sums(products, samples.group, count).reshape(-1, 3, 3)
    right = group_sums((weighted[:, :, None] * values[:, None, :]).reshape(-1, 6), samples.group, count)
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
