"""Patches: neighbouring samples of one pupil that moved together, and panel places where samples scatter.

Both escape a look at single samples, since their neighbours are as wrong as they are.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import label, uniform_filter
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.stats import poisson

from prewarp.checking.result import Finding, finding, region_of
from prewarp.checking.samples import Samples
from prewarp.checking.windows import (
    Agreement,
    Places,
    agreement,
    neighbours_of,
    position_terms,
    window_numbers,
    without_place,
)
from prewarp.checks import BoolArray, FloatArray, IntArray
from prewarp.robust import RAYLEIGH_MEDIAN, bisquare_weight, medians_by

# Shapes of windows and their offsets, in dots: squares that a patch of 5 x 5 dots always fills, and lines.
_SHAPES = (
    ((4, 4), (0, 0)),
    ((4, 4), (2, 0)),
    ((4, 4), (0, 2)),
    ((4, 4), (2, 2)),
    ((10, 1), (0, 0)),
    ((1, 10), (0, 0)),
)
# Chance that a grid without faults has a window like the one that is named.
_CHANCE = 1e-4
_CLIP_SIGMA = 5.0  # a single wrong sample may move the mean of a window by so much of its noise at most
_FEWEST_IN_WINDOW = 4
_FEWEST_ROWS = 4
_LEAST_PX = 0.05
_PRIOR_FREEDOM = 30.0  # how much the noise of all windows says of the noise of one
_MOST_PATCHES = 8  # of one channel and colour
_NEIGHBOUR = 0.7  # log-odds that each neighbour lends
_FAR_SIGMA, _NAMED_SIGMA, _LONE_SIGMA = 3.5, 2.6, 4.0
_ROUNDS = 5
_FAR_SHARE = float(np.exp(-(_FAR_SIGMA**2) / 2.0))
_MANY_TIMES = 3.0  # as often as elsewhere on the panel may samples lie far off anywhere
_ROUGHER = 1.3  # RMS of a patch over that of its surroundings


@dataclass(frozen=True, eq=False)
class Patch:
    """Samples (positions in the index) that are wrong together, the group where it is one pupil, and the
    size."""

    rows: IntArray
    group: int | None
    size_px: float


def clipped(residual: FloatArray, places: Places, sigma: float) -> FloatArray:
    """Return residuals (n, 2) px with their lengths bounded against noise and against what is usual nearby."""
    window, (down, across) = window_numbers(places, (6, 6), (0, 0))
    length = np.sqrt((residual * residual).sum(axis=1))
    few = np.linspace(0, len(length) - 1, min(len(length), 40_000)).astype(int)
    order = np.lexsort((length[few], window[few]))
    count = np.bincount(window[few], minlength=down * across)
    middle = np.cumsum(count) - count + count // 2
    usual = length[few][order][np.minimum(middle, len(few) - 1)] / RAYLEIGH_MEDIAN
    limit = _CLIP_SIGMA * np.maximum(np.where(count >= 8, usual, 0.0), sigma)[window]
    result: FloatArray = residual * np.minimum(1.0, limit / np.maximum(length, 1e-300))[:, None]
    return result


def find_patches(residual: FloatArray, places: Places, sigma: float, good: BoolArray) -> list[Patch]:
    """Return the patches among samples with residuals (n, 2) px and noise `sigma` px per component.

    `good` (n,) leaves out samples already found wrong.
    """
    good = good.copy()
    terms = position_terms(places.position_mm, 2)
    if terms is None:
        return []
    patches: list[Patch] = []
    while len(patches) < _MOST_PATCHES:
        patch = _moved_patch(residual, places, sigma, good, terms)
        if patch is None:
            break
        patches.append(patch)
        good[patch.rows] = False
    while len(patches) < _MOST_PATCHES:
        patch = _rough_patch(residual, places, sigma, good, terms)
        if patch is None:
            break
        patches.append(patch)
        good[patch.rows] = False
    return patches


def _moved_patch(
    residual: FloatArray, places: Places, sigma: float, good: BoolArray, terms: FloatArray
) -> Patch | None:
    """Return the patch of one pupil that stands out most, where one does."""
    index = np.flatnonzero(good)
    bounded = clipped(residual[index], _taken(places, index), sigma)
    inside = _taken(places, index)
    bounded = without_place(inside, bounded, terms)
    best, where, tests = 0.0, None, 0
    for shape, offset in _SHAPES:
        window, (down, across) = window_numbers(inside, shape, offset)
        found = agreement(inside.local, window, down * across, bounded, terms)
        ratio, freedom = _significance(found, (down, across), sigma)
        ratio[found.weight < _FEWEST_IN_WINDOW] = 0.0
        tests += int((found.weight >= _FEWEST_IN_WINDOW).sum())
        chance = -0.5 * freedom * np.log1p(ratio / np.maximum(freedom, 1e-9))
        group, cell = np.unravel_index(np.argmin(chance), chance.shape)
        if chance[group, cell] < best:
            best, where = float(chance[group, cell]), (found, window, int(group), int(cell))
    if where is None or best > np.log(_CHANCE / tests):
        return None
    found, window, group, cell = where
    own = np.flatnonzero(inside.local == group)
    seed = (window[own] == cell) & True
    rest = residual[index[own]] - _elsewhere(inside, residual[index], bounded, sigma, terms, group)
    rows = _grown(rest, inside.across[own], seed, max(sigma, 1e-9))
    if len(rows) < _FEWEST_ROWS:
        rows = np.flatnonzero(seed)
    size = float(np.hypot(*np.median(rest[rows], axis=0)))
    if size < _LEAST_PX:
        return None
    return Patch(index[own[rows]], int(places.groups[group]), size)


def _elsewhere(
    inside: Places, residual: FloatArray, bounded: FloatArray, sigma: float, terms: FloatArray, group: int
) -> FloatArray:
    """Return what the other pupils say of the samples of a group, (m, 2) px: of the same dot, else window."""
    shape = (1, 1) if inside.exact else (4, 4)
    window, (down, across) = window_numbers(inside, shape, (0, 0))
    others = inside.local != group
    values = clipped(residual, inside, sigma)
    found = agreement(inside.local[others], window[others], down * across, values[others], terms)
    own = window[inside.local == group]
    # The group has no weight in this fit, so its fit is what the others say.
    result: FloatArray = found.fit[group, own]
    return result


def _taken(places: Places, index: IntArray) -> Places:
    return Places(places.groups, places.local[index], places.across[index], places.position_mm, places.exact)


def _significance(found: Agreement, size: tuple[int, int], sigma: float) -> tuple[FloatArray, FloatArray]:
    """Return the squared deviation against its variance (g, c), and its degrees of freedom (c,).

    The variance is that of noise, or what the other pupils leave in this window and those around it where
    that is more.
    """
    groups = len(found.others)
    left = found.others.reshape(groups, *size)
    freedom = np.broadcast_to(found.freedom, found.others.shape).reshape(groups, *size)
    around = [uniform_filter(values, size=(1, 3, 3), mode="constant") for values in (left, freedom)]
    nearby = (around[0] / np.maximum(around[1], 1e-9)).reshape(groups, -1)
    own = found.others / np.maximum(found.freedom, 1e-9)
    noise = sigma * sigma
    # What the model misses grows toward the corners of the eye box, as the leverage does; noise does not.
    missed = np.maximum(np.maximum(nearby, own) - noise, 0.0) / (1.0 - found.leverage) ** 2
    ratio = np.where(found.freedom >= 4.0, found.squared / np.maximum(noise + missed, 1e-300), 0.0)
    return ratio, found.freedom + _PRIOR_FREEDOM


def _grown(rest: FloatArray, across: FloatArray, seed: BoolArray, sigma: float) -> IntArray:
    """Return which samples (m,) of one group moved together with those in `seed`.

    Log-likelihood ratio of moved against still, with neighbours lending weight to each other; then what hangs
    together with the seed.
    """
    move = np.median(rest[seed], axis=0)
    pairs = neighbours_of(across, np.ones(len(rest), dtype=bool))
    labelled = seed.copy()
    for _ in range(12):
        odds = np.clip((rest @ move - 0.5 * move @ move) / sigma**2, -8.0, 8.0)
        # Moved elsewhere altogether is not moved together.
        far = ((rest - move) ** 2).sum(axis=1) > (rest * rest).sum(axis=1)
        vote = np.zeros(len(rest))
        sign = np.where(labelled, 1.0, -1.0)
        np.add.at(vote, pairs[:, 0], sign[pairs[:, 1]])
        np.add.at(vote, pairs[:, 1], sign[pairs[:, 0]])
        now = (odds + _NEIGHBOUR * vote > 0.0) & ~(far & (odds < -4.0))
        if not now.any():
            break
        changed = (now != labelled).any()
        labelled = now
        move = np.median(rest[labelled], axis=0)
        if not changed:
            break
    kept = labelled[pairs].all(axis=1)
    graph = coo_array((np.ones(kept.sum()), pairs[kept].T), shape=(len(rest), len(rest)))
    _, part = connected_components(graph, directed=False)
    touching = np.unique(part[labelled & seed])
    return np.flatnonzero(labelled & np.isin(part, touching))


def _rough_patch(
    residual: FloatArray, places: Places, sigma: float, good: BoolArray, terms: FloatArray
) -> Patch | None:
    """Return the panel place where samples of all pupils scatter far more than elsewhere, where there is one."""
    index = np.flatnonzero(good)
    inside = _taken(places, index)
    bounded = clipped(residual[index], inside, sigma)
    window, (down, across) = window_numbers(inside, (4, 4), (0, 0))
    shape, offset = ((1, 1), (0, 0)) if inside.exact else ((4, 4), (0, 0))
    own, size = window_numbers(inside, shape, offset)
    found = agreement(inside.local, own, size[0] * size[1], bounded, terms)
    away = residual[index] - found.fit[inside.local, own]
    share = found.leverage[inside.local, own] if inside.exact else 0.0
    length = np.sqrt((away * away).sum(axis=1) / (1.0 - np.minimum(share, 0.9)))
    usual = _usual_around(length, window, (down, across), sigma)
    ratio = length / usual[window]
    far = ratio > _FAR_SIGMA
    count = np.bincount(window, minlength=down * across)
    many = np.bincount(window, far, down * across)
    rate = max(_FAR_SHARE, _MANY_TIMES * float(far.mean()))
    chance = poisson.logsf(many - 1, np.maximum(rate * count, 1e-9))
    rms = np.sqrt(
        np.bincount(window, np.minimum(ratio, 8.0) ** 2, down * across) / np.maximum(2.0 * count, 1.0)
    )
    flagged = (chance < np.log(_CHANCE / len(count))) & (rms > _ROUGHER) & (many >= _FEWEST_ROWS)
    if not flagged.any():
        return None
    part, _ = label(flagged.reshape(down, across), structure=np.ones((3, 3)))
    weights = np.bincount(part.ravel(), np.where(flagged, many, 0.0))
    chosen = part == int(np.argmax(weights[1:])) + 1
    grown = uniform_filter(chosen.astype(float), size=3, mode="constant") > 1e-6
    around = np.flatnonzero(grown.ravel()[window])
    length = _robust_lengths(residual[index[around]], _taken(inside, around), usual[window[around]], terms)
    ratio = length / usual[window[around]]
    named = (chosen.ravel()[window[around]] & (ratio > _NAMED_SIGMA)) | (ratio > _LONE_SIGMA)
    rows, length = around[named], length[named]
    if len(rows) < _FEWEST_ROWS:
        return None
    groups = np.unique(inside.local[rows])
    one = int(places.groups[groups[0]]) if len(groups) == 1 else None
    return Patch(index[rows], one, float(np.median(length)))


def _robust_lengths(residual: FloatArray, places: Places, sigma: FloatArray, terms: FloatArray) -> FloatArray:
    """Return how far samples (n,) with noise `sigma` (n,) are off what most pupils say of their place, px."""
    shape = (1, 1) if places.exact else (4, 4)
    window, (down, across) = window_numbers(places, shape, (0, 0))
    middle = np.stack([medians_by(window, column)[window] for column in residual.T], axis=-1)
    length = np.sqrt(((residual - middle) ** 2).sum(axis=1))
    for _ in range(_ROUNDS):
        weights = np.maximum(bisquare_weight(length / (_NAMED_SIGMA * sigma)), 1e-6)
        found = agreement(places.local, window, down * across, residual, terms, weights)
        length = np.sqrt(((residual - found.fit[places.local, window]) ** 2).sum(axis=1))
    return length


def _usual_around(length: FloatArray, window: IntArray, size: tuple[int, int], sigma: float) -> FloatArray:
    """Return the noise per component that windows around each window have, (c,): the middle of 5 x 5."""
    down, across = size
    order = np.lexsort((length, window))
    count = np.bincount(window, minlength=down * across)
    middle = np.cumsum(count) - count + count // 2
    median = np.where(count > 0, length[order][np.minimum(middle, len(length) - 1)], np.nan).reshape(size)
    padded = np.pad(median, 2, constant_values=np.nan)
    views = np.lib.stride_tricks.sliding_window_view(padded, (5, 5)).reshape(down, across, 25)
    around = np.nan_to_num(np.nanmedian(views, axis=-1), nan=0.0).ravel()
    result: FloatArray = np.maximum(around / RAYLEIGH_MEDIAN, max(sigma, 1e-12))
    return result


def patch_findings(
    samples: Samples, pair: int, patches: list[Patch], index: IntArray, sigma: float
) -> Iterator[Finding]:
    """Yield a finding for each patch of a channel and colour; `index` holds the samples they count in."""
    for patch in patches:
        rows = index[patch.rows]
        region = region_of(samples.pixel[rows])
        if patch.group is not None:
            text = f"{len(rows)} neighbouring points at {samples.group_text(patch.group)} are {patch.size_px:.3g} px off"
            text += f" what the other positions say, together, in {region.text()}; noise is {sigma:.2g} px."
            mend = (
                "Look at the photograph there (a reflection, dust, dots counted wrongly); capture it again."
            )
        else:
            text = (
                f"{len(rows)} points scatter by {patch.size_px:.3g} px in {region.text()}, seen from several "
            )
            text += f"positions; elsewhere noise is {sigma:.2g} px."
            mend = "Look at that place of the panel and its optics (dust, dead px, reflections); delete the rows."
        yield finding(
            "patch",
            "warning",
            text,
            mend,
            channel=samples.channel_of(pair),
            colour=samples.colour_of(pair),
            rows=samples.row[rows],
            pupil_mm=None if patch.group is None else samples.pupils_mm[samples.group_pupil[patch.group]],
            region=region,
            size=(patch.size_px, "px"),
        )
