"""Where the entrance pupil is: from photographs of a board that stands still, taken by a camera on a stage.

A stage that only shifts the camera cannot tell where in the camera the entrance pupil is: board and pupil may
be moved together. Turned shots can: the pupil then goes round the point that stays.
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from prewarp.capture.calibration.bundle import Bundle
from prewarp.checks import FloatArray

_ARCMIN = np.pi / 180.0 / 60.0
# Vectors right, up, ahead as right, down, ahead, and back.
_FLIP = np.diag([1.0, -1.0, 1.0])
_LEAST_PHOTOGRAPHS = 4
# Turns must differ by so much from one another for the pupil to go round.
_LEAST_TURN_DEG = 1.0
_UNKNOWNS = 12


@dataclass(frozen=True)
class Stage:
    """Where a stage says that the camera stood in n photographs.

    `place_mm` (n, 3), wearer's axes; `rotation` (n, 3, 3), `camera.pose_rotation`; `sigma_mm`,
    `sigma_arcmin`: how sure each axis of a place and of a turn is.
    """

    place_mm: FloatArray
    rotation: FloatArray
    sigma_mm: float
    sigma_arcmin: float


@dataclass(frozen=True)
class Entrance:
    """The entrance pupil: `place_mm` (3,), right, up and ahead of the point about which the stage turns, in
    the camera's own axes; `sigma_mm` (3,). `misfit`: RMS of what is left, in standard deviations; 1 where
    the stage is as sure as stated.
    """

    place_mm: FloatArray
    sigma_mm: FloatArray
    misfit: float


def entrance_of(bundle: Bundle, stage: Stage, /) -> Entrance | None:
    """Return where the entrance pupil is; None where the shots are too few, or turned too little.

    Generalised least squares of the poses found: board in the camera = M' (H' (b - p) - o), with p and H what
    the stage says, o the pupil in the stage's head, M how the camera is mounted there, b the board. The
    covariance holds marks' noise through the camera found, and the stage's own.
    """
    count = len(bundle.poses)
    axes = stage.rotation[:, :, 2] @ stage.rotation[:, :, 2].T
    turned = np.degrees(np.arccos(np.clip(axes.min(), -1.0, 1.0)))
    if count < _LEAST_PHOTOGRAPHS or turned < _LEAST_TURN_DEG:
        return None
    head = _FLIP @ stage.rotation @ _FLIP
    place = stage.place_mm @ _FLIP
    rotation, shift = bundle.poses.rotation, bundle.poses.shift_mm
    board = head[0] @ rotation[0]
    start = np.concatenate([np.zeros(3), place[0] + head[0] @ shift[0], np.zeros(6)])

    def placed(values: FloatArray) -> tuple[FloatArray, FloatArray]:
        turn = Rotation.from_rotvec(values[:3]).as_matrix() @ board
        mount = Rotation.from_rotvec(values[6:9]).as_matrix()
        back = mount.T @ head.transpose(0, 2, 1)
        return back @ turn, np.einsum("nij,nj->ni", back, values[3:6] - place) - mount.T @ values[9:]

    def residuals(values: FloatArray) -> FloatArray:
        turns, shifts = placed(values)
        off = Rotation.from_matrix(rotation @ turns.transpose(0, 2, 1)).as_rotvec()
        found: FloatArray = whitener @ np.concatenate([off, shift - shifts], axis=1).ravel()
        return found

    whitener = np.eye(6 * count)
    rough = least_squares(residuals, start, x_scale="jac")
    whitener = np.linalg.inv(np.linalg.cholesky(_covariance(bundle, stage, rough.x)))
    found = least_squares(residuals, rough.x, x_scale="jac", xtol=1e-13, ftol=1e-13, gtol=1e-13)
    jacobian = np.asarray(found.jac)
    normal: FloatArray = jacobian.T @ jacobian
    scale = 1.0 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
    scaled = normal * scale * scale[:, None]
    if np.linalg.cond(scaled) > 1e12:
        return None
    misfit = float(np.sqrt(np.sum(found.fun**2) / (6 * count - _UNKNOWNS)))
    covariance = np.linalg.inv(scaled) * scale * scale[:, None] * max(1.0, misfit) ** 2
    mount = Rotation.from_rotvec(found.x[6:9]).as_matrix()
    turn = _FLIP @ mount.T
    sigma = np.sqrt(np.diag(turn @ covariance[9:, 9:] @ turn.T))
    return Entrance(turn @ found.x[9:], sigma, misfit)


def _covariance(bundle: Bundle, stage: Stage, values: FloatArray) -> FloatArray:
    """Return the covariance (6 n, 6 n) of poses found less poses of the stage."""
    first = len(bundle.lens.values)
    total = bundle.covariance[first:, first:].copy()
    mount = Rotation.from_rotvec(values[6:9]).as_matrix()
    lever = bundle.poses.shift_mm + mount.T @ values[9:]
    for index, (x, y, z) in enumerate(lever):
        own = slice(6 * index, 6 * index + 6)
        by_turn = np.zeros((6, 3))
        by_turn[:3] = np.eye(3)
        by_turn[3:] = [[0.0, z, -y], [-z, 0.0, x], [y, -x, 0.0]]
        total[own, own] += (stage.sigma_arcmin * _ARCMIN) ** 2 * by_turn @ by_turn.T
        total[own, own][3:, 3:] += stage.sigma_mm**2 * np.eye(3)
    # A stage that is stated as exact leaves the marks' noise alone; rounding must not make that singular.
    total += np.diag(np.full(len(total), 1e-14))
    return total
