"""The normal equations of one channel and colour with its field eliminated: what is left speaks of poses.

S = J'WJ - J'WF (F'WF + L)^-1 F'WJ at the current poses, F the gradient columns of the field, J the slopes by
the poses. F'WF comes from the sums of `prewarp.fitting.moments`; F'WJ has one block a shot. L is 0 but for
columns of the next pupil degree: those are not known well enough to be fitted, and not known to be nothing.
Their size is guessed from how the degrees below fall off (`truncation.py`), so a truncated pupil degree
widens the poses' sigma instead of moving the poses. Wavefronts common to all dots belong to the field too.
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
from prewarp.fitting.polynomial import expansions_of
from prewarp.fitting.pupil import pupil_columns
from prewarp.fitting.residuals import in_pixels, residuals
from prewarp.poses.gauge import wavefront_curvatures, wavefront_heights, wavefront_slopes
from prewarp.poses.rays import PER_SHOT, PlacedRays, Poses, Rays

PUPIL_COST = 2
# Below this share of its square a wave is left to the field's columns: rounding.
_ROUNDING = 1e-8


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
        pupil = pupil_columns(self.pupil_degree, (1.0, 1.0))
        columns = columns_of(chain[-1], 1, pupil)
        order, lengths = nested_order(columns, chain, pupil)
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

    `matrix` (6 k, 6 k) S; `side` (6 k,); `square` the weighted sum of squares left. `plain_matrix`,
    `plain_side`, `plain_square` the same without common wavefronts in the field; `tail` (m, 6 k) and
    `forward` (m,) what the columns took out of those: models that leave out the last columns follow.
    `coefficients` (m,) of the field at these poses, `variance` (m,) what noise of 1 px leaves in them;
    `expansion` the columns' part of that field; `rest_px` (2, n) what the field leaves over; `weight` the sum
    of the weights.
    """

    matrix: FloatArray
    side: FloatArray
    square: float
    plain_matrix: FloatArray
    plain_side: FloatArray
    plain_square: float
    tail: FloatArray
    forward: FloatArray
    coefficients: FloatArray
    variance: FloatArray
    expansion: Expansion
    rest_px: FloatArray
    weight: float


