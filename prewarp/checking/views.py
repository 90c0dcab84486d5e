"""Patches within single views: the measure where too few positions were captured to hold one against others.

A view (one pupil position of one channel and colour) is smooth over the panel: samples that moved together
stand out of a polynomial through all of the view's, fitted together with their common step, and samples that
scatter out of what those around them do. A view as a whole off is smooth as well: nothing here sees it.
"""

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np
from scipy.spatial import cKDTree

from prewarp.checking.moved import SHAPES, grown
from prewarp.checking.outliers import BOUND_SIGMA
from prewarp.checking.patch import CHANCE, FAR_SIGMA, FEWEST_ROWS, LEAST_NOISE_PX, LEAST_PX, Patch
from prewarp.checking.rough import rough_patch
from prewarp.checking.samples import Samples
from prewarp.checking.surface import MapModel
from prewarp.checking.view import OWN_SHARE, View, bounded_rows, fit_views, simplest
from prewarp.checking.windows import Places, neighbours_of, window_numbers
from prewarp.checks import BoolArray, FloatArray, IntArray, lengths_of_rows

_FEWEST_IN_WINDOW = 4
_LEAST_PX = 2.0 * LEAST_PX  # no other position says whether optics turn so fast
_FREEDOM = 200.0  # how much the noise of a view says of that of a window, at most
_CHI_MEDIAN = 0.693  # median of half a chi-square of two
_ROUNDS = 5
_HOPELESS = 6.0  # times the least score: a degree with more follows the view too badly
_REACH, _BEYOND = 4, 3  # windows around that say what is usual: for scatter, for steps
_NEAR, _NEAR_SCATTERED = 1.5, 2.0  # dots between neighbours
_TRIES = 12
_ALIKE = 0.35  # correlation of neighbours from which they do not scatter
_EDGE = 0.65  # of its step, from one dot to the next
_SAME_WAY = 0.7  # cosine between steps of parts of one patch
_BESIDE, _SCATTERING = 1.6, 0.2  # dots around a patch, and share far off there, where samples scatter


def patches_in_views(
    samples: Samples, surface: MapModel, index: IntArray, places: Places, good: BoolArray
) -> list[Patch]:
    """Return the patches among the samples of a channel and colour, each view held against itself.

    `index` (n,): the samples; `good` (n,) leaves out those already found wrong.
    """
    moved = _moved(samples, surface, index, places, good)
    scattered = _scattered(samples, surface, index, places, _without(good, moved))
    if scattered:
        # They bent the polynomials that the others were held against.
        moved = _moved(samples, surface, index, places, _without(good, scattered))
    return [*moved, *scattered]


def _without(good: BoolArray, patches: Iterable[Patch]) -> BoolArray:
    result = good.copy()
    for patch in patches:
        result[patch.rows] = False
    return result


def _scattered(
    samples: Samples, surface: MapModel, index: IntArray, places: Places, good: BoolArray
) -> list[Patch]:
    """Return the places of the panel where samples scatter far more than elsewhere, all views together."""
    rest, sigma, told = rest_in_views(samples, surface, index, places, good, dropping=True)
    good = good & told
    around, alone = replace(places, exact=False), np.ones((len(places.groups), 1))
    patches: list[Patch] = []
    for _ in range(_TRIES if good.any() else 0):
        found = rough_patch(rest, bounded_rows(rest, sigma), around, sigma, good, alone, reach=_REACH)
        if found is None:
            break
        good[found.rows] = False
        if not _hang_together(rest[found.rows], places.across[found.rows]):
            patches.append(replace(found, scatters=True, by_view=True))
    return patches


def _hang_together(rest: FloatArray, across: FloatArray) -> bool:
    """Return whether samples side by side, or at one place, are off alike, as what polynomials miss is."""
    one, other = neighbours_of(across, _BESIDE).T
    if not len(one):
        return False
    squares = (rest * rest).sum(axis=1)
    alike = float((rest[one] * rest[other]).sum())
    return alike > _ALIKE * 0.5 * float((squares[one] + squares[other]).sum())


def rest_in_views(
    samples: Samples,
    surface: MapModel,
    index: IntArray,
    places: Places,
    good: BoolArray,
    *,
    dropping: bool = False,
) -> tuple[FloatArray, float, BoolArray]:
    """Return what the simplest polynomial through each view leaves (n, 2), px, its noise in the worst of the
    views, and which samples (n,) have one.

    Arguments as of `patches_in_views`; `dropping`: what is far off says nothing in the fits.
    """
    rest, told, sigma = np.zeros((len(index), 2)), np.zeros(len(index), dtype=bool), LEAST_NOISE_PX
    for group in range(len(places.groups)):
        views = fit_views(samples, surface, index, np.flatnonzero((places.local == group) & good))
        if views:
            view = simplest(views)
            rest[view.own], told[view.own] = view.apart if dropping else view.rest, True
            sigma = max(sigma, view.sigma)
    return rest, sigma, told


