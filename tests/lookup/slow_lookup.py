"""Lookups read term by term in float64 with numpy's Chebyshev series and scipy's B-splines."""

import numpy as np
from numpy.polynomial import chebyshev
from scipy.interpolate import BSpline

from prewarp.lookup.tables import Family
from tests.lookup.small_lookups import BOX_MM, SIZE

# Whole numbers of 1/65536 mm, so that the integer path starts from the same pupil.
PUPIL = np.array([1.25, -2.0, 0.75])


def slow_pupil(degree):
    unit = (2.0 * PUPIL - BOX_MM[0] - BOX_MM[1]) / (BOX_MM[1] - BOX_MM[0])
    values = []
    for total in range(degree + 1):
        for z in range(total + 1):
            for y in range(total - z + 1):
                x = total - y - z
                values.append(
                    np.prod(
                        [chebyshev.chebval(u, np.eye(9)[n]) for u, n in zip(unit, (x, y, z), strict=True)]
                    )
                )
    return np.array(values)


def slow_direction(lookup, place, pixel):
    """Direction (2,) of one panel point, term by term."""
    table = lookup.maps[place]
    s, t = 2.0 * pixel[0] / SIZE[0] - 1.0, 2.0 * pixel[1] / SIZE[1] - 1.0
    total = np.zeros(2) if table.base is None else slow_direction(lookup, table.base, pixel)
    if table.family == Family.CHEBYSHEV:
        pupil = slow_pupil(table.pupil_degree)
        for row, i, j, code in read_terms(table):
            panel = chebyshev.chebval(s, np.eye(41)[i]) * chebyshev.chebval(t, np.eye(41)[j])
            total[row // table.modes] += table.blocks[0].scale * code * pupil[row % table.modes] * panel
        return total
    surface = slow_surface(table)
    # Open uniform knots: node 0 at knot 3, one coefficient before it.
    ends = [np.arange(n + 4) - 3.0 for n in surface.shape[:2]]
    along = [(s + 1) / 2 * (table.columns - 3), (t + 1) / 2 * (table.rows - 3)]
    half = BSpline(ends[0], surface, 3)(along[0])
    return total + BSpline(ends[1], half, 3)(along[1])


def read_terms(table):
    """Yield (row, i, j, code) of the terms, bit by bit as LAYOUT.md tells it."""
    bits = [
        byte >> place & 1 for block in table.blocks for byte in block.numbers.tolist() for place in range(8)
    ]
    place = 0

    def take(count):
        nonlocal place
        place += count
        return sum(bit << n for n, bit in enumerate(bits[place - count : place]))

    for row in range(2 * table.modes if bits else 0):
        if take(1) == 0:
            continue
        top, choice = take(6), take(2)
        for parity in ([0], [1], [0, 1])[choice]:
            order = [(n, j) for n in range(top + 1) for j in range(parity, n + 1, 2)]
            for first in range(0, len(order), 8):
                width = [0, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 16, 20, 25][take(4)]
                for degree, j in order[first : first + 8]:
                    code = take(width)
                    yield row, degree - j, j, code - (1 << width if width and code >> (width - 1) else 0)
    assert not bits or (place + 56 <= len(bits) < place + 64 and not any(bits[place:]))


def slow_surface(table):
    s, t = ((np.arange(n) - 1.0) * 2.0 / (n - 3) - 1.0 for n in (table.columns, table.rows))
    grid_s, grid_t = np.meshgrid(s, t, indexing="ij")
    surface = np.stack(
        [table.affine[c, 0] + table.affine[c, 1] * grid_s + table.affine[c, 2] * grid_t for c in range(2)],
        axis=-1,
    )
    weights = table.blocks[0].numbers.astype(float).reshape(table.modes, -1) @ slow_pupil(table.pupil_degree)
    modes = [block.values().reshape(surface.shape) for block in table.blocks[1:]]
    return surface + sum(w * one for w, one in zip(weights, modes, strict=True))
