"""The vignetting edge: where a channel's light ends, as a smooth surface over panel point and pupil position.

Past the edge of a lens or mirror luminance falls to nothing within a fraction of the pupil's width. A smooth
map cannot follow that and should not: light from there is of no use to a blend. So samples are told apart
into lit and dark, and logistic regression (D. R. Cox, J. R. Stat. Soc. B 20 (1958) 215, from memory) on a
cubic in all four variables finds the border.
"""

from dataclasses import dataclass
from itertools import combinations_with_replacement

import numpy as np

from prewarp.checks import BoolArray, FloatArray

DEGREE = 3
_STEPS = 40
# Perfectly separable samples would drive the coefficients to infinity; this holds them and hardly moves the
# border.
_RIDGE = 1e-3
_MAX_SAMPLES = 6000
_STOP = 1e-6


@dataclass(frozen=True)
class VignettingEdge:
    """`coefficients` (k,) of the monomials up to degree `DEGREE` in (u', v', x', y'), each about -1 to 1."""

    coefficients: FloatArray

    def depth(self, place: FloatArray, /) -> FloatArray:
        """Return the log odds (n,) of being lit at places (4, n); above 0 is inside."""
        return self.coefficients @ _monomials(place)


def fit_edge(place: FloatArray, lit: BoolArray, /) -> VignettingEdge:
    """Fit the border between lit and dark samples at places (4, n) by Newton's method; both are needed."""
    count = len(lit)
    if count > _MAX_SAMPLES:
        # Every n-th of a well mixed order: the same subset every time.
        chosen = np.random.default_rng(0).permutation(count)[:_MAX_SAMPLES]
        # Dark samples are few and say where the border is: none is left out.
        chosen = np.union1d(chosen, np.flatnonzero(~lit)[:_MAX_SAMPLES])
        place, lit = place[:, chosen], lit[chosen]
    basis = _monomials(place)
    wanted = lit.astype(float)
    coefficients = np.zeros(len(basis))
    for _ in range(_STEPS):
        odds = np.clip(coefficients @ basis, -30.0, 30.0)
        probability = 1.0 / (1.0 + np.exp(-odds))
        slope = basis @ (wanted - probability) - _RIDGE * coefficients
        curvature = (basis * (probability * (1.0 - probability))) @ basis.T + _RIDGE * np.eye(len(basis))
        step = np.linalg.solve(curvature, slope)
        # Newton may overshoot where nearly all samples are certain; half a step at most doubles the odds.
        size = np.max(np.abs(step @ basis))
        coefficients = coefficients + step * min(1.0, 8.0 / max(size, 1e-300))
        if size < _STOP:
            break
    return VignettingEdge(coefficients)


def _monomials(place: FloatArray) -> FloatArray:
    rows = [np.ones(place.shape[1])]
    for degree in range(1, DEGREE + 1):
        rows += [
            np.prod(place[list(chosen)], axis=0) for chosen in combinations_with_replacement(range(4), degree)
        ]
    return np.stack(rows)