def _moved(
    samples: Samples, surface: MapModel, index: IntArray, places: Places, good: BoolArray
) -> list[Patch]:
    """Return the patches whose samples moved together, view by view."""
    groups = range(len(places.groups))
    views = (_moved_in_view(samples, surface, index, places, group, good) for group in groups)
    return [patch for view in views for patch in view]


def _moved_in_view(
    samples: Samples, surface: MapModel, index: IntArray, places: Places, group: int, good: BoolArray
) -> Iterator[Patch]:
    """Yield the patches of one view whose samples moved together, the most outstanding first."""
    whole = good & (places.local == group)
    left, asked = whole.copy(), whole.copy()  # windows may be looked at and found to be something else
    near = _NEAR if places.exact else _NEAR_SCATTERED
    found: list[tuple[IntArray, float, FloatArray]] = []  # samples, size and step of each patch
    views: list[View] = []
    for _ in range(_TRIES):
        views = views or fit_views(samples, surface, index, np.flatnonzero(left))
        best = _best_step(views, places, asked, near) if views else None
        if best is None:
            break
        view, seed, moved = best
        rows = view.own[moved]
        beside = [
            one for one in found if _is_beside(places, one[0], rows, near) and _is_alike(one, view, moved)
        ]
        if beside:
            # A part was taken for all of a patch: both parts are one step.
            left[np.concatenate([one[0] for one in beside])] = True
            view = _of_as_many(fit_views(samples, surface, index, np.flatnonzero(left)), view)
            start = np.isin(view.own, np.concatenate([rows, *(one[0] for one in beside)]))
            moved = _moved_with(view, places.across[view.own], start, near)
            moved = moved if moved.any() else start
            rows = view.own[moved]
            found = [one for one in found if not any(one is other for other in beside)]
        step, rest = view.with_step(moved)
        size = float(np.hypot(*np.median(rest[moved], axis=0)))
        across = places.across[view.own]
        scatters = _scatters(rest, moved, across, view.sigma) or not _has_edge(rest, moved, across, near)
        if not beside and (moved.sum() < FEWEST_ROWS or size <= _LEAST_PX or scatters):
            asked[view.own[seed | moved]] = False
            continue
        left[rows] = asked[rows] = False
        views = []
        found.append((rows, size, step))
    for rows, size, _ in found:
        yield Patch(rows, int(places.groups[group]), size, by_view=True)


def _has_edge(rest: FloatArray, moved: BoolArray, across: FloatArray, near: float) -> bool:
    """Return whether a patch ends at an edge; what a polynomial misses of the map rises and falls."""
    step = np.median(rest[moved], axis=0)
    pairs = neighbours_of(across, near)
    pairs = pairs[moved[pairs[:, 0]] != moved[pairs[:, 1]]]
    if not len(pairs):
        return True
    inside = np.where(moved[pairs[:, 0]], pairs[:, 0], pairs[:, 1])
    outside = pairs.sum(axis=1) - inside
    return bool(np.median((rest[inside] - rest[outside]) @ step) > _EDGE * float(step @ step))


def _is_beside(places: Places, rows: IntArray, others: IntArray, near: float) -> bool:
    """Return whether any of two sets of samples of a view lie next to each other."""
    distance, _ = cKDTree(places.across[rows]).query(places.across[others])
    return bool(np.min(distance) <= _BESIDE * near)


def _is_alike(one: tuple[IntArray, float, FloatArray], view: View, moved: BoolArray) -> bool:
    """Return whether a patch moved about the same way as samples (m,) of a view did."""
    step, _ = view.with_step(moved)
    return bool(step @ one[2] > _SAME_WAY * np.hypot(*step) * np.hypot(*one[2]))


def _of_as_many(views: list[View], like: View) -> View:
    """Return the view by a polynomial of as many terms as another."""
    return next((one for one in views if one.terms.shape[1] == like.terms.shape[1]), views[-1])


def _best_step(
    views: list[View], places: Places, asked: BoolArray, near: float
) -> tuple[View, BoolArray, BoolArray] | None:
    """Return view, window (m,) and the samples (m,) that moved with it, of the degree that says most with it.

    A polynomial of high degree follows a patch at the rim: a lower one and a step say the same by far fewer
    numbers. None where a polynomial alone says as much, or chance explains the step.
    """
    bound = BOUND_SIGMA * views[-1].sigma
    scores = [view.score(bound) for view in views]
    least = min(scores)
    best: tuple[View, BoolArray, BoolArray] | None = None
    for view, alone in zip(views, scores, strict=True):
        if alone > _HOPELESS * least:
            continue
        inside = places.take(view.own)
        for seed in _outstanding(view, inside, asked[view.own]):
            moved = _moved_with(view, inside.across, seed, near)
            if not moved.any():
                continue
            score = view.score(bound, moved)
            if score < least:
                least, best = score, (view, seed, moved)
    return best


