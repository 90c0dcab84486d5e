"""The normal equations of one channel and colour with its field eliminated: what is left speaks of poses.

S = J'WJ - J'WF (F'WF + L)^-1 F'WJ at the current poses, F the gradient columns of the field, J the slopes by
the poses. F'WF comes from the sums of `prewarp.fitting.moments`; F'WJ has one block a shot. L is 0 but for
columns of the next pupil degree: those are not known well enough to be fitted, and not known to be nothing.
Their size is guessed from how the degrees below fall off (`truncation.py`), so a truncated pupil degree
widens the poses' sigma instead of moving the poses. Wavefronts common to all dots belong to the field too.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy import linalg

from prewarp.checks import FloatArray, IntArray
from prewarp.fitting import moments as sums
from prewarp.fitting.expansion import Expansion
from prewarp.fitting.leastsquares import Factor, assemble, factor
from prewarp.fitting.polynomial import expansions_of
from prewarp.fitting.pupil import pupil_columns
from prewarp.fitting.residuals import in_pixels, residuals
from prewarp.poses.columns import (
    FieldColumns,
    ShotSums,
    column_sums,
    forward_solved,
    one_block_a_shot,
    weighted_vectors,
)
from prewarp.poses.rays import PER_SHOT, PlacedRays, Poses, Rays
from prewarp.poses.waves import common_waves, share_of_waves


@dataclass(frozen=True)
class Reduced:
    """Equations of the poses alone, per unit squared: `matrix` (6 k, 6 k) S, `side` (6 k,), and `square`, the
    weighted sum of squares that the field leaves, px^2.
    """

    matrix: FloatArray
    side: FloatArray
    square: float


@dataclass(frozen=True)
class Eliminated:
    """What one channel and colour says of the poses; k shots, m columns.

    `whole`: with common wavefronts in the field; `columns_alone` without. `solver` of the columns and `joint`
    (m, 6 k) F'WJ: models that leave out columns follow. `tail` (m, 6 k) L^-1 F'WJ: what the columns took out.
    `coefficients` (m,) of the field at these poses; `expansion` the columns' part of that field; `rest_px`
    (2, n) what the field leaves over; `weight` the sum of the weights.
    """

    whole: Reduced
    columns_alone: Reduced
    solver: Factor
    joint: FloatArray
    tail: FloatArray
    coefficients: FloatArray
    expansion: Expansion
    rest_px: FloatArray
    weight: float

    @cached_property
    def variance(self) -> FloatArray:
        """What noise of 1 px leaves in the coefficients, (m,)."""
        inverse, _ = linalg.lapack.dtrtri(self.solver.lower, lower=True)
        result: FloatArray = np.sum(np.tril(inverse) ** 2, axis=0) * self.solver.scale**2
        return result

    def of_fewer(self, places: IntArray, lengths: Sequence[int], /) -> list[Reduced]:
        """Return the equations where the field has the first `lengths` columns of `places` alone."""
        solver = factor(self.solver.equations.of_columns(places))
        tail, forward = forward_solved(solver, self.joint[places]), solver.forward
        own = self.columns_alone
        matrix = own.matrix + self.tail.T @ self.tail
        side = own.side + self.tail.T @ self.solver.forward
        square = own.square + float(self.solver.forward @ self.solver.forward)
        found, done = [], 0
        for length in lengths:
            more = slice(done, length)
            matrix = matrix - tail[more].T @ tail[more]
            side = side - tail[more].T @ forward[more]
            square = square - float(forward[more] @ forward[more])
            found.append(Reduced(matrix, side, square))
            done = length
        return found

    def with_columns(self, places: IntArray, /) -> "Eliminated":
        """Return what is said where the field has the columns of `places` alone; residuals stay."""
        solver, joint = factor(self.solver.equations.of_columns(places)), self.joint[places]
        (reduced,) = self.of_fewer(places, [len(places)])
        return replace(
            self,
            whole=reduced,
            columns_alone=reduced,
            solver=solver,
            joint=joint,
            tail=forward_solved(solver, joint),
            coefficients=solver.solve(len(places), refinements=2),
        )


@dataclass(frozen=True)
class SolvedField:
    """A field at given poses: `placed` rays, `weights` (3, n), the columns' `solver` and `coefficients` (m,),
    `expansion`, and what it leaves, `rest` (2, n) in cosines.
    """

    placed: PlacedRays
    weights: FloatArray
    solver: Factor
    coefficients: FloatArray
    expansion: Expansion
    rest: FloatArray


def solve_field(
    rays: Rays, poses: Poses, weights: FloatArray, model: FieldColumns, pull: FloatArray, /
) -> SolvedField:
    """Return the field of one channel and colour at `poses`, weights (3, n), as `eliminate` does."""
    placed = rays.at(poses)
    pupil = pupil_columns(model.pupil_degree, placed.samples.frame.half_mm)
    samples = replace(placed.samples, pupil=pupil)
    moments = sums.accumulate(
        samples,
        weights,
        samples.cosine.T,
        degree=model.degree,
        pupil_degree=model.pupil_degree,
        product_degrees=model.product_degrees,
    )
    equations = assemble(moments.over_cells(np.unique(samples.key)), model.columns)
    solver = factor(replace(equations, matrix=equations.matrix + np.diag(pull)))
    coefficients = solver.solve(model.columns.count, refinements=2)
    expansion = expansions_of(coefficients, model.columns, samples, pupil, model.degree)[0]
    rest = residuals(samples, (expansion,))
    return SolvedField(placed, weights, solver, coefficients, expansion, rest)


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
        Highest degree of the common wavefronts in the field, those that its symmetries leave it; below 2
        there are none.
    """
    weights = metric * weight
    field = solve_field(rays, poses, weights, model, pull)
    placed, solver, rest = field.placed, field.solver, field.rest
    samples, coefficients, expansion = placed.samples, field.coefficients, field.expansion
    shots = ShotSums(rays.shot, len(poses.offset_mm))
    by_pupil = placed.base_slope + expansion.pupil_jacobian(samples.pixel, samples.reference_mm)
    waves = common_waves(placed, by_pupil, model.waves(wave_degree))
    vectors = np.concatenate([placed.slopes(by_pupil), waves, rest[None]])
    weighted = weighted_vectors(weights, vectors)
    mixed = column_sums(placed, shots, weighted, model)
    joint = mixed[:, :, :PER_SHOT].reshape(model.columns.count, -1)
    of_waves, of_rest = mixed[:, :, PER_SHOT:-1].sum(axis=1), mixed[:, :, -1].sum(axis=1)
    tail = forward_solved(solver, joint)
    # What solving left of F'W rest: nothing but rounding.
    unsolved = forward_solved(solver, of_rest - pull * coefficients)
    products = shots.products(weighted[:PER_SHOT], vectors)
    matrix = one_block_a_shot(products[:, :, :PER_SHOT]) - tail.T @ tail
    side = products[:, :, -1].ravel() - tail.T @ unsolved
    rest_px = in_pixels(metric, rest)
    columns_alone = Reduced(matrix, side, float(weight @ np.sum(rest_px**2, axis=0)))
    whole = columns_alone
    if len(waves):
        sums_of_waves = np.tensordot(weighted[PER_SHOT:-1], vectors[PER_SHOT:], ((1, 2), (1, 2)))
        share = share_of_waves(sums_of_waves[:, :-1], sums_of_waves[:, -1], of_waves, unsolved, solver)
        beside = products[:, :, PER_SHOT:-1].reshape(len(side), -1) - tail.T @ share.tail
        cross = beside @ share.half
        coefficients = coefficients - share.taken
        pupil = pupil_columns(model.pupil_degree, samples.frame.half_mm)
        expansion = expansions_of(coefficients, model.columns, samples, pupil, model.degree)[0]
        rest = residuals(samples, (expansion,)) - np.einsum("f,fcn->cn", share.amount, waves)
        rest_px = in_pixels(metric, rest)
        square = float(weight @ np.sum(rest_px**2, axis=0))
        whole = Reduced(matrix - cross @ cross.T, side - beside @ share.amount, square)
    return Eliminated(
        whole=whole,
        columns_alone=columns_alone,
        solver=solver,
        joint=joint,
        tail=tail,
        coefficients=coefficients,
        expansion=expansion,
        rest_px=rest_px,
        weight=float(weight.sum()),
    )
