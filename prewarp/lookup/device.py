"""The device's float path in numpy, bit for bit: every operation in float32, in the order of the C sources.

Panel points are scaled to s, t on -1 to 1. `prepare` sums the pupil part once; what is left is a small table
A of coefficients over the panel, from which meshes and single points are read:

Chebyshev   t = sum_j T_j(t) sum_i A[i, j] T_i(s): u first; even and odd j are summed apart, then added;
            in a mesh, those of a map and of its base are added first
spline      u first: 4 coefficients along columns, then 4 along rows
"""

from dataclasses import dataclass
from enum import IntEnum
from functools import lru_cache, reduce
from operator import add

import numpy as np
from numpy.typing import NDArray

from prewarp.chebyshev import count_of_degree
from prewarp.checks import BoolArray, FloatArray, as_pixel, as_pupil, as_tangent
from prewarp.lookup.chebyshev_terms import terms_of
from prewarp.lookup.mesh_modes import coefficient_positions
from prewarp.lookup.pupil import pupil_exponents
from prewarp.lookup.tables import Family, Lookup, MapTable

Float32Array = NDArray[np.float32]
_F = np.float32
# Newton's method of `panel_from_direction`: slopes by differences, steps and places in units of half a panel.
INVERSE_STEPS = 24
START_DIFFERENCE = _F(0.5)
DIFFERENCE = _F(0.0078125)
LONGEST_STEP = _F(0.5)
FARTHEST = _F(1.0625)
DONE = _F(1.9073486328125e-06)
# So many places are summed at once: what is in work stays in a fast cache.
_AT_ONCE = 2048


class Status(IntEnum):
    """Outcome of a single-point lookup; the values are those of the C evaluator."""

    OK = 0
    OFF_PANEL = 1
    NOT_CONVERGED = 2


