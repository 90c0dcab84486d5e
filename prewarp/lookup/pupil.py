"""Pupil functions: Chebyshev polynomials of the three pupil coordinates up to a total degree, in a fixed order.

Depth z is a coordinate like x and y, so that the weights of a whole mesh follow from the pupil position alone, once per
update. (Ray constancy, f(u, v, x - z tx, y - z ty), needs fewer numbers but a solve at every node; see DEVELOPERS.md.)
"""

import numpy as np

from prewarp.chebyshev import chebyshev_terms, count_of_degree, exponents_of_degree
from prewarp.checks import FloatArray, IntArray


def pupil_exponents(degree: int, /) -> IntArray:
    """Return exponents (count, 3) of x, y, z: by total degree, then by rising z, then by rising y; read only."""
    return exponents_of_degree(degree, 3)


def pupil_count(degree: int, /) -> int:
    """Return the number of three-variable polynomials of total degree <= `degree`."""
    return count_of_degree(degree, 3)


def unit_pupil(pupil_mm: FloatArray, box_mm: FloatArray, /) -> FloatArray:
    """Return pupil positions (..., 3) on -1 to 1 over the box (2, 3), clamped to it; 0 along a side without length."""
    low, high = np.asarray(box_mm, dtype=float)
    length = high - low
    safe = np.where(length > 0.0, length, 1.0)
    unit = np.where(length > 0.0, (2.0 * np.asarray(pupil_mm, dtype=float) - low - high) / safe, 0.0)
    return np.clip(unit, -1.0, 1.0)


def pupil_values(unit: FloatArray, degree: int, /) -> FloatArray:
    """Return the pupil functions (n, count) at unit pupil positions (n, 3), float64."""
    return chebyshev_terms(unit, pupil_exponents(degree))
