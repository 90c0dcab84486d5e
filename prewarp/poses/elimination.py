"""The normal equations of one channel and colour with its field eliminated: what is left speaks of poses.

S = J'WJ - J'WF (F'WF + L)^-1 F'WJ at the current poses, F the gradient columns of the field, J the slopes by
the poses. F'WF comes from the sums of `prewarp.fitting.moments`; F'WJ has one block a shot. L is 0 but for
columns of the next pupil degree: those are not known well enough to be fitted, and not known to be nothing.
Their size is guessed from how the degrees below fall off (`truncation.py`), so a truncated pupil degree
widens the poses' sigma instead of moving the poses.
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy import linalg

from prewarp.checks import FloatArray, IntArray
from prewarp.fitting import moments as sums
from prewarp.fitting.expansion import Expansion
from prewarp.fitting.leastsquares import Factor, assemble, factor
from prewarp.fitting.models import JointColumns, PolynomialModel, columns_of, nested_order
from prewarp.fitting.moments import weighted_target
from prewarp.fitting.polynomial import expansions_of
from prewarp.fitting.pupil import pupil_columns
from prewarp.fitting.residuals import in_pixels, residuals
from prewarp.poses.rays import PER_SHOT, PlacedRays, Poses, Rays

PUPIL_COST = 2


@dataclass(frozen=True)
class FieldColumns:
    """Gradient columns of a field: total degree (each pupil degree counts two), pupil degree, no symmetry.

    The columns of the highest pupil degree are those that are only guessed at. Columns of a lower total
    degree come first.
    """

    degree: int
    pupil_degree: int

    @cached_property
    def _ordered(self) -> tuple[JointColumns, list[int]]:
        chain = [
            PolynomialModel(degree, PUPIL_COST, self.pupil_degree, -1, 0, degree, degree)
            for degree in range(self.degree + 1)
        ]
        columns = columns_of(chain[-1], 1, basis_pupil_degree=self.pupil_degree)
        order, lengths = nested_order(columns, chain, basis_pupil_degree=self.pupil_degree)
        return columns.take(order), lengths

    @property
    def columns(self) -> JointColumns:
        """The columns."""
        return self._ordered[0]

    @property
    def lengths(self) -> list[int]:
        """How many of the first columns have a total degree of at most 0, 1, .. `degree`."""
        return self._ordered[1]

    @cached_property
    def order(self) -> IntArray:
        """Degree over the pupil of each column."""
        return pupil_columns(self.pupil_degree, (1.0, 1.0)).order[self.columns.pupil]

    @property
    def product_degrees(self) -> tuple[int, ...]:
        """Highest panel degree of products of two columns, by degree over the pupil."""
        return tuple(2 * self.degree - PUPIL_COST * order for order in range(2 * self.pupil_degree + 1))


@dataclass(frozen=True)
class Eliminated:
    """What one channel and colour says of the poses, in px^2 per unit squared; k shots, m columns.

    `matrix` (6 k, 6 k) S; `side` (6 k,); `before` (6 k, 6 k) J'WJ, nothing eliminated; `tail` (m, 6 k) the
    factor's part of S = before - tail'tail, and `forward` (m,) that of the right side: models that leave out
    the last columns follow from them; `coefficients` (m,) of the field at these poses, `variance` (m,) what
    noise of 1 px leaves in them; `expansion` that field; `rest_px` (2, n) what the field leaves over;
    `square` the weighted sum of its squares; `weight` the sum of the weights.
    """

    matrix: FloatArray
    side: FloatArray
    before: FloatArray
    tail: FloatArray
    forward: FloatArray
    coefficients: FloatArray
    variance: FloatArray
    expansion: Expansion
    rest_px: FloatArray
    square: float
    weight: float


def eliminate(
    rays: Rays, poses: Poses, metric: FloatArray, weight: FloatArray, model: FieldColumns, pull: FloatArray, /
) -> Eliminated:
    """Return the equations for steps of the poses.

    Parameters
    ----------
    rays, poses
        One channel and colour; the current poses.
    metric : (3, n) float array
        What turns cosine residuals into squared px.
    weight : (n,) float array
        Robust weights.
    model : FieldColumns
    pull : (m,) float array
        L: weight of each column's pull toward zero.
    """
    placed = rays.at(poses)
    samples = placed.samples
    weights = metric * weight
    moments = sums.accumulate(
        samples,
        weights,
        samples.cosine.T,
        degree=model.degree,
        pupil_degree=model.pupil_degree,
        product_degrees=model.product_degrees,
    )
    equations = assemble(moments.over_cells(slice(None)), model.columns)
    equations = replace(equations, matrix=equations.matrix + np.diag(pull))
    solver = factor(equations)
    coefficients = solver.solve(model.columns.count, refinements=2)
    expansion = expansions_of(coefficients, model.columns, samples, model.pupil_degree, model.degree)[0]
    rest = residuals(samples, (expansion,))
    slopes = placed.slopes(expansion.pupil_jacobian(samples.pixel, samples.reference_mm))
    weighted = np.stack([weighted_target(weights, slope) for slope in slopes])
    shots = len(poses.offset_mm)
    left = weighted_target(weights, rest)
    mixed = _mixed(placed, rays.shot, shots, np.concatenate([weighted, left[None]]), model)
    before, side = _of_shots(rays.shot, shots, slopes, weighted, rest)
    tail = _solved(solver, mixed[:, :, :-1].reshape(model.columns.count, -1))
    # What solving left of F'W rest: nothing, but for rounding, which a common motion would take for a signal.
    unsolved = mixed[:, :, -1].sum(axis=1) - pull * coefficients
    side = side - tail.T @ _solved(solver, unsolved)
    rest_px = in_pixels(metric, rest)
    return Eliminated(
        matrix=before - tail.T @ tail,
        side=side,
        before=before,
        tail=tail,
        forward=solver.forward,
        coefficients=coefficients,
        variance=np.diagonal(solver.inverse()).copy(),
        expansion=expansion,
        rest_px=rest_px,
        square=float(weight @ np.sum(rest_px**2, axis=0)),
        weight=float(weight.sum()),
    )


def _solved(solver: Factor, side: FloatArray) -> FloatArray:
    """Return L^-1 side for the factor's L, in the unscaled columns."""
    scaled = side * (solver.scale if side.ndim == 1 else solver.scale[:, None])
    result: FloatArray = linalg.solve_triangular(solver.lower, scaled, lower=True, check_finite=False)
    return result


