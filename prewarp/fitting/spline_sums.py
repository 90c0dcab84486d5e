"""Normal equations of splines on a panel times gradient columns over the pupil, from sums per panel cell.

Within a cell a product of two cubic B-splines is a polynomial of degree 6 in each direction, and a product of
two pupil columns one of twice the degree: sums of 49 monomials times a few pupil functions, per cell of the
panel and of cross-validation, hold every normal matrix. The matrix is banded, as a spline meets only its
neighbours.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from scipy import linalg

from prewarp.chebyshev import count_of_degree
from prewarp.checks import FloatArray, IntArray
from prewarp.fitting.moments import weighted_target
from prewarp.fitting.pupil import PupilColumns
from prewarp.fitting.samples import CELLS, Samples
from prewarp.fitting.splines import CELL, REACH, SplinePanel

POWERS = 7
# Panel cells worked on at a time.
BATCH = 64
# Relative pull toward zero, for functions that neither samples nor smoothness decide.
RIDGE = 1e-12


@dataclass(frozen=True)
class SplineColumns:
    """Columns spline * gradient column of the pupil, the latter running fastest.

    Parameters
    ----------
    panel : SplinePanel
    pupil : PupilColumns
        Columns over the pupil; curl columns are left out.
    """

    panel: SplinePanel
    pupil: PupilColumns

    @property
    def pupil_degree(self) -> int:
        """Highest degree in (x, y)."""
        return self.pupil.degree

    @property
    def chosen(self) -> IntArray:
        """Places of the gradient columns among `pupil`."""
        return np.flatnonzero(~self.pupil.is_curl)

    @property
    def per_spline(self) -> int:
        """Number of pupil columns."""
        return len(self.chosen)

    @property
    def count(self) -> int:
        """Number of columns."""
        return self.panel.count * self.per_spline

    @property
    def band(self) -> int:
        """Number of diagonals below the main one."""
        return (3 * self.panel.shape[1] + REACH) * self.per_spline - 1

    def coefficients(self, solution: FloatArray, /) -> FloatArray:
        """Return a solution (count,) in the scalar pupil basis, shape (splines, count(pupil_degree), 2)."""
        pupil = self.pupil
        table = solution.reshape(self.panel.count, self.per_spline)
        return np.stack([table @ pupil.x[self.chosen], table @ pupil.y[self.chosen]], axis=-1)

    def cell_places(self) -> IntArray:
        """Return the places of a cell's columns, counted from its first."""
        splines = np.arange(REACH)[:, None] * self.panel.shape[1] + np.arange(REACH)
        return (splines.reshape(-1, 1) * self.per_spline + np.arange(self.per_spline)).ravel()


@dataclass(frozen=True)
class BandedEquations:
    """Normal equations of the spline columns.

    `band` (diagonals, count), row k the k-th diagonal below the main one, in Fortran order as LAPACK wants
    it; `side` (count,); `target` the weighted sum of squared targets; `samples` their number.
    """

    band: FloatArray
    side: FloatArray
    target: float
    samples: float

    def minus(self, other: "BandedEquations", /) -> "BandedEquations":
        """Return the equations without the samples of `other`."""
        return BandedEquations(
            self.band - other.band,
            self.side - other.side,
            self.target - other.target,
            self.samples - other.samples,
        )

    def times(self, vector: FloatArray, /) -> FloatArray:
        """Return the matrix times a vector (count,)."""
        return linalg.blas.dsbmv(len(self.band) - 1, 1.0, self.band, vector, lower=1)

    def squared_residual(self, solution: FloatArray, /) -> float:
        """Return sum w |y - A c|^2."""
        return float(self.target - 2.0 * solution @ self.side + solution @ self.times(solution))

    def factor(self, penalty: FloatArray, /) -> FloatArray:
        """Return the banded Cholesky factor of matrix + penalty (diagonals, count)."""
        band = self.band + penalty
        band[0] *= 1.0 + RIDGE
        band[0] += RIDGE * band[0].max()
        return linalg.cholesky_banded(band, overwrite_ab=True, lower=True, check_finite=False)


