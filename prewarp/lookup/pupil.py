"""Pupil functions: Chebyshev polynomials of three pupil coordinates up to a total degree, in a fixed order.

Depth z is a coordinate like x and y, so that the weights of a whole mesh follow from the pupil position
alone, once per update. (Ray constancy, f(u, v, x - z tx, y - z ty), needs fewer numbers but a solve at every
node; see DEVELOPERS.md.)
"""

from functools import lru_cache

import numpy as np

from prewarp.chebyshev import chebyshev_terms, count_of_degree, exponents_of_degree
from prewarp.checks import FloatArray, IntArray


def pupil_exponents(degree: int, /) -> IntArray:
    """Return exponents (count, 3) of x, y, z: by total degree, then by rising z, then y; read only."""
    return exponents_of_degree(degree, 3)


def pupil_count(degree: int, /) -> int:
    """Return the number of three-variable polynomials of total degree <= `degree`."""
    return count_of_degree(degree, 3)


def pupil_values(unit: FloatArray, degree: int, /) -> FloatArray:
    """Return the pupil functions (n, count) at unit pupil positions (n, 3), float64."""
    return chebyshev_terms(unit, pupil_exponents(degree))


@lru_cache(maxsize=32)
def region_exponents(degree: int, pupil_degree: int, /) -> IntArray:
    """Return exponents (count, 4) of u, v, x0, y0, graded, of at most `pupil_degree` in the last two."""
    every = exponents_of_degree(degree, 4)
    kept = every[every[:, 2:].sum(axis=1) <= pupil_degree]
    kept.setflags(write=False)
    return np.asarray(kept)
