"""Whether a sample stands out of a surface through its nearest neighbours: what smooth misfit never does.

At a rim that a polynomial does not follow, residuals turn within a few dots, and a median over a region calls
the outermost outliers. Those go on where their neighbours point to.
"""

import numpy as np

from prewarp.checks import BoolArray, FloatArray, IntArray
from prewarp.fitting.samples import Samples
from prewarp.neighbours import nearest_others
from prewarp.robust import OUTLIER, RAYLEIGH_MEDIAN

NEIGHBOURS = 20
# What a step over half the pupil counts against one over half the panel: one shot's dots come first.
PUPIL_WEIGHT = 1.0
# Where misfit varies so much over the neighbours it may go on to the sample; reaching so far that noise grows
# by more than this factor says nothing.
SLOPE, FARTHEST = 1.5, 3.0
# Weight of "no slope, no curvature" against one neighbour at full distance.
LEVEL = 1e-3
ROUNDS = 5
# With more in question than this something else is wrong, and looking at each would take long.
MOST = 20_000


def stands_out(samples: Samples, rest_px: FloatArray, suspect: IntArray, sigma: FloatArray, /) -> BoolArray:
    """Return which samples `suspect` (s,) stand out of their neighbours' surface, (s,).

    `rest_px` (2, n) residuals, px; `sigma` (s,) noise per axis, px. The surface is quadratic on the panel and
    linear over the pupil, with weights that a minority of wrong neighbours does not move.
    """
    result = np.ones(len(suspect), dtype=bool)
    if len(suspect) > MOST:
        return result
    half = np.array(samples.half_px)
    panel = (samples.pixel - np.array(samples.panel_size_px) / 2.0) / half
    pupil = (samples.reference_mm - np.array(samples.frame.centre_mm)) / np.array(samples.frame.half_mm)
    place = np.concatenate([panel, PUPIL_WEIGHT * pupil], axis=1)
    for colour in np.unique(samples.colour[suspect]):
        own = np.flatnonzero(samples.colour == colour)
        chosen = np.flatnonzero(samples.colour[suspect] == colour)
        result[chosen] = _against(place, rest_px.T, own, suspect[chosen], sigma[chosen])
    # What the colours share is misfit: dots of one colour lie between those of the others.
    left = np.flatnonzero(result)
    if samples.colours > 1 and len(left):
        every = np.arange(samples.count)
        result[left] = _against(place, rest_px.T, every, suspect[left], sigma[left])
    return result


def _against(
    place: FloatArray, rest: FloatArray, among: IntArray, suspect: IntArray, sigma: FloatArray
) -> BoolArray:
    """Return which of the samples `suspect` (s,) stand out of their nearest neighbours among `among`."""
    if len(among) <= NEIGHBOURS:
        return np.ones(len(suspect), dtype=bool)
    near = among[nearest_others(place[among], np.searchsorted(among, suspect), NEIGHBOURS)]
    return _beyond(place[near] - place[suspect][:, None], rest[near], rest[suspect], sigma)


def _beyond(offset: FloatArray, values: FloatArray, own: FloatArray, sigma: FloatArray) -> BoolArray:
    """Return whether `own` (s, 2) lies beyond the surface through values (s, k, 2) at offsets (s, k, 4)."""
    offset = offset / np.maximum(np.abs(offset[..., :2]).max(axis=(1, 2), keepdims=True), 1e-12)
    du, dv, dx, dy = np.moveaxis(offset, -1, 0)
    basis = np.stack([np.ones_like(du), du, dv, du * du, du * dv, dv * dv, dx, dy], axis=-1)
    ridge = LEVEL * np.diag([1e-9] + [1.0] * (basis.shape[-1] - 1))
    weight = np.ones(du.shape)
    for _ in range(ROUNDS):
        normal = np.einsum("ski,sk,skj->sij", basis, weight, basis)
        normal += weight.sum(axis=1)[:, None, None] * ridge
        fit = np.linalg.solve(normal, np.einsum("ski,sk,skc->sic", basis, weight, values))
        length = np.sqrt(((values - basis @ fit) ** 2).sum(axis=-1))
        spread = np.median(length, axis=1) / RAYLEIGH_MEDIAN
        weight = 1.0 / (1.0 + (length / np.maximum(2.0 * spread, 1e-12)[:, None]) ** 2) ** 2
    one = np.zeros((len(own), basis.shape[-1], 1))
    one[:, 0] = 1.0
    reach = np.sqrt(1.0 + np.maximum(np.linalg.solve(normal, one)[:, 0, 0], 0.0))
    away = np.sqrt(((own - fit[:, 0]) ** 2).sum(axis=-1))
    smooth = basis @ fit
    slope = np.sqrt(((smooth.max(axis=1) - smooth.min(axis=1)) ** 2).sum(axis=-1))
    excused = OUTLIER * np.maximum(spread, sigma) * reach + SLOPE * slope
    result: BoolArray = (away > excused) | (reach > FARTHEST)
    return result