@dataclass(frozen=True)
class PreparedMap:
    """A map for one pupil position.

    `coefficients`: (2, panel functions), or (columns, rows, 2), float32. `base`, if any, is added to it.
    """

    family: Family
    columns: int
    rows: int
    panel_size_px: tuple[int, int]
    coefficients: Float32Array
    base: "PreparedMap | None" = None

    def mesh(self, columns: int, rows: int, /) -> Float32Array:
        """Return directions (rows, columns, 2) of a mesh of evenly spaced panel nodes, edge to edge."""
        across, down = node_positions(columns), node_positions(rows)
        if self.family == Family.CHEBYSHEV:
            parts = self._chebyshev_lattice(across, down)
            if self.base is not None and self.base.family == Family.CHEBYSHEV:
                even, odd = self.base._chebyshev_lattice(across, down) + parts
                return np.asarray(even + odd)
            own = parts[0] + parts[1]
        else:
            own = self._spline_at(across[None, :], down[:, None])
        return own if self.base is None else np.asarray(self.base.mesh(columns, rows) + own)

    def direction_from_panel(self, pixel: FloatArray, /) -> Float32Array:
        """Return directions (..., 2) of panel points (..., 2), px."""
        place = self._place(pixel)
        return self._at(place[..., 0], place[..., 1])

    def _place(self, pixel: FloatArray) -> Float32Array:
        """Return panel points (..., 2), px, on -1 to 1."""
        size = np.array(self.panel_size_px, dtype=np.float32)
        return np.asarray((_F(2.0) * as_pixel(pixel).astype(np.float32) - size) / size)

    def panel_from_direction(
        self, tangent: FloatArray, /, *, near: FloatArray | None = None
    ) -> tuple[Float32Array, NDArray[np.int64]]:
        """Return panel points (..., 2), px, and the `Status` (...) of each, for directions (..., 2).

        A device begins in the middle of the panel. `near`: panel points (..., 2), px, to begin with instead:
        quicker where they are near, and then not the same to the last bit.
        """
        wanted = as_tangent(tangent).astype(np.float32)
        goal = wanted.reshape(-1, 2)
        place = np.zeros_like(goal) if near is None else self._place(near).reshape(-1, 2)
        done = np.zeros(len(goal), dtype=bool)
        stuck = np.zeros(len(goal), dtype=bool)
        for step in range(INVERSE_STEPS):
            active = np.flatnonzero(~done & ~stuck)
            if active.size == 0:
                break
            difference = START_DIFFERENCE if step == 0 and near is None else DIFFERENCE
            moved, done[active], stuck[active] = self._newton_step(place[active], goal[active], difference)
            place[active] = np.where(stuck[active, None], place[active], moved)
        inside = np.all(np.abs(place) <= _F(1.0) + DONE, axis=1)
        status = np.where(done, np.where(inside, Status.OK, Status.OFF_PANEL), Status.NOT_CONVERGED)
        half = np.array(self.panel_size_px, dtype=np.float32) * _F(0.5)
        pixel = (place + _F(1.0)) * half
        return pixel.reshape(wanted.shape), status.reshape(wanted.shape[:-1])

    def _newton_step(
        self, place: Float32Array, goal: Float32Array, difference: np.float32
    ) -> tuple[Float32Array, BoolArray, BoolArray]:
        s, t = place[:, 0], place[:, 1]
        along = self._along(s)
        here = self._across(along, s, t)
        by_s = (self._at(s + difference, t) - here) / difference
        by_t = (self._across(along, s, t + difference) - here) / difference
        rest = goal - here
        with np.errstate(all="ignore"):
            determinant = by_s[:, 0] * by_t[:, 1] - by_t[:, 0] * by_s[:, 1]
            move_s = (rest[:, 0] * by_t[:, 1] - by_t[:, 0] * rest[:, 1]) / determinant
            move_t = (by_s[:, 0] * rest[:, 1] - rest[:, 0] * by_s[:, 1]) / determinant
        move = np.stack([_bounded(move_s, LONGEST_STEP), _bounded(move_t, LONGEST_STEP)], axis=-1)
        moved = _bounded(place + move, FARTHEST)
        stuck = determinant == 0.0
        return moved, np.all(np.abs(move) <= DONE, axis=1) & ~stuck, stuck

    def _at(self, s: Float32Array, t: Float32Array) -> Float32Array:
        return self._across(self._along(s), s, t)

    def _along(self, s: Float32Array) -> list[Float32Array | None]:
        """Return what the sums over u come to at s, of this map, its base and so on; None of a spline."""
        own = self._chebyshev_along(s) if self.family == Family.CHEBYSHEV else None
        return [own] if self.base is None else [own, *self.base._along(s)]

    def _across(self, along: list[Float32Array | None], s: Float32Array, t: Float32Array) -> Float32Array:
        """Return directions (..., 2) at s, t, `along` from `_along` of the same s."""
        first = along[0]
        own = self._spline_at(s, t) if first is None else _chebyshev_across(first, t)
        return own if self.base is None else self.base._across(along[1:], s, t) + own

    def _chebyshev_along(self, s: Float32Array) -> Float32Array:
        """Return sum_i A[i, j] T_i(s) for every j, (degree + 1, 2, ...)."""
        degree = self.columns - 1
        flat = s.reshape(-1)
        # Sums of two places or more are added term by term, as a device adds; of one alone pairwise.
        flat = flat if flat.size > 1 else np.repeat(flat, 2)
        totals = np.empty((degree + 1, 2, flat.size), dtype=np.float32)
        places = _places_along(degree)
        for start in range(0, flat.size, _AT_ONCE):
            end = min(start + _AT_ONCE, flat.size)
            # None is left over alone.
            start = min(start, end - 2)
            in_s = np.stack(chebyshev_values(flat[start:end], degree))
            products = np.empty_like(in_s)
            for j, own in enumerate(places):
                for component in range(2):
                    part = products[: len(own)]
                    np.multiply(in_s[: len(own)], self.coefficients[component, own][:, None], out=part)
                    np.add.reduce(part, axis=0, out=totals[j, component, start:end])
        return totals[..., : s.size].reshape(degree + 1, 2, *s.shape)

    def _chebyshev_lattice(self, across: Float32Array, down: Float32Array) -> Float32Array:
        """Return the sums over even and over odd j: (2, rows, columns, 2)."""
        degree = self.columns - 1
        in_s, in_t = chebyshev_values(across, degree), chebyshev_values(down, degree)
        parts = np.zeros((2, len(down), len(across), 2), dtype=np.float32)
        for j in range(degree + 1):
            total = np.zeros((len(across), 2), dtype=np.float32)
            for i in range(degree + 1 - j):
                total = total + self.coefficients[:, graded_place(i, j)] * in_s[i][:, None]
            parts[j % 2] = parts[j % 2] + total * in_t[j][:, None, None]
        return parts

    def _spline_at(self, s: Float32Array, t: Float32Array) -> Float32Array:
        """Return (..., 2); `s` and `t` broadcast."""
        column, across = spline_weights(s, self.columns)
        row, down = spline_weights(t, self.rows)

        def line(tap: int) -> Float32Array:
            numbers = (self.coefficients[column + step, row + tap] for step in range(4))
            return reduce(add, (factor[..., None] * one for factor, one in zip(across, numbers, strict=True)))

        return reduce(add, (weight[..., None] * line(tap) for tap, weight in enumerate(down)))


def _chebyshev_across(along: Float32Array, t: Float32Array) -> Float32Array:
    """Return sum_j T_j(t) along[j] as (..., 2): even j and odd j apart, then both."""
    parts = np.zeros((2, *along.shape[1:]), dtype=np.float32)
    product = np.empty(along.shape[1:], dtype=np.float32)
    for j, in_t in enumerate(chebyshev_values(t, len(along) - 1)):
        np.multiply(along[j], in_t, out=product)
        np.add(parts[j % 2], product, out=parts[j % 2])
    return np.moveaxis(parts[0] + parts[1], 0, -1)


@lru_cache(maxsize=8)
def _places_along(degree: int) -> tuple[NDArray[np.int64], ...]:
    """Return for every j the places of T_i(s) T_j(t) over i."""
    return tuple(
        np.array([graded_place(i, j) for i in range(degree + 1 - j)], dtype=np.int64)
        for j in range(degree + 1)
    )


