"""Figure of a surface: departures from its nominal shape as Zernike polynomials over its semi-aperture.

Single index j = (n (n + 2) + m) / 2 and unit RMS over the circle, as in ANSI Z80.28 (the OSA's standard of
2002): Z_0 is a piston, Z_3 and Z_5 astigmatism, Z_4 defocus, Z_6 and Z_9 trefoil, Z_7 and Z_8 coma, Z_12
spherical. N_n^m R_n^|m|(r) cos m a for m >= 0, N_n^m R_n^|m|(r) sin |m| a below, r and a polar coordinates of
the place in units of the semi-aperture, a from +x to +y, N = sqrt((2 - [m = 0]) (n + 1)).
"""

from functools import lru_cache
from math import factorial

import numpy as np

from prewarp.checks import FloatArray

# Degree 8 at most.
MAX_TERMS = 45


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
    squared = u * u + v * v
    value, by_x, by_y = np.zeros_like(u), np.zeros_like(u), np.zeros_like(u)
    place = u + 1j * v
    for number, amount in enumerate(terms):
        if amount == 0.0:
            continue
        degree, order = degree_and_order(number)
        size = abs(order)
        series = np.array(_radial(degree, size))
        radial = np.polynomial.polynomial.polyval(squared, series)
        rate = np.polynomial.polynomial.polyval(squared, np.polynomial.polynomial.polyder(series))
        power = place**size
        # d(u + iv)^m is m (u + iv)^(m - 1) (du + i dv).
        lower = size * place ** (size - 1) if size else np.zeros_like(place)
        angular, along_x, along_y = (
            (part.imag if order < 0 else part.real) for part in (power, lower, 1j * lower)
        )
        value = value + amount * radial * angular
        by_x = by_x + amount / radius * (2.0 * u * rate * angular + radial * along_x)
        by_y = by_y + amount / radius * (2.0 * v * rate * angular + radial * along_y)
    return value, by_x, by_y
