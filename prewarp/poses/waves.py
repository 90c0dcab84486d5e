"""Wavefronts common to all dots as part of a field, beyond what its columns follow.

A capture in one plane cannot tell them from turns of its cameras. The columns follow them only as far as
their panel degree goes; what is left would make them look measured. A field whose other columns are their own
mirror images is taken to have no wavefront that is not (`FieldColumns.waves`).
"""

from dataclasses import dataclass

import numpy as np
from scipy import linalg

from prewarp.checks import FloatArray
from prewarp.fitting.leastsquares import Factor
from prewarp.poses.columns import forward_solved
from prewarp.poses.gauge import Exponents, wavefront_heights, wavefront_slopes
from prewarp.poses.rays import PlacedRays

# Below this share of its square a wave is left to the field's columns: rounding.
_ROUNDING = 1e-8


@dataclass(frozen=True)
class Share:
    """Common wavefronts in the field: `amount` (f,) of each; `taken` (m,) what columns have less for them;
    `half` (f, r) H with H H' the inverse of what the columns leave of E'W E; `tail` (m, f) L^-1 F'W E.
    """

    amount: FloatArray
    taken: FloatArray
    half: FloatArray
    tail: FloatArray


def common_waves(placed: PlacedRays, by_pupil: FloatArray, exponents: Exponents) -> FloatArray:
    """Return grad (s_z phi) (f, 2, n) where rays cross z = 0: what wavefronts phi common to all dots add.

    That is s_z grad phi - phi H t, with H = dq/d(x, y) `by_pupil` (2, 2, n). The field's columns follow it
    only as far as their panel degree goes, which would make a wavefront look measured that no capture in one
    plane can measure. phi = half_x x'^a y'^b, x' = x / half_x, y' = y / half_y.
    """
    frame = placed.samples.frame
    x, y = frame.normalised(placed.samples.reference_mm)
    ratio = np.array([1.0, frame.half_mm[0] / frame.half_mm[1]])[:, None]
    height = frame.half_mm[0] * wavefront_heights(x, y, exponents)
    bent = by_pupil[:, 0] * placed.tangent[:, 0] + by_pupil[:, 1] * placed.tangent[:, 1]
    result: FloatArray = (
        placed.unit[:, 2] * ratio * wavefront_slopes(x, y, exponents) - height[:, None] * bent
    )
    return result


def share_of_waves(
    among: FloatArray, on_rest: FloatArray, joint: FloatArray, unsolved: FloatArray, solver: Factor
) -> Share:
    """Return how much of each wave the field has beyond its columns.

    Parameters
    ----------
    among : (f, f) float array
        E'W E of the waves E.
    on_rest : (f,) float array
        E'W r, r what the columns alone leave.
    joint : (m, f) float array
        F'W E.
    unsolved : (m,) float array
        L^-1 of what solving left of F'W r.
    solver : Factor
        Of the columns.
    """
    tail = forward_solved(solver, joint)
    half = _half_inverse(among - tail.T @ tail, np.diagonal(among))
    amount = half @ (half.T @ (on_rest - tail.T @ unsolved))
    taken = linalg.solve_triangular(solver.lower, tail @ amount, lower=True, trans=1, check_finite=False)
    return Share(amount, taken * solver.scale, half, tail)


def _half_inverse(matrix: FloatArray, size: FloatArray) -> FloatArray:
    """Return H with H H' the inverse of a matrix (f, f) whose rows had `size` before elimination.

    What is so small beside that is left to rounding, and to the columns that took up the rest.
    """
    scale = 1.0 / np.sqrt(size)
    value, axes = np.linalg.eigh(matrix * np.outer(scale, scale))
    good = value > _ROUNDING
    result: FloatArray = scale[:, None] * axes[:, good] / np.sqrt(value[good])
    return result