def _moved_with(view: View, across: FloatArray, seed: BoolArray, near: float) -> BoolArray:
    """Return which samples (m,) of a view moved together with those in the window `seed` (m,)."""
    moved = seed
    for _ in range(_ROUNDS):
        now = np.zeros(len(seed), dtype=bool)
        now[grown(view.with_step(moved)[1], across, seed, view.sigma, near)] = True
        if not now.any() or (now == moved).all():
            return now
        moved = now
    return moved


def _scatters(rest: FloatArray, moved: BoolArray, across: FloatArray, sigma: float) -> bool:
    """Return whether samples in and beside a patch are far off even when its common step is taken out."""
    pairs = neighbours_of(across, _BESIDE)
    beside = moved.copy()
    beside[pairs[moved[pairs[:, 0]], 1]] = True
    beside[pairs[moved[pairs[:, 1]], 0]] = True
    left = rest - np.where(moved[:, None], np.median(rest[moved], axis=0), 0.0)
    return bool((lengths_of_rows(left)[beside] > FAR_SIGMA * sigma).mean() > _SCATTERING)


def _outstanding(view: View, places: Places, asked: BoolArray) -> list[BoolArray]:
    """Return the windows (m,) whose samples stand out most by two measures, where chance explains neither.

    First the sum of what the polynomial leaves; then of what a fit leaves that drops what is far off, since
    others that moved bend the first. Of noise alone both vary by what the polynomial does not follow of a
    window, and what it misses of the map shows in the windows around.
    """
    values = view.bounded()
    measures = (values - view.fitted(values), bounded_rows(view.apart, view.sigma))
    freedom = min(2.0 * (len(view.own) - view.terms.shape[1]), _FREEDOM)
    best: list[tuple[float, BoolArray | None]] = [(0.0, None)] * len(measures)
    tests = 0
    for shape, offset in SHAPES:
        window, (down, across) = window_numbers(places, shape, offset)
        count = np.bincount(window, minlength=down * across).astype(float)
        free = count - _followed(view, window, count)
        usable = (count >= _FEWEST_IN_WINDOW) & (free > OWN_SHARE * count)
        usable &= np.bincount(window, asked, down * across) > 0.5 * count
        tests += len(measures) * int(usable.sum())
        for place, measure in enumerate(measures):
            off = sum(np.bincount(window, column, down * across) ** 2 for column in measure.T)
            ratio = np.where(usable, 0.5 * off / np.maximum(free, 1e-9) / view.sigma**2, np.nan)
            missed = np.maximum(_usual_beyond(ratio.reshape(down, across)).ravel() / _CHI_MEDIAN, 1.0)
            outstanding = np.where(usable, ratio / missed, 0.0)
            cell = int(np.argmax(outstanding))
            if outstanding[cell] > best[place][0]:
                best[place] = float(outstanding[cell]), window == cell
    limit = np.log(CHANCE / max(tests, 1))
    return [
        seed
        for worth, seed in best
        if seed is not None and -0.5 * freedom * np.log1p(2.0 * worth / freedom) < limit
    ]


def _followed(view: View, window: IntArray, count: FloatArray) -> FloatArray:
    """Return how many of the samples in each window (c,) the polynomial follows a common step of."""
    order = np.argsort(window, kind="stable")
    there = np.flatnonzero(count)
    starts = np.cumsum(count[there]).astype(np.int64) - count[there].astype(np.int64)
    sums = np.zeros((len(count), view.terms.shape[1]))
    sums[there] = np.add.reduceat(view.terms[order], starts)
    result: FloatArray = ((sums @ view.inverse) * sums).sum(axis=1)
    return result


def _usual_beyond(ratio: FloatArray) -> FloatArray:
    """Return the middle one of the windows around each (down, across), those next to it left out.

    0 where none is known.
    """
    side = 2 * _BEYOND + 1
    ring = np.ones((side, side), dtype=bool)
    ring[_BEYOND - 1 : _BEYOND + 2, _BEYOND - 1 : _BEYOND + 2] = False
    padded = np.pad(ratio, _BEYOND, constant_values=np.nan)
    around = np.lib.stride_tricks.sliding_window_view(padded, (side, side))[..., ring]
    known = np.isfinite(around).any(axis=-1)
    result = np.zeros(ratio.shape)
    result[known] = np.nanmedian(around[known], axis=-1)
    return result