@dataclass(frozen=True)
class SplineSums:
    """Sums per panel cell and cross-validation cell.

    `square` (panel cells, CELLS, 49, 3 count(2 Q)), `linear` (panel cells, CELLS, 16, 2 count(Q)), `target`,
    `samples` (CELLS,); `total_weight` of all samples, the mean of both axes.
    """

    columns: SplineColumns
    square: FloatArray
    linear: FloatArray
    target: FloatArray
    samples: FloatArray
    total_weight: float

    def equations(self, cells: Sequence[int] | IntArray | slice = slice(None), /) -> BandedEquations:
        """Return the normal equations of the samples in the chosen cross-validation cells."""
        columns = self.columns
        square, linear = self.square[:, cells].sum(axis=1), self.linear[:, cells].sum(axis=1)
        diagonals = columns.band + 1
        band = np.zeros((columns.count, diagonals)).T
        side = np.zeros(columns.count)
        chosen, local = columns.chosen, columns.cell_places()
        products = columns.pupil.products[np.ix_(chosen, chosen)]
        products = products.reshape(len(chosen) ** 2, -1).T
        pupil = columns.pupil
        gradient = np.concatenate([pupil.x[chosen], pupil.y[chosen]], axis=1).T
        rows, others = np.tril_indices(len(local))
        places = local[others] * diagonals + local[rows] - local[others]
        flat = band.T.reshape(-1)
        spread, single = _pair_monomials(), np.kron(CELL, CELL)
        cells_v, width = columns.panel.cells[1], columns.panel.shape[1]
        for low in range(0, len(square), BATCH):
            part = slice(low, low + BATCH)
            blocks = spread @ (square[part] @ products)
            blocks = blocks.reshape(-1, REACH**2, REACH**2, len(chosen), len(chosen))
            blocks = blocks.swapaxes(2, 3).reshape(len(blocks), len(local), len(local))
            sides = (single @ linear[part] @ gradient).reshape(len(blocks), -1)
            for cell, (block, one_side) in enumerate(zip(blocks, sides, strict=True), start=low):
                first = (cell // cells_v * width + cell % cells_v) * columns.per_spline
                flat[places + first * diagonals] += block[rows, others]
                side[local + first] += one_side
        return BandedEquations(band, side, float(self.target[cells].sum()), float(self.samples[cells].sum()))


def sum_splines(
    columns: SplineColumns, samples: Samples, weight: FloatArray, target: FloatArray, /
) -> SplineSums:
    """Return sums over samples with weights (3, n) (xx, xy, yy) and targets (2, n), all colours together."""
    panel, degree = columns.panel, columns.pupil_degree
    (cell_u, in_u), (cell_v, in_v) = (panel.locate(samples.pixel[:, axis], axis) for axis in (0, 1))
    group = samples.key % CELLS
    key = (cell_u * panel.cells[1] + cell_v) * CELLS + group
    order = np.argsort(key, kind="stable")
    weighted = weighted_target(weight, target)
    panel_cells = panel.cells[0] * panel.cells[1]
    wide, narrow = 3 * count_of_degree(2 * degree), 2 * count_of_degree(degree)
    square = np.zeros((panel_cells * CELLS, POWERS**2, wide))
    linear = np.zeros((panel_cells * CELLS, REACH**2, narrow))
    low_powers = (np.arange(REACH)[:, None] * POWERS + np.arange(REACH)).ravel()
    sorted_key = key[order]
    edges = np.append(np.flatnonzero(np.diff(sorted_key, prepend=-1)), len(key))
    exponents = np.arange(POWERS)[:, None]
    for start, stop in pairwise(edges):
        here = order[start:stop]
        psi = samples.frame.values(samples.reference_mm[here], 2 * degree)
        first, second = in_u[here] ** exponents, in_v[here] ** exponents
        left = (first[:, None] * second[None]).reshape(POWERS**2, -1)
        place = sorted_key[start]
        square[place] = left @ (weight[:, None, here] * psi).reshape(wide, -1).T
        low = psi[: count_of_degree(degree)]
        linear[place] = left[low_powers] @ (weighted[:, None, here] * low).reshape(narrow, -1).T
    return SplineSums(
        columns,
        square.reshape(panel_cells, CELLS, POWERS**2, wide),
        linear.reshape(panel_cells, CELLS, REACH**2, narrow),
        np.bincount(group, np.sum(weighted * target, axis=0), minlength=CELLS).astype(float),
        np.bincount(group, minlength=CELLS).astype(float),
        float(np.sum(weight[0] + weight[2]) / 2.0),
    )


def curvature_penalty(columns: SplineColumns, /) -> FloatArray:
    """Return the banded matrix (diagonals, count) of the integral of f_uu^2 + 2 f_uv^2 + f_vv^2.

    The same for every pupil column; lengths count in longer sides of the panel.
    """
    panel = columns.panel
    longer = max(panel.size_px)
    grams = []
    for axis in (0, 1):
        cell = panel.size_px[axis] / longer / panel.cells[axis]
        grams.append([_gram(panel.cells[axis], order) * cell ** (1 - 2 * order) for order in (0, 1, 2)])
    (u0, u1, u2), (v0, v1, v2) = grams
    full = np.kron(u2, v0) + 2.0 * np.kron(u1, v1) + np.kron(u0, v2)
    band = np.zeros((columns.count, columns.band + 1)).T
    for below in range(3 * panel.shape[1] + REACH):
        diagonal = np.repeat(np.diagonal(full, -below), columns.per_spline)
        band[below * columns.per_spline, : len(diagonal)] = diagonal
    return band


def _gram(cells: int, order: int) -> FloatArray:
    """Return the integrals of products of derivatives of 1-D splines, in cells, (cells + 3, cells + 3)."""
    polynomials = [np.polynomial.Polynomial(row).deriv(order) for row in CELL]
    local = np.array([[(a * b).integ()(1.0) for b in polynomials] for a in polynomials])
    full = np.zeros((cells + 3, cells + 3))
    for cell in range(cells):
        full[cell : cell + REACH, cell : cell + REACH] += local
    return full


@lru_cache(maxsize=1)
def _pair_monomials() -> FloatArray:
    """Return products of two of a cell's 16 splines as sums of the 49 monomials, (256, 49)."""
    single = np.array([[np.convolve(a, b) for b in CELL] for a in CELL])
    # (a, a', p) x (b, b', q) -> (a, b, a', b', p, q)
    pairs = np.einsum("acp,bdq->abcdpq", single, single)
    result: FloatArray = pairs.reshape(REACH**4, POWERS**2)
    return result
