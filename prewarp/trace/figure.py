"""Figure of a surface: departures from its nominal shape as Zernike polynomials over its semi-aperture.

Single index j = (n (n + 2) + m) / 2 and unit RMS over the circle, as in ANSI Z80.28 (the OSA's standard of
2002): Z_0 is a piston, Z_3 and Z_5 astigmatism, Z_4 defocus, Z_6 and Z_9 trefoil, Z_7 and Z_8 coma, Z_12
spherical. N_n^m R_n^|m|(r) cos m a for m >= 0, N_n^m R_n^|m|(r) sin |m| a below, r and a polar coordinates of
the place in units of the semi-aperture, a from +x to +y, N = sqrt((2 - [m = 0]) (n + 1)).
"""

from functools import lru_cache
from math import comb, factorial

import numpy as np

from prewarp.checks import FloatArray

# Degree 8 at most.
MAX_TERMS = 45
_DEGREES = 9


def degree_and_order(place: int, /) -> tuple[int, int]:
    """Return the degree n and the signed order m of a single index j."""
    degree = int(np.ceil((-3.0 + np.sqrt(9.0 + 8.0 * place)) / 2.0))
    return degree, 2 * place - degree * (degree + 2)


@lru_cache(maxsize=64)
def _radial(degree: int, order: int) -> tuple[float, ...]:
    """Return R_n^m(r) / r^m as coefficients of r^0, r^2, ..., times the norm."""
    norm = np.sqrt((1.0 if order == 0 else 2.0) * (degree + 1.0))
    steps = (degree - order) // 2
    falling = [
        (-1.0) ** k
        * factorial(degree - k)
        / (factorial(k) * factorial((degree + order) // 2 - k) * factorial(steps - k))
        for k in range(steps + 1)
    ]
    return tuple(float(norm * one) for one in reversed(falling))


def figure_and_slopes(
    terms: tuple[float, ...], radius: float, x: FloatArray, y: FloatArray, /
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the departure (...) and its slopes by x and by y.

    `terms` are coefficients of Z_0, Z_1, ...; `radius`, `x`, `y` and the result share one unit of length, as
    terms do. Outside the circle the polynomials go on.
    """
    u, v = x / radius, y / radius
    table = sum(
        (amount * _plain(number) for number, amount in enumerate(terms) if amount != 0.0),
        np.zeros((_DEGREES, _DEGREES)),
    )
    i, j = np.nonzero(table)
    if len(i) == 0:
        return np.zeros_like(u), np.zeros_like(u), np.zeros_like(u)
    amount = table[i, j]
    degree = int((i + j).max())
    powers_u, powers_v = _powers(u, degree), _powers(v, degree)
    low_i, low_j = np.maximum(i - 1, 0), np.maximum(j - 1, 0)
    value = np.einsum("k,kn,kn->n", amount, powers_u[i], powers_v[j])
    by_x = np.einsum("k,kn,kn->n", amount * i / radius, powers_u[low_i], powers_v[j])
    by_y = np.einsum("k,kn,kn->n", amount * j / radius, powers_u[i], powers_v[low_j])
    return value.reshape(u.shape), by_x.reshape(u.shape), by_y.reshape(u.shape)


def _powers(x: FloatArray, degree: int) -> FloatArray:
    """Return x^0 to x^degree as rows."""
    table = np.ones((degree + 1, x.size))
    for power in range(1, degree + 1):
        np.multiply(table[power - 1], x.ravel(), out=table[power])
    return table


@lru_cache(maxsize=MAX_TERMS)
def _plain(number: int) -> FloatArray:
    """Return Z_number as coefficients of u^i v^j, (9, 9); read only."""
    degree, order = degree_and_order(number)
    table = np.zeros((_DEGREES, _DEGREES))
    size = abs(order)
    for power, coefficient in enumerate(_radial(degree, size)):
        # r^(2 power) = sum of binomials of u^2 and v^2; (u + iv)^size likewise, its real or imaginary part.
        for a in range(power + 1):
            for b in range(size + 1):
                if b % 2 == (order < 0):
                    sign = (-1.0) ** (b // 2)
                    table[2 * (power - a) + size - b, 2 * a + b] += (
                        sign * coefficient * comb(power, a) * comb(size, b)
                    )
    table.setflags(write=False)
    return table
