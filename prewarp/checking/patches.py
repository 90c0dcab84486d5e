"""Patches: neighbouring samples of one pupil that moved together, and panel places where samples scatter.

Both escape a look at single samples, since their neighbours are as wrong as they are.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from scipy.ndimage import label, uniform_filter
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.stats import poisson

from prewarp.checking.outliers import Residuals, bounded
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
from prewarp.checks import BoolArray, FloatArray, IntArray, extent
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
_FEWEST_IN_WINDOW = 4
_FEWEST_ROWS = 4
_LEAST_PX = 0.2  # optics may really turn as fast at the rim
LEAST_NOISE_PX = 0.03  # what less noise shows is what the model misses
_PRIOR_FREEDOM = 30.0  # how much the noise of all windows says of the noise of one
_SIDE_BY_SIDE = 3.0  # dots between parts of one patch
_MANY_POSITIONS = 36
_TRIES = 12
_MOVED_SIGMA = 2.0  # from which a sample may say which way its patch moved
_MOST_PATCHES = 8  # of one channel and colour
_NEIGHBOUR, _STILL_NEIGHBOUR = 0.55, 0.35  # log-odds that a neighbour lends that moved, that did not
_FAR_SIGMA, _LONE_SIGMA = 3.5, 4.5
_RIGHT_SHARE = 0.08  # of the rows named in a patch that may be right
_ROUNDS, _ZERO_SIGMA = 6, 4.7  # of the robust fit over the pupil: no weight beyond
_FAR_SHARE = float(np.exp(-(_FAR_SIGMA**2) / 2.0))
_MANY_TIMES = 3.0  # as often as elsewhere on the panel may samples lie far off anywhere
_MOST_OF_PLACE = 0.65
_ROUGHER = 1.3  # RMS of a patch over that of its surroundings


@dataclass(frozen=True, eq=False)
class Patch:
    """Samples (positions in the index) that are wrong together, the group where it is one pupil, and the
    size."""

    rows: IntArray
    group: int | None
    size_px: float


def find_patches(residuals: Residuals, model: FloatArray, places: Places, good: BoolArray) -> list[Patch]:
    """Return the patches among the samples of a channel and colour.

    `model` (n, 2) px is what the smooth model says of them. Added to the residuals it gives what was
    measured, which is compared where it can be: a flexible model follows a patch at the rim seen from a
    corner of the eye box. `good` (n,) leaves out samples already found wrong.
    """
    good = good.copy()
    # Seen from one plane, places on a lattice can be compared as measured; else what the model leaves.
    whole = places.exact and places.one_depth
    terms = position_terms(places.position_mm, 3 if whole else 2)
    if terms is None:
        return []
    sigma = max(residuals.sigma, LEAST_NOISE_PX)
    model = model if whole else np.zeros_like(model)
    mild = bounded(residuals, sigma)
    patches: list[Patch] = []
    for search in (partial(_moved_patch, model), _rough_patch):
        while len(patches) < _MOST_PATCHES:
            patch = search(residuals.px, mild, places, sigma, good, terms)
            if patch is None:
                break
            patches.append(patch)
            good[patch.rows] = False
    return _joined(patches, places)


def _joined(patches: list[Patch], places: Places) -> list[Patch]:
    """Return patches with those of several pupils that lie side by side made one."""
    joined: list[Patch] = []
    for patch in patches:
        near = [
            one
            for one in joined
            if patch.group is None
            and one.group is None
            and within(places, one, patch.rows, _SIDE_BY_SIDE).any()
        ]
        for one in near:
            joined.remove(one)
        sizes = [one.size_px for one in (*near, patch)]
        counts = [len(one.rows) for one in (*near, patch)]
        rows = np.concatenate([one.rows for one in (*near, patch)])
        joined.append(Patch(rows, patch.group, float(np.average(sizes, weights=counts))))
    return joined


def within(places: Places, patch: Patch, rows: IntArray, margin: float) -> BoolArray:
    """Return which of the samples `rows` (m,) lie in a patch, wider by `margin` dots, and at its pupil."""
    low, high = extent(places.across[patch.rows])
    across = places.across[rows]
    inside = ((across >= low - margin) & (across <= high + margin)).all(axis=1)
    if patch.group is not None:
        inside &= places.groups[places.local[rows]] == patch.group
    result: BoolArray = inside
    return result


def with_lone(patches: list[Patch], places: Places, lone: IntArray) -> list[Patch]:
    """Return patches with the samples `lone`, found wrong by themselves, that lie in or beside them."""
    result = []
    for patch in patches:
        chosen = within(places, patch, lone, 1.0)
        result.append(replace(patch, rows=np.concatenate([patch.rows, lone[chosen]])))
        lone = lone[~chosen]
    return result


def _moved_patch(
    model: FloatArray,
    residual: FloatArray,
    mild: FloatArray,
    places: Places,
    sigma: float,
    good: BoolArray,
    terms: FloatArray,
) -> Patch | None:
    """Return the patch of one pupil that stands out most, where one does."""
    good = good.copy()
    for _ in range(_TRIES):
        index = np.flatnonzero(good)
        inside = places.take(index)
        values = model[index] + mild[index]
        where = _standing_out(inside, without_place(inside, values, terms), sigma, terms)
        if where is None:
            return None
        own, seed, group = where
        # What others say and the model does not is smooth over the panel: noise of single dots is not wanted.
        bent = _window_means(inside.take(own), _elsewhere(inside, values, terms, group) - model[index[own]])
        rest: FloatArray = residual[index[own]] - bent
        rows = _grown(rest, inside.across[own], seed, sigma, 1.5 if inside.exact else 2.0)
        if len(rows) >= _FEWEST_ROWS:
            size = float(np.hypot(*np.median(rest[rows], axis=0)))
            if size > _LEAST_PX:
                return Patch(index[own[rows]], int(places.groups[group]), size)
            good[index[own[rows]]] = False
        # A few wrong samples by themselves: others look after those.
        far = seed & (np.hypot(*rest.T) > _FAR_SIGMA * sigma)
        good[index[own[far if far.any() else seed]]] = False
    return None


def _standing_out(
    inside: Places, level: FloatArray, sigma: float, terms: FloatArray
) -> tuple[IntArray, BoolArray, int] | None:
    """Return the samples (m,) of the group with the window that stands out most, those in it, its number.

    None where chance explains the most outstanding of all windows. `level` (n, 2): values without what all
    pupils show at a place.
    """
    best, tests = 0.0, 0
    where: tuple[IntArray, int, int] | None = None
    for shape, offset in _SHAPES:
        window, (down, across) = window_numbers(inside, shape, offset)
        found = agreement(inside.local, window, down * across, level, terms)
        ratio, freedom = _significance(found, (down, across), sigma)
        ratio[found.weight < _FEWEST_IN_WINDOW] = 0.0
        tests += int((found.weight >= _FEWEST_IN_WINDOW).sum())
        chance = -0.5 * freedom * np.log1p(ratio / np.maximum(freedom, 1e-9))
        group, cell = divmod(int(np.argmin(chance)), chance.shape[1])
        if chance[group, cell] < best:
            best, where = float(chance[group, cell]), (window, group, cell)
    if where is None or best > np.log(_CHANCE / tests):
        return None
    window, group, cell = where
    own = np.flatnonzero(inside.local == group)
    return own, window[own] == cell, group


def _window_means(places: Places, values: FloatArray) -> FloatArray:
    """Return values (n, 2) of samples of one group as means over windows of 4 x 4 dots."""
    window, (down, across) = window_numbers(places, (4, 4), (0, 0))
    count = np.maximum(np.bincount(window, minlength=down * across), 1)
    sums = [np.bincount(window, column, down * across) / count for column in values.T]
    result: FloatArray = np.stack(sums, axis=-1)[window]
    return result


def _elsewhere(inside: Places, values: FloatArray, terms: FloatArray, group: int) -> FloatArray:
    """Return what the other pupils say of the samples of a group, (m, 2) px: of the same dot, else window."""
    shape = (1, 1) if inside.exact else (4, 4)
    window, (down, across) = window_numbers(inside, shape, (0, 0))
    others = inside.local != group
    found = agreement(inside.local[others], window[others], down * across, values[others], terms)
    # The group has no weight in this fit, so its fit is what the others say.
    result: FloatArray = found.fit[group, window[inside.local == group]]
    return result


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


def _grown(rest: FloatArray, across: FloatArray, seed: BoolArray, sigma: float, reach: float) -> IntArray:
    """Return which samples (m,) of one group moved together with those in `seed`.

    Log-likelihood ratio of moved against still, with neighbours within `reach` dots lending weight to each
    other; then what hangs together with the seed.
    """
    moved = seed & (np.hypot(*rest.T) > _MOVED_SIGMA * sigma)
    if moved.sum() < _FEWEST_ROWS - 1:
        return np.flatnonzero(moved)
    move = np.median(rest[moved], axis=0)
    pairs = neighbours_of(across, reach)
    labelled = seed
    for _ in range(12):
        odds = np.clip((rest @ move - 0.5 * move @ move) / sigma**2, -8.0, 8.0)
        # What moved elsewhere altogether did not move together.
        odds[((rest - move) ** 2).sum(axis=1) > np.maximum(0.5 * move @ move, 16.0 * sigma**2)] = -8.0
        lent = np.where(labelled, _NEIGHBOUR, -_STILL_NEIGHBOUR)
        vote = np.bincount(pairs[:, 0], lent[pairs[:, 1]], len(rest))
        vote += np.bincount(pairs[:, 1], lent[pairs[:, 0]], len(rest))
        now = odds + vote > 0.0
        if not now.any() or (now == labelled).all():
            break
        labelled = now
        move = np.median(rest[labelled], axis=0)
    pairs = neighbours_of(across, 1.6 * reach)
    kept = labelled[pairs].all(axis=1)
    graph = coo_array((np.ones(kept.sum()), pairs[kept].T), shape=(len(rest), len(rest)))
    _, part = connected_components(graph, directed=False)
    result: IntArray = np.flatnonzero(labelled & np.isin(part, part[labelled & seed]))
    return result


def _rough_patch(
    residual: FloatArray,
    mild: FloatArray,
    places: Places,
    sigma: float,
    good: BoolArray,
    terms: FloatArray,
) -> Patch | None:
    """Return the panel place where samples of all pupils scatter far more than elsewhere, if there is one."""
    index = np.flatnonzero(good)
    inside = places.take(index)
    window, (down, across) = window_numbers(inside, (4, 4), (0, 0))
    shape, offset = ((1, 1), (0, 0)) if inside.exact else ((4, 4), (0, 0))
    own, size = window_numbers(inside, shape, offset)
    found = agreement(inside.local, own, size[0] * size[1], mild[index], terms)
    away = residual[index] - found.fit[inside.local, own]
    share = found.leverage[inside.local, own] if inside.exact else 0.0
    length = np.sqrt((away * away).sum(axis=1) / (1.0 - np.minimum(share, 0.9)))
    usual = _usual_around(length, window, (down, across), sigma)
    ratio = length / usual[window]
    far = ratio > _FAR_SIGMA
    count = np.bincount(window, minlength=down * across)
    many = np.bincount(window, far, down * across)
    filled = count >= 0.5 * np.median(count[count > 0])
    rate = max(_FAR_SHARE, _MANY_TIMES * float(np.median(many[filled] / count[filled])))
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
    few = position_terms(places.position_mm, 2 if len(places.groups) >= _MANY_POSITIONS else 1)
    few = terms if few is None else few
    length = _robust_lengths(residual[index[around]], inside.take(around), usual[window[around]], few)
    ratio = length / usual[window[around]]
    in_patch = chosen.ravel()[window[around]]
    # So far that of those named a small share only is right, by how many are wrong in the patch.
    wrong = float(np.clip((ratio[in_patch] > _FAR_SIGMA).mean(), 0.01, 0.6))
    border = np.sqrt(2.0 * np.log((1.0 - wrong) / (_RIGHT_SHARE * wrong)))
    named = (in_patch & (ratio > border)) | (ratio > _LONE_SIGMA)
    named |= in_patch & (ratio > 1.0) & _mostly(named, own[around])
    rows, length = around[named], length[named]
    if len(rows) < _FEWEST_ROWS:
        return None
    groups = np.unique(inside.local[rows])
    one = int(places.groups[groups[0]]) if len(groups) == 1 else None
    typical = float(np.median(length))
    return Patch(index[rows], one, typical) if typical > _LEAST_PX else None


def _mostly(named: BoolArray, place: IntArray) -> BoolArray:
    """Return whether most samples (n,) of the same place are named: then the few others agree by accident."""
    share = np.bincount(place, named) / np.maximum(np.bincount(place), 1)
    result: BoolArray = share[place] > _MOST_OF_PLACE
    return result


def _robust_lengths(residual: FloatArray, places: Places, sigma: FloatArray, terms: FloatArray) -> FloatArray:
    """Return how far samples (n,) with noise `sigma` (n,) are off what most pupils say of their place, px."""
    shape = (1, 1) if places.exact else (4, 4)
    window, (down, across) = window_numbers(places, shape, (0, 0))
    middle = np.stack([medians_by(window, column)[window] for column in residual.T], axis=-1)
    length = np.sqrt(((residual - middle) ** 2).sum(axis=1))
    for _ in range(_ROUNDS):
        weights = np.maximum(bisquare_weight(length / (_ZERO_SIGMA * sigma)), 1e-6)
        found = agreement(places.local, window, down * across, residual, terms, weights)
        length = np.sqrt(((residual - found.fit[places.local, window]) ** 2).sum(axis=1))
    result: FloatArray = length
    return result


def _usual_around(length: FloatArray, window: IntArray, size: tuple[int, int], sigma: float) -> FloatArray:
    """Return the noise per component that windows around each window have, (c,): the middle of 5 x 5."""
    down, across = size
    order = np.lexsort((length, window))
    count = np.bincount(window, minlength=down * across)
    middle = np.cumsum(count) - count + count // 2
    median = np.where(count > 0, length[order][np.minimum(middle, len(length) - 1)], np.nan).reshape(size)
    padded = np.pad(median, 2, constant_values=np.nan)
    views = np.lib.stride_tricks.sliding_window_view(padded, (5, 5)).reshape(down, across, 25)
    known = np.isfinite(views).any(axis=-1)
    around = np.zeros(size)
    around[known] = np.nanmedian(views[known], axis=-1)
    result: FloatArray = np.maximum(around.ravel() / RAYLEIGH_MEDIAN, max(sigma, 1e-12))
    return result


def patch_findings(
    samples: Samples, pair: int, patches: list[Patch], index: IntArray, sigma: float
) -> Iterator[Finding]:
    """Yield a finding for each patch of a channel and colour; `index` holds the samples they count in."""
    for patch in patches:
        rows = index[patch.rows]
        region = region_of(samples.pixel[rows])
        if patch.group is not None:
            text = f"{len(rows)} neighbouring points at {samples.group_text(patch.group)} are together "
            text += f"{patch.size_px:.3g} px off what the other positions say, in {region.text()}; noise is "
            text += f"{sigma:.2g} px."
            mend = (
                "Look at the photograph there (a reflection, dust, dots counted wrongly); capture it again."
            )
        else:
            text = (
                f"{len(rows)} points scatter by {patch.size_px:.3g} px in {region.text()}, seen from several "
            )
            text += f"positions; elsewhere noise is {sigma:.2g} px."
            mend = "Look at that place of panel and optics (dust, dead px, reflections); delete the rows."
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