def graded_place(i: int, j: int, /) -> int:
    """Return the place of T_i(s) T_j(t) in the graded order."""
    return (i + j) * (i + j + 1) // 2 + j


def node_positions(count: int, /) -> Float32Array:
    """Return evenly spaced nodes on -1 to 1: (2 place - last) / last, so that they mirror exactly."""
    last = _F(count - 1)
    return (_F(2.0) * np.arange(count, dtype=np.float32) - last) / last


def chebyshev_values(x: Float32Array, degree: int, /) -> list[Float32Array]:
    """Return T_0 .. T_degree by T_k+1 = (2 x) T_k - T_k-1, float32."""
    values = [np.ones_like(x), x]
    twice = _F(2.0) * x
    for _ in range(degree - 1):
        values.append(twice * values[-1] - values[-2])
    return values[: degree + 1]


def spline_weights(x: Float32Array, coefficients: int, /) -> tuple[NDArray[np.int64], list[Float32Array]]:
    """Return the first of four coefficients (...) along an axis at x on -1 to 1, and their weights."""
    last = _F(coefficients - 4)
    place = ((x + _F(1.0)) * _F(0.5)) * (last + _F(1.0))
    first = _held(place, last).astype(np.int64)
    t = place - first.astype(np.float32)
    s = _F(1.0) - t
    six = _F(6.0)
    return first, [
        s * s * s / six,
        ((_F(3.0) * t - six) * t * t + _F(4.0)) / six,
        (((_F(-3.0) * t + _F(3.0)) * t + _F(3.0)) * t + _F(1.0)) / six,
        t * t * t / six,
    ]


def unit_pupil_32(pupil_mm: FloatArray, box_mm: FloatArray, /) -> Float32Array:
    """Return a pupil position (3,) on -1 to 1 over the box, clamped, in float32."""
    pupil = as_pupil(pupil_mm).reshape(3).astype(np.float32)
    low, high = np.asarray(box_mm, dtype=np.float32)
    unit = np.zeros(3, dtype=np.float32)
    for axis in range(3):
        if high[axis] > low[axis]:
            unit[axis] = ((pupil[axis] - low[axis]) + (pupil[axis] - high[axis])) / (high[axis] - low[axis])
    return _bounded(unit, _F(1.0))


def pupil_values_32(unit: Float32Array, degree: int, /) -> Float32Array:
    """Return the pupil functions (count,): (T_x T_y) T_z."""
    x, y, z = (chebyshev_values(unit[axis : axis + 1], degree) for axis in range(3))
    return np.array([(x[a][0] * y[b][0]) * z[c][0] for a, b, c in pupil_exponents(degree)], dtype=np.float32)


def prepare(lookup: Lookup, place: int, pupil_mm: FloatArray, /) -> PreparedMap:
    """Sum the pupil part of a map for one pupil position (3,), mm; moved into the box where outside."""
    table = lookup.maps[place]
    unit = unit_pupil_32(pupil_mm, lookup.pupil_box_mm)
    sums = _chebyshev_sums if table.family == Family.CHEBYSHEV else _mode_sums
    base = None if table.base is None else prepare(lookup, table.base, pupil_mm)
    size_px = lookup.panel_sizes_px[table.channel]
    return PreparedMap(table.family, table.columns, table.rows, size_px, sums(table, unit), base)


def _chebyshev_sums(table: MapTable, unit: Float32Array) -> Float32Array:
    values = pupil_values_32(unit, table.pupil_degree)
    total = np.zeros((2, count_of_degree(table.columns - 1)), dtype=np.float32)
    codes, step = terms_of(table)
    for pupil in np.flatnonzero(codes.any(axis=(0, 2))):
        total += (values[pupil] * _F(step)) * codes[:, pupil].astype(np.float32)
    return total


def _mode_sums(table: MapTable, unit: Float32Array) -> Float32Array:
    s, t = coefficient_positions(table.columns)[:, None], coefficient_positions(table.rows)[None, :]
    plane = [(constant + per_s * s) + per_t * t for constant, per_s, per_t in table.affine.astype(np.float32)]
    total = np.stack(plane, axis=-1)
    values = pupil_values_32(unit, table.pupil_degree)
    polynomials = table.blocks[0].numbers.astype(np.float32).reshape(table.modes, -1)
    for polynomial, block in zip(polynomials, table.blocks[1:], strict=True):
        # One after another, as in C.
        weight = reduce(
            add, (factor * value for factor, value in zip(polynomial, values, strict=True)), _F(0.0)
        )
        total += (weight * _F(block.scale)) * block.numbers.astype(np.float32).reshape(total.shape)
    return total


def _held(place: Float32Array, last: np.float32) -> Float32Array:
    """Return place cut to 0 .. last; NaN becomes 0, as in C."""
    above = np.where(place > _F(0.0), place, _F(0.0))
    return np.where(above < last, above, last)


def _bounded(value: Float32Array, limit: np.float32) -> Float32Array:
    """Return value cut to -limit .. limit; NaN becomes -limit, as in C."""
    above = np.where(value > -limit, value, -limit)
    return np.where(above < limit, above, limit)
