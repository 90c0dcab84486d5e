"""The length that 95 % of steps stay under, the noise of the capture taken out, and how sure it is.

Steps are a smooth part, which a low polynomial of place and pupil follows, and the rest. Of the rest so much
is rough error of the unit and its tables as its scatter exceeds the noise; the two are put together again
without the noise. Both the polynomial and the scatter stand up to a few per cent of wrong rows.
"""

import numpy as np
from scipy import special

from prewarp.chebyshev import count_of_degree, values_2d
from prewarp.checks import FloatArray, IntArray, extent
from prewarp.robust import RAYLEIGH_P95, robust_fit

SHARE = 0.95
# Highest degree over the place, and rows that each number of the polynomial needs.
_DEGREE, _ROWS_PER_NUMBER = 3, 20
# Pupils spread at least so far apart, mm, tell a slope.
_LEAST_SPREAD_MM = 0.05
_DRAWS, _SEED = 8, 11
_MOST_NUMBERS = 1_000_000


def length(step: FloatArray, /) -> float:
    """Return the length that 95 % of steps (n, 2) stay under, as they are."""
    return float(np.quantile(np.linalg.norm(step, axis=1), SHARE))


class Smooth:
    """The smooth part of steps over places (n, 2) and pupils (n, 3): found once, for any noise."""

    def __init__(self, step: FloatArray, place: FloatArray, pupil_mm: FloatArray, /) -> None:
        self.raw = length(step)
        design = _columns(place, pupil_mm)
        self._smooth = design @ robust_fit(design, step).coefficient
        self._numbers = design.shape[1]
        rest = step - self._smooth
        freedom = max(1.0 - self._numbers / len(step), 0.1)
        # Per axis; by the length that 95 % stay under, as it is used.
        self._scatter = length(rest) / RAYLEIGH_P95 / np.sqrt(freedom)

    @property
    def sigma(self) -> float:
        """What noise leaves unsure of the smooth part, 1-sigma per axis, RMS."""
        return float(self._scatter * np.sqrt(self._numbers / len(self._smooth)))

    def length(self, sigma: float, /) -> float:
        """Return the length that 95 % stay under without noise of `sigma` per axis; at most that with it.

        The rough part is drawn as normal; what is told is the length at 95 % of all rows and draws.
        """
        if not sigma > 0.0:
            return self.raw
        rough = float(np.sqrt(max(self._scatter**2 - sigma**2, 0.0)))
        smooth = self._smooth
        if len(smooth) * _DRAWS > _MOST_NUMBERS:
            smooth = smooth[:: -(-len(smooth) * _DRAWS // _MOST_NUMBERS)]
        random = np.random.default_rng(_SEED)
        drawn = smooth + rough * random.standard_normal((_DRAWS if rough > 0.0 else 1, *smooth.shape))
        return min(length(drawn.reshape(-1, 2)), self.raw)


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


def _columns(place: FloatArray, pupil_mm: FloatArray) -> FloatArray:
    """Return the polynomial's columns (n, k): of place, alone and times the pupil's x and y."""
    low, high = extent(place)
    x, y = ((2.0 * place - low - high) / np.maximum(high - low, 1e-12)).T
    spread = np.std(pupil_mm[:, :2], axis=0)
    shown = [axis for axis in range(2) if spread[axis] > _LEAST_SPREAD_MM]
    pupils = [np.ones(len(place))]
    pupils += [(pupil_mm[:, axis] - pupil_mm[:, axis].mean()) / spread[axis] for axis in shown]
    degree = _DEGREE
    while degree and count_of_degree(degree) * len(pupils) * _ROWS_PER_NUMBER > len(place):
        degree -= 1
    panel = values_2d(x, y, degree)
    return np.concatenate([panel * one for one in pupils]).T
