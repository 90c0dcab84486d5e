"""Pupil functions: Chebyshev polynomials of the three pupil coordinates up to a total degree, in a fixed order.

Depth z is a coordinate like x and y, so that the weights of a whole mesh follow from the pupil position alone, once per
update. (Ray constancy, f(u, v, x - z tx, y - z ty), needs fewer numbers but a solve at every node; see DEVELOPERS.md.)
"""

from functools import lru_cache

import numpy as np

from prewarp.checks import FloatArray, IntArray
from prewarp.fitting.chebyshev import values_1d


@lru_cache(maxsize=16)
def pupil_exponents(degree: int, /) -> IntArray:
    """Return exponents (count, 3) of x, y, z: by total degree, then by rising z, then by rising y; read only."""
    table = np.array(
        [
            (total - y - z, y, z)
            for total in range(degree + 1)
            for z in range(total + 1)
            for y in range(total - z + 1)
        ],
        dtype=np.int64,
    )
    table.setflags(write=False)
    return table


def pupil_count(degree: int, /) -> int:
    """Return the number of three-variable polynomials of total degree <= `degree`."""
    return (degree + 1) * (degree + 2) * (degree + 3) // 6


def unit_pupil(pupil_mm: FloatArray, box_mm: FloatArray, /) -> FloatArray:
    """Return pupil positions (..., 3) on -1 to 1 over the box (2, 3), clamped to it; 0 along a side without length."""
    low, high = np.asarray(box_mm, dtype=float)
    length = high - low
    safe = np.where(length > 0.0, length, 1.0)
    unit = np.where(length > 0.0, (2.0 * np.asarray(pupil_mm, dtype=float) - low - high) / safe, 0.0)
    return np.clip(unit, -1.0, 1.0)


def pupil_values(unit: FloatArray, degree: int, /) -> FloatArray:
    """Return the pupil functions (n, count) at unit pupil positions (n, 3), float64."""
    tables = [values_1d(np.ascontiguousarray(unit[:, axis]), degree) for axis in range(3)]
    x, y, z = pupil_exponents(degree).T
    return (tables[0][x] * tables[1][y] * tables[2][z]).T