def eliminate(
    rays: Rays,
    poses: Poses,
    metric: FloatArray,
    weight: FloatArray,
    model: FieldColumns,
    pull: FloatArray,
    wave_degree: int,
    /,
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
    wave_degree : int
        Highest degree of the common wavefronts in the field; below 2 there are none.
    """
    placed = rays.at(poses)
    pupil = pupil_columns(model.pupil_degree, placed.samples.frame.half_mm)
    samples = replace(placed.samples, pupil=pupil)
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
    plain = expansions_of(coefficients, model.columns, samples, pupil, model.degree)[0]
    plain_rest = residuals(samples, (plain,))
    shots = _OfShots(rays.shot, len(poses.offset_mm))
    plain_slope = plain.pupil_jacobian(samples.pixel, samples.reference_mm)
    waves = _waves(placed, plain_slope, wave_degree)
    share = _share_of_waves(placed, shots, waves, weights, plain_rest, solver, coefficients * pull, model)
    total = coefficients - share.taken @ share.amount
    expansion = expansions_of(total, model.columns, samples, pupil, model.degree)[0]
    rest = residuals(samples, (expansion,)) - np.einsum("f,fcn->cn", share.amount, waves)
    by_pupil = expansion.pupil_jacobian(samples.pixel, samples.reference_mm)
    slopes = placed.slopes(by_pupil + _curvature(placed, share.amount, wave_degree))
    weighted = _weighted(weights, slopes)
    left = _weighted(weights, np.stack([plain_rest, rest]))
    mixed = _mixed(placed, shots, np.concatenate([weighted, left]), model)
    tail = _solved(solver, mixed[:, :, :PER_SHOT].reshape(model.columns.count, -1))
    # What solving left of F'W rest: nothing but rounding.
    plain_unsolved, unsolved = (
        _solved(solver, mixed[:, :, place].sum(axis=1) - pull * own)
        for place, own in ((PER_SHOT, coefficients), (PER_SHOT + 1, total))
    )
    plain_matrix = shots.blocks(slopes, weighted) - tail.T @ tail
    sides = shots.products(weighted, np.stack([plain_rest, rest])).reshape(-1, 2)
    cross = shots.products(weighted, waves).reshape(tail.shape[1], len(waves)) - tail.T @ share.tail
    cross = cross @ share.half
    gain = share.half.T @ (np.tensordot(share.weighted, rest, 2) - share.tail.T @ unsolved)
    plain_px, rest_px = in_pixels(metric, plain_rest), in_pixels(metric, rest)
    return Eliminated(
        matrix=plain_matrix - cross @ cross.T,
        side=sides[:, 1] - tail.T @ unsolved - cross @ gain,
        square=float(weight @ np.sum(rest_px**2, axis=0)),
        plain_matrix=plain_matrix,
        plain_side=sides[:, 0] - tail.T @ plain_unsolved,
        plain_square=float(weight @ np.sum(plain_px**2, axis=0)),
        tail=tail,
        forward=solver.forward,
        coefficients=total,
        variance=np.diagonal(solver.inverse()).copy(),
        expansion=expansion,
        rest_px=rest_px,
        weight=float(weight.sum()),
    )


@dataclass(frozen=True)
class _OfShots:
    """Sums over the rays of each shot; `shot` (n,) codes, `count` shots."""

    shot: IntArray
    count: int

    @cached_property
    def rows(self) -> list[IntArray]:
        """The rays of each shot."""
        return [np.flatnonzero(self.shot == k) for k in range(self.count)]

    def products(self, first: FloatArray, second: FloatArray) -> FloatArray:
        """Return sums of first_a . second_b (k, a, b) of vectors (a, 2, n), (b, 2, n)."""
        return np.stack(
            [np.tensordot(first[:, :, mine], second[:, :, mine], ((1, 2), (1, 2))) for mine in self.rows]
        )

    def blocks(self, first: FloatArray, second: FloatArray) -> FloatArray:
        """Return `products` as a matrix (a k, a k) with one block a shot."""
        matrix = np.zeros((self.count, len(first), self.count, len(first)))
        for k, block in enumerate(self.products(first, second)):
            matrix[k, :, k] = block
        return matrix.reshape(self.count * len(first), -1)


def _solved(solver: Factor, side: FloatArray) -> FloatArray:
    """Return L^-1 side for the factor's L, in the unscaled columns."""
    scaled = side * (solver.scale if side.ndim == 1 else solver.scale[:, None])
    result: FloatArray = linalg.solve_triangular(solver.lower, scaled, lower=True, check_finite=False)
    return result


@dataclass(frozen=True)
class _Share:
    """Common wavefronts in the field. `weighted` (f, 2, n) W E; `tail` (m, f) L^-1 F'W E; `taken` (m, f) what
    the columns take up of each; `half` (f, r) H with H H' the inverse of what is left of E'W E; `amount` (f,)
    of each in the field.
    """

    weighted: FloatArray
    tail: FloatArray
    taken: FloatArray
    half: FloatArray
    amount: FloatArray


def _share_of_waves(
    placed: PlacedRays,
    shots: _OfShots,
    waves: FloatArray,
    weights: FloatArray,
    rest: FloatArray,
    solver: Factor,
    pulled: FloatArray,
    model: FieldColumns,
) -> _Share:
    """Return how much of each wave (f, 2, n) the field has beyond its columns."""
    weighted = _weighted(weights, waves)
    left = _weighted(weights, rest[None])
    mixed = _mixed(placed, shots, np.concatenate([weighted, left]), model).sum(axis=1)
    tail, unsolved = _solved(solver, mixed[:, :-1]), _solved(solver, mixed[:, -1] - pulled)
    among = np.tensordot(weighted, waves, ((1, 2), (1, 2)))
    half = _half_inverse(among - tail.T @ tail, np.diagonal(among))
    amount = half @ (half.T @ (np.tensordot(weighted, rest, 2) - tail.T @ unsolved))
    taken = linalg.solve_triangular(solver.lower, tail, lower=True, trans=1, check_finite=False)
    return _Share(weighted, tail, taken * solver.scale[:, None], half, amount)


def _weighted(weights: FloatArray, vectors: FloatArray) -> FloatArray:
    """Return W v (j, 2, n) for weights (3, n) and vectors (j, 2, n)."""
    x, y = vectors[:, 0], vectors[:, 1]
    return np.stack([weights[0] * x + weights[1] * y, weights[1] * x + weights[2] * y], axis=1)


def _waves(placed: PlacedRays, by_pupil: FloatArray, wave_degree: int) -> FloatArray:
    """Return grad (s_z phi) (f, 2, n) where rays cross z = 0: what wavefronts phi common to all dots add.

    That is s_z grad phi - phi H t, with H = dq/d(x, y) `by_pupil` (2, 2, n). The field's columns follow it
    only as far as their panel degree goes, which would make a wavefront look measured that no capture in one
    plane can measure. phi is a polynomial of x' = x / half_x, y' = y / half_y, times half_x.
    """
    frame = placed.samples.frame
    x, y = frame.normalised(placed.samples.reference_mm)
    ratio = np.array([1.0, frame.half_mm[0] / frame.half_mm[1]])[:, None]
    height = frame.half_mm[0] * wavefront_heights(x, y, wave_degree)
    bent = by_pupil[:, 0] * placed.tangent[:, 0] + by_pupil[:, 1] * placed.tangent[:, 1]
    result: FloatArray = (
        placed.unit[:, 2] * ratio * wavefront_slopes(x, y, wave_degree) - height[:, None] * bent
    )
    return result


def _curvature(placed: PlacedRays, amount: FloatArray, pupil_degree: int) -> FloatArray:
    """Return d/d(x, y) (2, 2, n), per mm, of `amount` (f,) of each wave at fixed panel points."""
    frame = placed.samples.frame
    x, y = frame.normalised(placed.samples.reference_mm)
    curvature = np.tensordot(amount, wavefront_curvatures(x, y, pupil_degree), 1) * placed.unit[:, 2]
    half_x, half_y = frame.half_mm
    across = curvature[1] / half_y
    steep = curvature[2] * half_x / half_y**2
    return np.array([[curvature[0] / half_x, across], [across, steep]], dtype=np.float64)


def _half_inverse(matrix: FloatArray, size: FloatArray) -> FloatArray:
    """Return H with H H' the inverse of a matrix (f, f) whose rows had `size` before elimination.

    What is so small beside that is left to rounding, and to the columns that took up the rest.
    """
    scale = 1.0 / np.sqrt(size)
    value, axes = np.linalg.eigh(matrix * np.outer(scale, scale))
    good = value > _ROUNDING
    result: FloatArray = scale[:, None] * axes[:, good] / np.sqrt(value[good])
    return result


def _mixed(placed: PlacedRays, own: _OfShots, weighted: FloatArray, model: FieldColumns) -> FloatArray:
    """Return F'W (m, k, j) of weighted vectors (j, 2, n): every column of the field, shot by shot."""
    samples = placed.samples
    panel, frame = samples.panel_basis(model.degree), samples.frame
    table = pupil_columns(model.pupil_degree, frame.half_mm)
    used = np.unique(model.columns.pupil)
    row = np.searchsorted(used, model.columns.pupil)
    result = np.zeros((model.columns.count, own.count, len(weighted)))
    for k, mine in enumerate(own.rows):
        psi = frame.values(samples.reference_mm[mine], model.pupil_degree)
        in_x, in_y = table.x[used] @ psi, table.y[used] @ psi
        part = weighted[:, :, mine]
        joint = part[:, None, 0] * in_x + part[:, None, 1] * in_y
        products = joint.reshape(-1, len(mine)) @ panel.values(samples.pixel[mine]).T
        result[:, k] = products.reshape(len(weighted), len(used), -1)[:, row, model.columns.panel].T
    return result
