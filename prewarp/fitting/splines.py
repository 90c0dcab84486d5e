"""Panel bases of the mesh family: uniform cubic B-splines, alone and on top of a polynomial trend."""

from dataclasses import dataclass

import numpy as np

from prewarp.checks import FloatArray, IntArray
from prewarp.fitting.chebyshev import ChebyshevPanel

# Cubic B-splines over one cell, s in [0, 1): row a holds the coefficients of 1, s, s^2, s^3 of the a-th of
# the four that reach it (de Boor, A Practical Guide to Splines, uniform knots).
CELL = (
    np.array([[1.0, -3.0, 3.0, -1.0], [4.0, 0.0, -6.0, 3.0], [1.0, 3.0, 3.0, -3.0], [0.0, 0.0, 0.0, 1.0]])
    / 6.0
)
REACH = 4


def cell_values(s: FloatArray, /) -> FloatArray:
    """Return the four B-splines of a cell at s (n,), shape (4, n)."""
    return CELL @ np.stack([np.ones_like(s), s, s * s, s * s * s])


def cell_slopes(s: FloatArray, /) -> FloatArray:
    """Return the derivatives of the four B-splines of a cell by s at s (n,), shape (4, n)."""
    return CELL[:, 1:] @ np.stack([np.ones_like(s), 2.0 * s, 3.0 * s * s])


@dataclass(frozen=True)
class SplinePanel:
    """Tensor-product cubic B-splines on equal cells over the panel; beyond its edges the end cells go on.

    Parameters
    ----------
    size_px : (int, int)
        Panel width and height, px.
    cells : (int, int)
        Cells in u and in v. There are (cells_u + 3) (cells_v + 3) functions, v running fastest.
    """

    size_px: tuple[int, int]
    cells: tuple[int, int]

    @property
    def shape(self) -> tuple[int, int]:
        """Number of functions in u and in v."""
        return self.cells[0] + 3, self.cells[1] + 3

    @property
    def count(self) -> int:
        """Number of basis functions."""
        return self.shape[0] * self.shape[1]

    def locate(self, position: FloatArray, axis: int, /) -> tuple[IntArray, FloatArray]:
        """Return the cell of positions (n,) px along an axis and the place in it, 0 to 1; more at edges."""
        scaled = position * (self.cells[axis] / self.size_px[axis])
        cell = np.clip(np.floor(scaled), 0, self.cells[axis] - 1).astype(np.int64)
        return cell, scaled - cell

    def sums(self, pixel: FloatArray, coefficients: FloatArray, /) -> FloatArray:
        """Return sum_i P_i C_ijc at pixels (n, 2) for coefficients (count, j, 2), shape (2, j, n)."""
        (cell_u, in_u), (cell_v, in_v) = (self.locate(pixel[:, axis], axis) for axis in (0, 1))
        return self._gather(cell_u, cell_v, cell_values(in_u), cell_values(in_v), coefficients)

    def sums_and_slopes(
        self, pixel: FloatArray, coefficients: FloatArray, /
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return `sums` and its derivatives by u and by v (per px), each (2, j, n)."""
        (cell_u, in_u), (cell_v, in_v) = (self.locate(pixel[:, axis], axis) for axis in (0, 1))
        value_u, value_v = cell_values(in_u), cell_values(in_v)
        slope_u = cell_slopes(in_u) * (self.cells[0] / self.size_px[0])
        slope_v = cell_slopes(in_v) * (self.cells[1] / self.size_px[1])
        pairs = ((value_u, value_v), (slope_u, value_v), (value_u, slope_v))
        value, by_u, by_v = (
            self._gather(cell_u, cell_v, first, second, coefficients) for first, second in pairs
        )
        return value, by_u, by_v

    def _gather(
        self,
        cell_u: IntArray,
        cell_v: IntArray,
        weight_u: FloatArray,
        weight_v: FloatArray,
        coefficients: FloatArray,
    ) -> FloatArray:
        table = coefficients.reshape(len(coefficients), -1)
        first = cell_u * self.shape[1] + cell_v
        total = np.zeros((len(first), table.shape[1]))
        for a in range(REACH):
            for b in range(REACH):
                total += (weight_u[a] * weight_v[b])[:, None] * table[first + (a * self.shape[1] + b)]
        return np.ascontiguousarray(total.T.reshape(coefficients.shape[1], 2, -1).swapaxes(0, 1))

    def values_1d(self, position: FloatArray, axis: int, /) -> FloatArray:
        """Return the functions of one axis at positions (n,) px, shape (count of the axis, n)."""
        cell, inside = self.locate(position, axis)
        table = np.zeros((self.shape[axis], len(position)))
        for a, row in enumerate(cell_values(inside)):
            table[cell + a, np.arange(len(position))] = row
        return table

    def lattice_factors(self, u: FloatArray, v: FloatArray, /) -> tuple[FloatArray, FloatArray]:
        """Return one-dimensional values in u (k, nu) and in v (l, nv) for tensor evaluation."""
        return self.values_1d(u, 0), self.values_1d(v, 1)

    def tensor(self, coefficients: FloatArray, /) -> FloatArray:
        """Return coefficients (count, ...) as (k, l, ...), to go with `lattice_factors`."""
        return coefficients.reshape(*self.shape, *coefficients.shape[1:])


@dataclass(frozen=True)
class MeshPanel:
    """Panel basis of the mesh family: a polynomial trend and, after it in the coefficients, splines."""

    trend: ChebyshevPanel
    spline: SplinePanel

    @property
    def size_px(self) -> tuple[int, int]:
        """Panel width and height, px."""
        return self.trend.size_px

    @property
    def count(self) -> int:
        """Number of basis functions."""
        return self.trend.count + self.spline.count

    def sums(self, pixel: FloatArray, coefficients: FloatArray, /) -> FloatArray:
        """Return sum_i P_i C_ijc at pixels (n, 2) for coefficients (count, j, 2), shape (2, j, n)."""
        smooth, local = np.split(coefficients, [self.trend.count])
        return self.trend.sums(pixel, smooth) + self.spline.sums(pixel, local)

    def sums_and_slopes(
        self, pixel: FloatArray, coefficients: FloatArray, /
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return `sums` and its derivatives by u and by v (per px), each (2, j, n)."""
        smooth, local = np.split(coefficients, [self.trend.count])
        parts = zip(
            self.trend.sums_and_slopes(pixel, smooth), self.spline.sums_and_slopes(pixel, local), strict=True
        )
        value, by_u, by_v = (first + second for first, second in parts)
        return value, by_u, by_v

    def lattice_factors(self, u: FloatArray, v: FloatArray, /) -> tuple[FloatArray, FloatArray]:
        """Return one-dimensional values in u (k, nu) and in v (l, nv), trend before splines."""
        pairs = zip(self.trend.lattice_factors(u, v), self.spline.lattice_factors(u, v), strict=True)
        in_u, in_v = (np.concatenate(pair) for pair in pairs)
        return in_u, in_v

    def tensor(self, coefficients: FloatArray, /) -> FloatArray:
        """Return coefficients (count, ...) as (k, l, ...), for `lattice_factors`: two diagonal blocks."""
        smooth, local = np.split(coefficients, [self.trend.count])
        first, second = self.trend.tensor(smooth), self.spline.tensor(local)
        side = first.shape[0]
        full = np.zeros((side + second.shape[0], side + second.shape[1], *coefficients.shape[1:]))
        full[:side, :side] = first
        full[side:, side:] = second
        return full
