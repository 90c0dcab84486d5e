"""Patches of one pupil whose samples moved together: windows that stand out, and what hangs with them."""

import numpy as np
from scipy.ndimage import uniform_filter
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from prewarp.checking.patch import CHANCE, FAR_SIGMA, FEWEST_ROWS, LEAST_PX, Patch
from prewarp.checking.windows import (
    Agreement,
    Places,
    agreement,
    neighbours_of,
    window_numbers,
    without_place,
)
from prewarp.checks import BoolArray, FloatArray, IntArray

# Shapes of windows and their offsets, in dots: squares that a patch of 5 x 5 dots always fills, and lines.
SHAPES = (
    ((4, 4), (0, 0)),
    ((4, 4), (2, 0)),
    ((4, 4), (0, 2)),
    ((4, 4), (2, 2)),
    ((10, 1), (0, 0)),
    ((1, 10), (0, 0)),
)
_FEWEST_IN_WINDOW = 4
_PRIOR_FREEDOM = 30.0  # how much the noise of all windows says of the noise of one
_TRIES = 12
_MOVED_SIGMA = 2.0  # from which a sample may say which way its patch moved
_NEIGHBOUR, _STILL_NEIGHBOUR = 0.55, 0.35  # log-odds that a neighbour lends that moved, that did not


def moved_patch(
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
        rows = grown(rest, inside.across[own], seed, sigma, 1.5 if inside.exact else 2.0)
        if len(rows) >= FEWEST_ROWS:
            size = float(np.hypot(*np.median(rest[rows], axis=0)))
            if size > LEAST_PX:
                return Patch(index[own[rows]], int(places.groups[group]), size)
            good[index[own[rows]]] = False
        # A few wrong samples by themselves: others look after those.
        far = seed & (np.hypot(*rest.T) > FAR_SIGMA * sigma)
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
    for shape, offset in SHAPES:
        window, (down, across) = window_numbers(inside, shape, offset)
        found = agreement(inside.local, window, down * across, level, terms)
        ratio, freedom = _significance(found, (down, across), sigma)
        ratio[found.weight < _FEWEST_IN_WINDOW] = 0.0
        tests += int((found.weight >= _FEWEST_IN_WINDOW).sum())
        chance = -0.5 * freedom * np.log1p(ratio / np.maximum(freedom, 1e-9))
        group, cell = divmod(int(np.argmin(chance)), chance.shape[1])
        if chance[group, cell] < best:
            best, where = float(chance[group, cell]), (window, group, cell)
    if where is None or best > np.log(CHANCE / tests):
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


def grown(rest: FloatArray, across: FloatArray, seed: BoolArray, sigma: float, reach: float) -> IntArray:
    """Return which samples (m,) of one group moved together with those in `seed`.

    Log-likelihood ratio of moved against still, with neighbours within `reach` dots lending weight to each
    other; then what hangs together with the seed.
    """
    moved = seed & (np.hypot(*rest.T) > _MOVED_SIGMA * sigma)
    if moved.sum() < FEWEST_ROWS - 1:
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
