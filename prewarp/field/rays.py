"""Rays that are lit or dark, and how likely edges leave them so: sums over all of them, few at a time.

Where functions of the rays would need much memory (a million rays times a hundred of them: a gigabyte) they
are made again for each sum.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from scipy.special import expit, log_expit

from prewarp.chebyshev import graded_place, values_2d
from prewarp.checks import BoolArray, FloatArray, IntArray

# Pull of coefficients towards zero, per unit of squared coefficient: data without noise leave them free to
# grow for ever. The border hardly depends on it (a tenth of it moves the border by less than 0.02 spacings).
RIDGE = 1e-3
# Logarithms of chances keep this far from those of certainty and of none.
_SURE, _HOPELESS = -1e-300, -700.0
# Rays at a time: their functions fit into a core's cache.
CHUNK = 4096
# Functions are kept where they need less.
_KEPT_BYTES = 128 << 20


class RayFunctions:
    """Chebyshev functions with `exponents` (k, 4) of rays at `place` (n, 4), u, v, x0, y0 normalised.

    Called with a slice of the rays it returns their functions, (k, m).
    """

    def __init__(self, place: FloatArray, exponents: IntArray) -> None:
        self._columns = np.ascontiguousarray(place.T)
        panel, pupil = (exponents[:, axes].sum(axis=1) for axes in (slice(2), slice(2, 4)))
        self._degrees = int(panel.max()), int(pupil.max())
        self._panel, of_pupil = graded_place(exponents[:, :2]), graded_place(exponents[:, 2:])
        # Functions of the panel that go with one function of the pupil.
        self._blocks = [(one, np.flatnonzero(of_pupil == one)) for one in np.unique(of_pupil).tolist()]
        self._table: FloatArray | None = None
        if 8 * len(exponents) * len(place) <= _KEPT_BYTES:
            self._table = np.empty((len(exponents), len(place)))
            for low in range(0, len(place), CHUNK):
                part = slice(low, low + CHUNK)
                self._table[:, part] = self._made(part)

    def __call__(self, part: slice) -> FloatArray:
        return self._made(part) if self._table is None else self._table[:, part]

    def _made(self, part: slice) -> FloatArray:
        u, v, x, y = self._columns[:, part]
        panel, pupil = values_2d(u, v, self._degrees[0]), values_2d(x, y, self._degrees[1])
        result = np.empty((len(self._panel), len(u)))
        for of_pupil, rows in self._blocks:
            result[rows] = panel[self._panel[rows]] * pupil[of_pupil]
        return result


@dataclass(frozen=True, eq=False)
class Rays:
    """n rays of which `lit` (n,) are lit, and what gives their functions (k, m) for a slice of them.

    Each stands for `weight` (n,) rays, for one where that is left out.

    Coefficients of edges are (edges, k): a ray is lit with the chance that all edges let it pass, which are
    independent of each other, each the logistic function of its sum.
    """

    functions: Callable[[slice], FloatArray]
    lit: BoolArray
    weight: FloatArray | None = None

    def cost(self, coefficients: FloatArray) -> float:
        """Return minus the logarithm of the likelihood, with half of `RIDGE` times the squares."""
        likelihood = 0.0
        for functions, lit, weight in self._parts():
            likelihood += _likelihood(_log_chance(coefficients @ functions), lit, weight)
        return _ridge(coefficients) - likelihood

    def derivatives(self, coefficients: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        """Return `cost`; its slope (edges, k) downhill; and its expected curvature (edges k, edges k)."""
        likelihood, slope = 0.0, -RIDGE * coefficients
        curvature = RIDGE * np.eye(coefficients.size)
        for functions, lit, weight in self._parts():
            total = coefficients @ functions
            chance = _log_chance(total)
            likelihood += _likelihood(chance, lit, weight)
            odds = np.exp(chance) / -np.expm1(chance)
            stopped = expit(-total)
            slope += (stopped * (weight * np.where(lit, 1.0, -odds))) @ functions.T
            # Expected curvature: the slopes' own products.
            each = np.sqrt(weight * odds) * stopped
            wide = (each[:, None] * functions).reshape(coefficients.size, -1)
            curvature += wide @ wide.T
        return _ridge(coefficients) - likelihood, slope, curvature

    def _parts(self) -> Iterator[tuple[FloatArray, BoolArray, FloatArray]]:
        weight = np.ones(len(self.lit)) if self.weight is None else self.weight
        for low in range(0, len(self.lit), CHUNK):
            part = slice(low, low + CHUNK)
            yield self.functions(part), self.lit[part], weight[part]


def _ridge(coefficients: FloatArray) -> float:
    return float(0.5 * RIDGE * np.sum(coefficients * coefficients))


def _log_chance(total: FloatArray) -> FloatArray:
    """Return the logarithm (m,) of the chance of light for the sums (edges, m) of rays."""
    return np.asarray(np.clip(log_expit(total).sum(axis=0), _HOPELESS, _SURE))


def _likelihood(chance: FloatArray, lit: BoolArray, weight: FloatArray) -> float:
    return float(weight[lit] @ chance[lit] + weight[~lit] @ np.log(-np.expm1(chance[~lit])))
