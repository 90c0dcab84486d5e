"""How far a percentile of moments may be off because there are only so many of them."""

import numpy as np
from numpy.typing import NDArray

from prewarp.checks import FloatArray

BlockArray = NDArray[np.uint8]
# Stretches of eye movement, one after the other: long beside a fixation, so what they hold is independent.
BLOCKS = 50


def percentile_interval(error: FloatArray, block: BlockArray, percent: float, /) -> tuple[float, float]:
    """Return the 95 % interval of a percentile of sorted errors (n,), given the block (n,) of each.

    The end is infinite where the errors do not reach so far, and the start 0.

    Notes
    -----
    Moments of one fixation are alike, so they count for less than their number. Each block's own share of
    errors below the percentile says how far that share may be off: mean +- t s / sqrt(blocks). The
    percentiles at both ends of that are the interval.

    References
    ----------
    R. S. Woodruff, J. Am. Stat. Assoc. 47 (1952) 635, from memory: intervals of percentiles from clustered
    samples.
    """
    # Slow to import; other commands start without it.
    from scipy.special import stdtrit

    if error.size == 0:
        return 0.0, np.inf
    value = np.percentile(error, percent)
    count = np.bincount(block, minlength=BLOCKS)
    below = np.bincount(block[: np.searchsorted(error, value, side="right")], minlength=BLOCKS)
    used = int(np.count_nonzero(count))
    if used < 2:
        return 0.0, np.inf
    # Blocks weigh by their moments: the share of all is sum(below) / sum(count).
    rest = below - count * (percent / 100.0)
    spread = np.sqrt(used / (used - 1.0) * np.sum(rest * rest)) / len(error)
    # No less than independent moments would leave.
    spread = max(spread, np.sqrt(percent * (100.0 - percent)) / 100.0 / np.sqrt(len(error)))
    half = 100.0 * float(stdtrit(used - 1, 0.975)) * spread
    low = float(np.percentile(error, percent - half)) if percent > half else 0.0
    return low, float(np.percentile(error, percent + half)) if percent + half < 100.0 else np.inf


def half_width(value: float, interval: tuple[float, float], /) -> float:
    """Return half of an interval's width over the value; 0 where all is 0, infinite where an end is open."""
    width = interval[1] - interval[0]
    if not np.isfinite(width):
        return np.inf
    return 0.5 * width / value if value > 0.0 else 0.0
