"""Lengths that 95 % of steps stay under, and how sure a mean over shots is."""

import numpy as np
from scipy import special

from prewarp.checks import FloatArray, IntArray

SHARE = 0.95


def length(step: FloatArray, /) -> float:
    """Return the length that 95 % of steps (n, 2) stay under, as they are."""
    return float(np.quantile(np.linalg.norm(step, axis=1), SHARE))


def lengths_by_shot(step: FloatArray, shot: IntArray, /) -> FloatArray:
    """Return the length that 95 % of steps (n, 2) stay under, of every shot that has some."""
    return np.array([length(step[shot == one]) for one in np.unique(shot)])


def sigma_of_mean(values: FloatArray, count: int, /) -> float | None:
    """Return how sure the mean of values of `count` shots is, whose spread `values` (k,) show.

    Twice it holds the truth with 95 %: with few values the spread itself is unsure (Student), so it is
    widened by t / 2. None with a single value.
    """
    if len(values) < 2 or count < 1:
        return None
    widened = max(float(special.stdtrit(len(values) - 1, 0.975)) / 2.0, 1.0)
    return float(widened * np.std(values, ddof=1) / np.sqrt(count))


def rms_without_noise(step: FloatArray, sigma: float, /) -> float:
    """Return the root mean square of steps (n, 2), noise of `sigma` per axis taken out."""
    square = float(np.mean(np.sum(step**2, axis=1))) - 2.0 * sigma**2
    return float(np.sqrt(max(square, 0.0)))
