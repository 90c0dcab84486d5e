"""Places of the panel where samples of all pupils scatter far more than elsewhere: dust, reflections."""

import numpy as np
from scipy.ndimage import label, uniform_filter
from scipy.special import pdtrc

from prewarp.checking.patch import CHANCE, FAR_SIGMA, FEWEST_ROWS, LEAST_PX, Patch
from prewarp.checking.windows import Places, agreement, position_terms, window_numbers
from prewarp.checks import BoolArray, FloatArray, IntArray, lengths_of_rows
from prewarp.robust import RAYLEIGH_MEDIAN, bisquare_weight, medians_by, ranked_by

_LONE_SIGMA = 4.5  # from which a sample beside a patch belongs to it
_RIGHT_SHARE = 0.08  # of the rows named in a patch that may be right
_ROUNDS, _ZERO_SIGMA = 6, 4.7  # of the robust fit over the pupil: no weight beyond
_NAMED_SIGMA = 2.7
_FAR_SHARE = float(np.exp(-(FAR_SIGMA**2) / 2.0))
_MANY_TIMES = 3.0  # as often as elsewhere on the panel may samples lie far off anywhere
_MOST_OF_PLACE = 0.65
_MANY_POSITIONS = 36
_ROUGHER = 1.3  # RMS of a patch over that of its surroundings


def rough_patch(
    residual: FloatArray,
    mild: FloatArray,
    places: Places,
    sigma: float,
    good: BoolArray,
    terms: FloatArray,
    reach: int = 2,
) -> Patch | None:
    """Return the panel place where samples of all pupils scatter far more than elsewhere, if there is one.

    What is usual there is told by windows up to `reach` steps away.
    """
    index = np.flatnonzero(good)
    inside = places.take(index)
    window, (down, across) = window_numbers(inside, (4, 4), (0, 0))
    shape, offset = ((1, 1), (0, 0)) if inside.exact else ((4, 4), (0, 0))
    own, size = window_numbers(inside, shape, offset)
    found = agreement(inside.local, own, size[0] * size[1], mild[index], terms)
    away = residual[index] - found.fit_at(inside.local, own)
    share = found.leverage[inside.local, own] if inside.exact else 0.0
    length = lengths_of_rows(away) / np.sqrt(1.0 - np.minimum(share, 0.9))
    usual = _usual_around(length, window, (down, across), sigma, reach)
    ratio = length / usual[window]
    far = ratio > FAR_SIGMA
    count = np.bincount(window, minlength=down * across)
    many = np.bincount(window, far, down * across)
    filled = count >= 0.5 * np.median(count[count > 0])
    rate = max(_FAR_SHARE, _MANY_TIMES * float(np.median(many[filled] / count[filled])))
    # Of as many or more (Poisson); of none or more it is certain.
    more = pdtrc(np.maximum(many - 1.0, 0.0), np.maximum(rate * count, 1e-9))
    chance = np.where(many > 0.0, np.log(more), 0.0)
    rms = np.sqrt(
        np.bincount(window, np.minimum(ratio, 8.0) ** 2, down * across) / np.maximum(2.0 * count, 1.0)
    )
    flagged = (chance < np.log(CHANCE / len(count))) & (rms > _ROUGHER) & (many >= FEWEST_ROWS)
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
    wrong = float(np.clip((ratio[in_patch] > FAR_SIGMA).mean(), 0.01, 0.6))
    border = np.sqrt(2.0 * np.log((1.0 - wrong) / (_RIGHT_SHARE * wrong)))
    named = (in_patch & (ratio > border)) | (ratio > _LONE_SIGMA)
    named |= in_patch & (ratio > 1.0) & _mostly(named, own[around])
    rows, length = around[named], length[named]
    if len(rows) < FEWEST_ROWS:
        return None
    groups = np.unique(inside.local[rows])
    one = int(places.groups[groups[0]]) if len(groups) == 1 else None
    typical = float(np.median(length))
    return Patch(index[rows], one, typical) if typical > LEAST_PX else None


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
    length = lengths_of_rows(residual - middle)
    for _ in range(_ROUNDS):
        weights = np.maximum(bisquare_weight(length / (_ZERO_SIGMA * sigma)), 1e-6)
        found = agreement(places.local, window, down * across, residual, terms, weights)
        length = lengths_of_rows(residual - found.fit_at(places.local, window))
    result: FloatArray = length
    return result


def _usual_around(
    length: FloatArray, window: IntArray, size: tuple[int, int], sigma: float, reach: int
) -> FloatArray:
    """Return the noise per component that windows around each window have, (c,): the middle one of those."""
    down, across = size
    side = 2 * reach + 1
    ranked, start, count = ranked_by(window, length)
    middle = np.minimum(start + count // 2, len(length) - 1)
    median = np.full(down * across, np.nan)
    median[: len(count)] = np.where(count > 0, ranked[middle], np.nan)
    median = median.reshape(size)
    padded = np.pad(median, reach, constant_values=np.nan)
    views = np.lib.stride_tricks.sliding_window_view(padded, (side, side)).reshape(down, across, side**2)
    known = np.isfinite(views).any(axis=-1)
    around = np.zeros(size)
    around[known] = np.nanmedian(views[known], axis=-1)
    result: FloatArray = np.maximum(around.ravel() / RAYLEIGH_MEDIAN, max(sigma, 1e-12))
    return result
