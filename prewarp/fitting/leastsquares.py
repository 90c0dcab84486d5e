"""Joint least squares of all colours of a channel from moments: assemble, factor once, solve every nested model."""

from dataclasses import dataclass

import numpy as np
from scipy import linalg

from prewarp.checks import FloatArray
from prewarp.fitting.models import JointColumns
from prewarp.fitting.moments import Moments, right_sides, write_normal_matrices

# Relative weight of the pull toward zero: it decides only what the samples leave undecided. Iterative refinement takes it
# out of everything else.
RIDGE = 1e-11
# A column whose own part, after all columns before it, is smaller than this does not count as a parameter.
DEPENDENT = 1e-9


@dataclass(frozen=True)
class NormalEquations:
    """Joint normal equations: `matrix` (m, m), `side` (m,), `target` the sum of weighted squared targets, `samples`."""

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

    def squared_residual(self, coefficients: FloatArray, /) -> float:
        """Return sum w |y - A c|^2 for the first len(c) columns."""
        count = len(coefficients)
        matrix, side = self.matrix[:count, :count], self.side[:count]
        return float(self.target - 2.0 * coefficients @ side + coefficients @ (matrix @ coefficients))


def assemble(moments: Moments, columns: JointColumns, /) -> list[NormalEquations]:
    """Return the joint equations of all colours for every cell of the moments; colour 0 has the shared columns alone."""
    colours, cells = moments.samples.shape
    matrix = np.zeros((cells, columns.count, columns.count))
    side = np.zeros((cells, columns.count))
    shared, total = columns.of_block(0), moments.over_colours()
    write_normal_matrices(matrix, total, 0, shared, shared)
    side[:, shared.place] = right_sides(total, 0, shared)
    for colour in range(1, colours):
        own = columns.of_block(colour)
        if len(own.place) == 0:
            continue
        write_normal_matrices(matrix, moments, colour, own, shared)
        # What a colour differs by has no column that the shared part lacks.
        twins = shared.places_of(own)
        matrix[:, own.place[:, None], own.place] = matrix[:, own.place[:, None], twins]
        side[:, own.place] = right_sides(moments, colour, own)
    return [
        NormalEquations(matrix[cell], side[cell], float(total.target[0, cell]), float(total.samples[0, cell]))
        for cell in range(cells)
    ]


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

    def parameters(self, count: int, /) -> int:
        """Return how many of the first `count` columns the samples decide."""
        return int(np.sum(np.diagonal(self.lower)[:count] ** 2 > DEPENDENT))


def factor(equations: NormalEquations, /) -> Factor:
    """Factor the equations, scaled to a unit diagonal, with a relative ridge of `RIDGE`."""
    diagonal = np.diagonal(equations.matrix)
    scale = 1.0 / np.sqrt(np.where(diagonal > 0.0, diagonal, 1.0))
    scaled = equations.matrix * scale
    scaled *= scale[:, None]
    ridge = RIDGE
    while True:
        scaled[np.diag_indices_from(scaled)] = 1.0 + ridge
        # LAPACK works in Fortran order: the transposed view of a symmetric matrix saves a copy.
        lower, failed = linalg.lapack.dpotrf(scaled.T, lower=True, clean=False)
        if not failed:
            break
        ridge *= 30.0
    forward = linalg.solve_triangular(lower, equations.side * scale, lower=True, check_finite=False)
    return Factor(equations, scale, lower, forward)
