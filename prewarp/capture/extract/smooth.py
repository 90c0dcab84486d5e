"""A smooth map from panel to photograph: polynomials of both places, with first and second slopes."""

from dataclasses import dataclass

import numpy as np
from numpy.polynomial.chebyshev import chebder, chebval

from prewarp.checks import FloatArray

MOST_DEGREE = 8


@dataclass(frozen=True)
class SmoothMap:
    """Places in the photograph as polynomials of a total degree over the panel.

    `coefficients` (terms, 2) of products of Chebyshev polynomials of (panel - middle) / half.
    """

    degree: int
    middle: FloatArray
    half: FloatArray
    coefficients: FloatArray

    def __call__(self, panel: FloatArray) -> FloatArray:
        """Return places (n, 2), px."""
        place: FloatArray = _terms(self._scaled(panel), self.degree) @ self.coefficients
        return place

    def slopes(self, panel: FloatArray) -> FloatArray:
        """Return d place / d panel, (n, 2, 2), rows x and y of the photograph."""
        scaled = self._scaled(panel)
        along = [_terms(scaled, self.degree, axis) @ self.coefficients / self.half[axis] for axis in (0, 1)]
        return np.stack(along, axis=-1)

    def second(self, panel: FloatArray) -> FloatArray:
        """Return half the second slopes (n, 2, 3): of x and y, by du^2, du dv, dv^2."""
        scaled, half = self._scaled(panel), self.half
        orders = (
            ((2, 0), 0.5 / half[0] ** 2),
            ((1, 1), 1.0 / half[0] / half[1]),
            ((0, 2), 0.5 / half[1] ** 2),
        )
        parts = [
            _derived(scaled, self.degree, across, down) @ self.coefficients * factor
            for (across, down), factor in orders
        ]
        return np.stack(parts, axis=-1)

    def spacing(self, panel: FloatArray, pitch: float) -> FloatArray:
        """Return the distance (n,), px, at which dots `pitch` apart on the panel lie in the photograph."""
        size: FloatArray = pitch * np.sqrt(np.abs(np.linalg.det(self.slopes(panel))))
        return size

    def _scaled(self, panel: FloatArray) -> FloatArray:
        scaled: FloatArray = (panel - self.middle) / self.half
        return scaled


def fit_map(
    panel: FloatArray, place: FloatArray, degree: int, weight: FloatArray | None = None, steps: int = 4
) -> SmoothMap:
    """Return the map that carries panel points (n, 2) to places (n, 2), far ones counting less."""
    low, high = panel.min(axis=0), panel.max(axis=0)
    middle, half = (low + high) / 2.0, np.maximum((high - low) / 2.0, 1.0)
    terms = _terms((panel - middle) / half, degree)
    weight = np.ones(len(panel)) if weight is None else weight / weight.mean()
    robust = np.ones(len(panel))
    for _ in range(steps):
        root = np.sqrt(weight * robust)[:, None]
        found = np.linalg.lstsq(terms * root, place * root, rcond=1e-10)[0]
        off = np.hypot(*(terms @ found - place).T)
        scale = max(2.0 * float(np.median(off)), 1e-9)
        robust = 1.0 / (1.0 + (off / scale) ** 2)
    return SmoothMap(degree, middle, half, found)


def best_map(panel: FloatArray, place: FloatArray, most: int = MOST_DEGREE) -> SmoothMap:
    """Return a map of the highest degree that so many dots allow."""
    degree = 1
    while degree < most and len(panel) >= 3 * (degree + 2) * (degree + 3) // 2:
        degree += 1
    return fit_map(panel, place, degree)


def _terms(scaled: FloatArray, degree: int, axis: int | None = None) -> FloatArray:
    """Return products of Chebyshev polynomials (n, terms) up to a total degree, derived along an axis."""
    return _derived(scaled, degree, int(axis == 0), int(axis == 1))


def _derived(scaled: FloatArray, degree: int, across: int, down: int) -> FloatArray:
    """Return the terms derived so often along each axis."""
    in_u, in_v = (_chebyshev(scaled[:, k], degree, order) for k, order in ((0, across), (1, down)))
    pairs = [(i, j) for total in range(degree + 1) for i in range(total + 1) for j in (total - i,)]
    return np.stack([in_u[i] * in_v[j] for i, j in pairs], axis=1)


def _chebyshev(x: FloatArray, degree: int, order: int) -> FloatArray:
    """Return T_0 to T_degree (degree + 1, n), derived `order` times."""
    identity = np.eye(degree + 1)
    series = chebder(identity, order, axis=1) if order else identity
    return np.asarray(chebval(x, series.T), dtype=np.float64)
