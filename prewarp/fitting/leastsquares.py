"""Joint least squares of all colours of a channel from moments: assemble, factor once, solve all models."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import linalg

from prewarp.checks import FloatArray, IntArray
from prewarp.fitting.models import JointColumns
from prewarp.fitting.moments import Moments, group_columns, right_sides, write_products

# Relative weight of the pull toward zero: it decides only what the samples leave undecided. Iterative
# refinement takes it out of everything else.
RIDGE = 1e-11
# A column whose own part, after all columns before it, is smaller than this does not count as a parameter.
DEPENDENT = 1e-9


@dataclass(frozen=True)
class NormalEquations:
    """Joint normal equations: `matrix` (m, m), `side` (m,), `target` sum of weighted squares, `samples`."""

    matrix: FloatArray
    side: FloatArray
    target: float
    samples: float

    def minus(self, other: "NormalEquations", /) -> "NormalEquations":
        """Return the equations without the samples of `other`."""
        return NormalEquations(
            self.matrix - other.matrix,
            self.side - other.side,
            self.target - other.target,
            self.samples - other.samples,
        )

    def leading(self, count: int, /) -> "NormalEquations":
        """Return the equations of the first `count` columns alone."""
        return NormalEquations(self.matrix[:count, :count], self.side[:count], self.target, self.samples)

    def of_columns(self, places: IntArray, /) -> "NormalEquations":
        """Return the equations of some of the columns, in the order given."""
        return NormalEquations(
            self.matrix[np.ix_(places, places)], self.side[places], self.target, self.samples
        )

    def squared_residual(self, coefficients: FloatArray, /) -> FloatArray:
        """Return sum w |y - A c|^2 (k,) for the coefficients (m, k) of k models."""
        quadratic = np.sum(coefficients * (self.matrix @ coefficients), axis=0)
        result: FloatArray = self.target - 2.0 * (self.side @ coefficients) + quadratic
        return result


def assemble(moments: Moments, columns: JointColumns, /) -> NormalEquations:
    """Return the joint equations of all colours from one-cell moments; colour 0 has the shared columns alone.

    Columns are put together in the order in which they lie together in memory, and brought into the order
    asked for at the end.
    """
    moments = moments.up_to(*columns.degrees(moments.pupil))
    parts, blocks, done = [], [], 0
    for colour in range(len(moments.samples)):
        mine = np.flatnonzero(columns.block == colour)
        inner, groups = group_columns(columns.panel[mine], columns.pupil[mine], moments.pupil)
        parts.append(mine[inner])
        blocks.append((slice(done, done + len(mine)), groups))
        done += len(mine)
    order = np.concatenate(parts)
    ordered = columns.take(order)
    matrix, side = np.zeros((columns.count, columns.count)), np.zeros(columns.count)
    total, (shared, shared_groups) = moments.over_colours(), blocks[0]
    write_products(matrix[shared, shared], total, 0, shared_groups, shared_groups)
    side[shared] = right_sides(total, 0, ordered.panel[shared], ordered.pupil[shared])
    for colour, (own, groups) in enumerate(blocks[1:], start=1):
        write_products(matrix[own, shared], moments, colour, groups, shared_groups)
        matrix[shared, own] = matrix[own, shared].T
        # What a colour differs by has no column that the shared part lacks.
        own_columns = (ordered.panel[own], ordered.pupil[own])
        matrix[own, own] = matrix[own, ordered.places_in_block(0, *own_columns)]
        side[own] = right_sides(moments, colour, *own_columns)
    back = np.argsort(order)
    # Rows and columns one after the other: no third matrix beside these two.
    matrix = matrix[back]
    matrix = matrix.take(back, axis=1)
    return NormalEquations(matrix, side[back], float(total.target[0, 0]), float(total.samples[0, 0]))


@dataclass(frozen=True)
class Factor:
    """Cholesky factor of scaled equations; solves every leading block of columns."""

    equations: NormalEquations
    scale: FloatArray
    lower: FloatArray
    forward: FloatArray

    def solve(self, count: int, /, *, refinements: int = 0) -> FloatArray:
        """Return the least-squares coefficients of the first `count` columns."""
        lower, scale = self.lower[:count, :count], self.scale[:count]
        solution = (
            linalg.solve_triangular(lower, self.forward[:count], lower=True, trans=1, check_finite=False)
            * scale
        )
        for _ in range(refinements):
            rest = self.equations.side[:count] - self.equations.matrix[:count, :count] @ solution
            solution = solution + linalg.cho_solve((lower, True), rest * scale, check_finite=False) * scale
        return solution

    def solve_each(self, lengths: Sequence[int], /) -> FloatArray:
        """Return coefficients (m, k) of k leading blocks, 0 beyond: L^T c = forward, cut, in one solve."""
        cut = np.where(
            np.arange(len(self.forward))[:, None] < np.asarray(lengths), self.forward[:, None], 0.0
        )
        solution = linalg.blas.dtrsm(1.0, self.lower, cut, lower=True, trans_a=True)
        return solution * self.scale[:, None]

    def inverse(self) -> FloatArray:
        """Return the matrix's inverse (m, m): the covariance of the coefficients for unit noise."""
        half, _ = linalg.lapack.dpotri(self.lower, lower=True)
        half = np.tril(half)
        result: FloatArray = (half + np.tril(half, -1).T) * self.scale * self.scale[:, None]
        return result

    def parameters(self, count: int, /) -> int:
        """Return how many of the first `count` columns the samples decide."""
        return int(np.sum(np.diagonal(self.lower)[:count] ** 2 > DEPENDENT))


def factor(equations: NormalEquations, /) -> Factor:
    """Factor the equations, scaled to a unit diagonal, with a relative ridge of `RIDGE`."""
    diagonal = np.diagonal(equations.matrix)
    scale = 1.0 / np.sqrt(np.where(diagonal > 0.0, diagonal, 1.0))
    ridge, failed = RIDGE, True
    while failed:
        scaled = equations.matrix * scale
        scaled *= scale[:, None]
        scaled[np.diag_indices_from(scaled)] = 1.0 + ridge
        # LAPACK works in Fortran order: the transposed view of a symmetric matrix saves a copy.
        lower, failed = linalg.lapack.dpotrf(scaled.T, lower=True, clean=False, overwrite_a=True)
        ridge *= 30.0
    forward = linalg.solve_triangular(lower, equations.side * scale, lower=True, check_finite=False)
    return Factor(equations, scale, lower, forward)
