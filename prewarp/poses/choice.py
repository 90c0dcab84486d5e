"""How large the noise of a channel and colour is, and which columns its field needs, its poses free."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from prewarp.checks import FloatArray
from prewarp.poses.columns import FieldColumns
from prewarp.poses.elimination import Eliminated, Reduced
from prewarp.poses.gauge import without

# Samples never agree better than this: what the last digits of a file leave.
LEAST_NOISE_PX = 1e-4


def _freedom(field: Eliminated, columns: int, unknowns: int) -> float:
    """Return how many of the weighted numbers the field and the poses leave free."""
    return max(2.0 * field.weight - columns - unknowns, 1.0)


def _after_poses(equations: Reduced, unit: FloatArray, common: FloatArray) -> float:
    """Return what of a sum of squares is left when a field's own poses are free too, common motions apart.

    A truncated polynomial would gain by moving the whole capture, far beyond where slopes hold.
    """
    scaled = without(equations.matrix * np.outer(unit, unit), common)
    scaled += common.T @ common * np.trace(scaled) / len(scaled)
    gain = equations.side * unit
    gain = gain - common.T @ (common @ gain)
    return equations.square - float(gain @ np.linalg.solve(scaled, gain))


def noise_of(field: Eliminated, unit: FloatArray, common: FloatArray, /) -> float:
    """Return the noise per axis, px, of one channel and colour: its poses free, so that no shot weighs.

    `unit` (6 k,) the sigma of every unknown beforehand, `common` (7, 6 k) the common motions, per `unit`.
    """
    left = _after_poses(field.whole, unit, common)
    freedom = _freedom(field, len(field.coefficients), len(unit) - len(common))
    return max(float(np.sqrt(max(left, 0.0) / freedom)), LEAST_NOISE_PX)


def least_score(
    fields: Sequence[Eliminated], model: FieldColumns, unit: FloatArray, common: FloatArray, /
) -> FieldColumns:
    """Return the columns with the least generalised cross-validation score over all channels and colours.

    First the degrees up to which the mirror symmetries may be broken, then the total degree, both up to those
    of `model`, the columns of `fields`. `unit`, `common` as in `noise_of`.
    """
    wide = model

    def least_of(chain: Sequence[FieldColumns]) -> FieldColumns:
        places, lengths = wide.nested(chain)
        scores = np.zeros(len(chain))
        for field in fields:
            each = zip(lengths, field.of_fewer(places, lengths), strict=True)
            for place, (length, equations) in enumerate(each):
                freedom = _freedom(field, length, len(unit) - len(common))
                scores[place] += field.weight * np.log(_after_poses(equations, unit, common) / freedom**2)
        return chain[int(np.argmin(scores))]

    for name in ("odd_v_degree", "odd_u_degree"):
        model = least_of([replace(model, **{name: level}) for level in range(-1, model.degree + 1)])
    least = 2 * (model.pupil_degree - 1)
    return least_of([replace(model, degree=level) for level in range(least, model.degree + 1)])