def _mixed(
    placed: PlacedRays, shot: IntArray, shots: int, weighted: FloatArray, model: FieldColumns
) -> FloatArray:
    """Return F'W (m, k, j) of weighted vectors (j, 2, n): every column of the field, shot by shot."""
    samples = placed.samples
    panel, frame = samples.panel_basis(model.degree), samples.frame
    table = pupil_columns(model.pupil_degree, frame.half_mm)
    used = np.unique(model.columns.pupil)
    row = np.searchsorted(used, model.columns.pupil)
    result = np.zeros((model.columns.count, shots, len(weighted)))
    for k in range(shots):
        mine = np.flatnonzero(shot == k)
        psi = frame.values(samples.reference_mm[mine], model.pupil_degree)
        in_x, in_y = table.x[used] @ psi, table.y[used] @ psi
        own = weighted[:, :, mine]
        joint = own[:, None, 0] * in_x + own[:, None, 1] * in_y
        products = joint.reshape(-1, len(mine)) @ panel.values(samples.pixel[mine]).T
        result[:, k] = products.reshape(len(weighted), len(used), -1)[:, row, model.columns.panel].T
    return result


def _of_shots(
    shot: IntArray, shots: int, slopes: FloatArray, weighted: FloatArray, rest: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return J'WJ (6 k, 6 k), one block a shot, and J'W rest (6 k,)."""
    matrix = np.zeros((shots, PER_SHOT, shots, PER_SHOT))
    side = np.zeros((shots, PER_SHOT))
    for k in range(shots):
        mine = np.flatnonzero(shot == k)
        own = weighted[:, :, mine].reshape(PER_SHOT, -1)
        matrix[k, :, k] = own @ slopes[:, :, mine].reshape(PER_SHOT, -1).T
        side[k] = own @ rest[:, mine].ravel()
    return matrix.reshape(shots * PER_SHOT, -1), side.ravel()
