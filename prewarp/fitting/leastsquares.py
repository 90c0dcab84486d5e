"""Joint least squares of all colours of a channel from moments: assemble, factor once, solve every nested model."""

from dataclasses import dataclass

import numpy as np
from scipy import linalg

from prewarp.checks import FloatArray, IntArray
from prewarp.fitting.models import JointColumns
from prewarp.fitting.moments import Moments, normal_matrix, right_side

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

    def plus(self, other: "NormalEquations", /) -> "NormalEquations":
        """Return the equations of both sets of samples."""
        return NormalEquations(
            self.matrix + other.matrix,
            self.side + other.side,
            self.target + other.target,
            self.samples + other.samples,
        )

    def take(self, index: IntArray, /) -> "NormalEquations":
        """Return the equations of the chosen columns alone, in the order given."""
        return NormalEquations(self.matrix[np.ix_(index, index)], self.side[index], self.target, self.samples)

    def squared_residual(self, coefficients: FloatArray, /) -> float:
        """Return sum w |y - A c|^2 for the first len(c) columns."""
        count = len(coefficients)
        matrix, side = self.matrix[:count, :count], self.side[:count]
        return float(self.target - 2.0 * coefficients @ side + coefficients @ (matrix @ coefficients))


def assemble(moments: Moments, columns: JointColumns, /) -> NormalEquations:
    """Return the joint equations of all colours; colour 0 has the shared columns alone. Moments must have one cell."""
    matrix = np.zeros((columns.count, columns.count))
    side = np.zeros(columns.count)
    colours = moments.square.shape[0]
    shared_places, shared = columns.of_block(0)
    total = moments.over_colours()
    matrix[np.ix_(shared_places, shared_places)] = normal_matrix(total, 0, shared, shared)
    side[shared_places] = right_side(total, 0, shared)
    for colour in range(1, colours):
        places, own = columns.of_block(colour)
        if len(places) == 0:
            continue
        cross = normal_matrix(moments, colour, own, shared)
        matrix[np.ix_(places, shared_places)] = cross
        matrix[np.ix_(shared_places, places)] = cross.T
        matrix[np.ix_(places, places)] = normal_matrix(moments, colour, own, own)
        side[places] = right_side(moments, colour, own)
    return NormalEquations(matrix, side, float(total.target[0, 0]), float(total.samples[0, 0]))


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
        try:
            lower = linalg.cholesky(scaled, lower=True, check_finite=False)
            break
        except linalg.LinAlgError:
            ridge *= 30.0
    forward = linalg.solve_triangular(lower, equations.side * scale, lower=True, check_finite=False)
    return Factor(equations, scale, lower, forward)
