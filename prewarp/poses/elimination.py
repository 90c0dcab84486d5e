"""The normal equations of one channel and colour with its field eliminated: what is left speaks of poses.

S = J'WJ - J'WF (F'WF + L)^-1 F'WJ at the current poses, F the gradient columns of the field, J the slopes by
the poses. F'WF comes from the sums of `prewarp.fitting.moments`; F'WJ has one block a shot. L is 0 but for
columns of the next pupil degree: those are not known well enough to be fitted, and not known to be nothing.
Their size is guessed from how the degrees below fall off (`truncation.py`), so a truncated pupil degree
widens the poses' sigma instead of moving the poses. Wavefronts common to all dots belong to the field too.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from prewarp.checks import FloatArray, IntArray
from prewarp.fitting import moments as sums
from prewarp.fitting.expansion import Expansion
from prewarp.fitting.leastsquares import NormalEquations, assemble, factor
from prewarp.fitting.polynomial import expansions_of
from prewarp.fitting.pupil import pupil_columns
from prewarp.fitting.residuals import in_pixels, residuals
from prewarp.poses.columns import FieldColumns, ShotSums, column_sums, forward_solved, weighted_vectors
from prewarp.poses.rays import PER_SHOT, Poses, Rays
from prewarp.poses.waves import common_waves, curvature_of_waves, share_of_waves


@dataclass(frozen=True)
class Eliminated:
    """What one channel and colour says of the poses, in px^2 per unit squared; k shots, m columns.

    `matrix` (6 k, 6 k) S; `side` (6 k,); `square` the weighted sum of squares left. `plain_matrix`,
    `plain_side`, `plain_square` the same without common wavefronts in the field; `tail` (m, 6 k) and
    `forward` (m,) what the columns took out of those, in the coordinates of their factor. `equations` of the
    columns and `joint` (m, 6 k) F'WJ: models that leave out columns follow.
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
    equations: NormalEquations
    joint: FloatArray
    coefficients: FloatArray
    variance: FloatArray
    expansion: Expansion
    rest_px: FloatArray
    weight: float

    def of_fewer(
        self, places: IntArray, lengths: Sequence[int], /
    ) -> list[tuple[FloatArray, FloatArray, float]]:
        """Return `plain_matrix`, `plain_side`, `plain_square` of the first `lengths` columns of `places`."""
        solver = factor(self.equations.of_columns(places))
        tail, forward = forward_solved(solver, self.joint[places]), solver.forward
        matrix = self.plain_matrix + self.tail.T @ self.tail
        side = self.plain_side + self.tail.T @ self.forward
        square = self.plain_square + float(self.forward @ self.forward)
        found, done = [], 0
        for length in lengths:
            more = slice(done, length)
            matrix = matrix - tail[more].T @ tail[more]
            side = side - tail[more].T @ forward[more]
            square = square - float(forward[more] @ forward[more])
            found.append((matrix, side, square))
            done = length
        return found


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
    shots = ShotSums(rays.shot, len(poses.offset_mm))
    plain_slope = placed.base_slope + plain.pupil_jacobian(samples.pixel, samples.reference_mm)
    exponents = model.waves(wave_degree)
    waves = common_waves(placed, plain_slope, exponents)
    share = share_of_waves(placed, shots, waves, weights, plain_rest, solver, coefficients * pull, model)
    total = coefficients - share.taken @ share.amount
    expansion = expansions_of(total, model.columns, samples, pupil, model.degree)[0]
    rest = residuals(samples, (expansion,)) - np.einsum("f,fcn->cn", share.amount, waves)
    by_pupil = placed.base_slope + expansion.pupil_jacobian(samples.pixel, samples.reference_mm)
    slopes = placed.slopes(by_pupil + curvature_of_waves(placed, share.amount, exponents))
    weighted = weighted_vectors(weights, slopes)
    left = weighted_vectors(weights, np.stack([plain_rest, rest]))
    mixed = column_sums(placed, shots, np.concatenate([weighted, left]), model)
    joint = mixed[:, :, :PER_SHOT].reshape(model.columns.count, -1)
    tail = forward_solved(solver, joint)
    # What solving left of F'W rest: nothing but rounding.
    plain_unsolved, unsolved = (
        forward_solved(solver, mixed[:, :, place].sum(axis=1) - pull * own)
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
        equations=equations,
        joint=joint,
        coefficients=total,
        variance=np.diagonal(solver.inverse()).copy(),
        expansion=expansion,
        rest_px=rest_px,
        weight=float(weight.sum()),
    )
