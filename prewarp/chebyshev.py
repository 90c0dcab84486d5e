"""Chebyshev polynomials of one and more variables.

Functions of several variables are ordered by total degree, then by the last exponent, then by the one before
it: in two variables (0,0), (1,0), (0,1), (2,0), (1,1), (0,2), ... So the functions of a degree are the first
of any higher degree.
"""

from functools import lru_cache
from math import comb

import numpy as np

from prewarp.checks import FloatArray, IntArray

# Products of so many places are taken row by row.
_LONG = 1000


def count_of_degree(degree: int, /, variables: int = 2) -> int:
    """Return the number of polynomials of total degree <= `degree` (0 for a negative degree)."""
    return comb(degree + variables, variables) if degree >= 0 else 0


@lru_cache(maxsize=64)
def exponents_of_degree(degree: int, /, variables: int = 2) -> IntArray:
    """Return the exponents (count, variables) in graded order; read only."""
    table = np.indices((degree + 1,) * variables).reshape(variables, -1)
    table = table[:, table.sum(axis=0) <= degree]
    table = np.ascontiguousarray(table[:, np.lexsort((*table, table.sum(axis=0)))].T)
    table.setflags(write=False)
    return table


def graded_place(exponents: IntArray, /) -> IntArray:
    """Return where functions of two variables, exponents (k, 2), stand in graded order, (k,)."""
    degree = exponents.sum(axis=1)
    place: IntArray = degree * (degree + 1) // 2 + exponents[:, 1]
    return place


def nodes_1d(count: int, /) -> FloatArray:
    """Return the `count` zeros of T_count, rising; 0 for one."""
    return np.cos(np.pi * (np.arange(count)[::-1] + 0.5) / count) if count > 1 else np.zeros(1)


def values_1d(x: FloatArray, degree: int, /) -> FloatArray:
    """Return T_0 .. T_degree at x (n,) as rows, shape (degree + 1, n); T_k+1 = 2 x T_k - T_k-1."""
    table = np.empty((degree + 1, x.size))
    table[0] = 1.0
    if degree >= 1:
        table[1] = x
    twice = 2.0 * x
    for k in range(2, degree + 1):
        np.multiply(twice, table[k - 1], out=table[k])
        table[k] -= table[k - 2]
    return table


def derivatives_1d(x: FloatArray, degree: int, /) -> FloatArray:
    """Return dT_0/dx .. dT_degree/dx at x (n,), shape (degree + 1, n); T_k' = k U_k-1."""
    table = np.zeros((degree + 1, x.size))
    if degree == 0:
        return table
    previous, current = np.zeros_like(x), np.ones_like(x)
    twice = 2.0 * x
    for k in range(1, degree + 1):
        np.multiply(current, k, out=table[k])
        previous, current = current, twice * current - previous
    return table


def products(first: FloatArray, second: FloatArray, degree: int, /) -> FloatArray:
    """Return the graded products first[a] * second[b], a + b <= degree, shape (count, n)."""
    table = np.empty((count_of_degree(degree), first.shape[1]))
    for total in range(degree + 1):
        # Of one total degree: (total, 0), (total - 1, 1), .. (0, total).
        rows = slice(count_of_degree(total - 1), count_of_degree(total))
        np.multiply(first[total::-1], second[: total + 1], out=table[rows])
    return table


def values_2d(x: FloatArray, y: FloatArray, degree: int, /) -> FloatArray:
    """Return T_a(x) T_b(y) for all a + b <= degree in graded order, shape (count, n); x and y are (n,)."""
    return products(values_1d(x, degree), values_1d(y, degree), degree)


def chebyshev_terms(
    place: FloatArray, exponents: IntArray, /, *, derivative: int | None = None
) -> FloatArray:
    """Return (n, k) products of T_e over the variables of `place` (n, variables), exponents (k, variables).

    `derivative` takes the derivative by that variable.
    """
    tables = [
        (derivatives_1d if axis == derivative else values_1d)(place[:, axis], int(powers.max()))
        for axis, powers in enumerate(exponents.T)
    ]
    if len(place) < _LONG:
        result = tables[0][exponents[:, 0]]
        for table, powers in zip(tables[1:], exponents.T[1:], strict=True):
            np.multiply(result, table[powers], out=result)
        return result.T
    # Row by row, each in the core's cache until it is done; T_0 is 1.
    result = np.empty((len(exponents), len(place)))
    for row, own in zip(result, exponents.tolist(), strict=True):
        row[:] = tables[0][own[0]]
        for axis in range(1, len(own)):
            if own[axis] > 0 or axis == derivative:
                row *= tables[axis][own[axis]]
    return result.T
