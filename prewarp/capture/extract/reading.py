"""Reading names: how strongly each place is lit in each code frame, and which name that spells."""

from dataclasses import dataclass

import numpy as np

from prewarp.capture.codes import FRAMES, WEIGHT
from prewarp.checks import BoolArray, FloatArray, IntArray

# Between the weakest lit and the strongest dark frame must lie this part of their means' difference ...
_LEAST_GAP = 0.3
# ... and so many times the spread of the dark ones.
_GAP_SIGMA = 5.0
_POWERS = 1 << np.arange(FRAMES)


@dataclass(frozen=True)
class Readings:
    """What places spell. `word` (n,) the 13 frames as a number, bit f for frame f, -1 where unreadable;
    `light` (n,) codes, mean of the lit frames over the dark ones; `gap` (n,) between lit and dark, 0 to 1.
    """

    word: IntArray
    light: FloatArray
    gap: FloatArray


def numbers_of_words(lit: BoolArray, /) -> IntArray:
    """Return names (n, 13) as numbers, bit f for frame f."""
    numbers: IntArray = lit.astype(np.int64) @ _POWERS
    return numbers


def dot_light(windows: np.ndarray, radius: float) -> FloatArray:
    """Return the light (n,) within `radius` px of the middle of windows (n, side, side), over their rim."""
    side = windows.shape[1]
    half = side // 2
    step = np.arange(side) - half
    distance = np.hypot(step[:, None], step[None, :]).ravel()
    flat = windows.reshape(len(windows), -1)
    inner, rim = np.flatnonzero(distance <= radius), np.flatnonzero(distance > half - 1.0)
    # The rim's lower half: a neighbour may touch one side of it.
    around = np.partition(flat[:, rim], len(rim) // 2, axis=1)[:, : len(rim) // 2 + 1]
    background = np.median(around, axis=1)
    middle: FloatArray = flat[:, inner].mean(axis=1, dtype=np.float64) - background
    return middle


def read_words(light: FloatArray, there: BoolArray, used: IntArray, noise: FloatArray) -> Readings:
    """Return what places spell by their light in each code frame.

    Parameters
    ----------
    light : (n, 13) float array
        Light of each place in each code frame, any unit; frames that are missing hold anything.
    there : (13,) bool array
        Which code frames there are. One that is missing is filled in by the weight of names.
    used : (m,) int array
        Names in use, as numbers.
    noise : (n,) float array
        1-sigma of `light` in a dark frame.
    """
    frames = np.flatnonzero(there)
    missing = FRAMES - len(frames)
    order = np.argsort(light[:, frames], axis=1, kind="stable")
    ordered = np.take_along_axis(light[:, frames], order, axis=1)
    best_gap = np.full(len(light), -np.inf)
    count = np.zeros(len(light), dtype=np.int64)
    mean = np.zeros(len(light))
    for lit in range(max(WEIGHT - missing, 1), min(WEIGHT, len(frames) - 1) + 1):
        high, low = ordered[:, -lit:], ordered[:, :-lit]
        difference = high.mean(axis=1) - low.mean(axis=1)
        gap = high[:, 0] - low[:, -1]
        spread = np.maximum(low.std(axis=1), noise)
        fine = (gap > _LEAST_GAP * difference) & (gap > _GAP_SIGMA * spread)
        relative = np.where(fine & (difference > 0), gap / np.maximum(difference, 1e-12), -np.inf)
        better = relative > best_gap
        best_gap = np.where(better, relative, best_gap)
        count = np.where(better, lit, count)
        mean = np.where(better, difference, mean)
    lit_bits = np.zeros((len(light), FRAMES), dtype=bool)
    rank = np.empty_like(order)
    np.put_along_axis(rank, order, np.arange(len(frames))[None, :], axis=1)
    lit_bits[:, frames] = rank >= len(frames) - count[:, None]
    word = np.where(best_gap > -np.inf, numbers_of_words(lit_bits), -1)
    word = _completed(word, int(numbers_of_words(there[None, :])[0]), used)
    return Readings(word, mean, np.where(word >= 0, best_gap, 0.0))


def _completed(word: IntArray, there: int, used: IntArray) -> IntArray:
    """Return the names in use that agree with words in the frames that are there; -1 if none or several."""
    seen, first, counts = np.unique(used & there, return_index=True, return_counts=True)
    at = np.minimum(np.searchsorted(seen, word), len(seen) - 1)
    fine = (word >= 0) & (seen[at] == word) & (counts[at] == 1)
    result: IntArray = np.where(fine, used[first[at]], -1)
    return result
