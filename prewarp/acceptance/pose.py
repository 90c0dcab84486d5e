"""A shift and a turn common to all shots: the pose of the capture as a whole, which is not the unit's fault.

Removed only where it is asked for, and only as far as the priors of the bench allow: what a bench cannot have
done is the unit's. Channels are moved together, so nothing of a seam is taken away by a turn.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy import special

from prewarp.acceptance.predicted import Capture, Deviations
from prewarp.checks import FloatArray
from prewarp.frames import ARCMIN_PER_RADIAN, arcmin_step, turned_tangent
from prewarp.poses import STAGE_MM, TURN_ARCMIN
from prewarp.robust import robust_fit

# A pose that is less likely than this under its priors is no pose of a bench (chi-square, six numbers).
IMPROBABLE = 1e-3
# Rows are averaged over so many parts of the panel each way, per shot: what they share is one measurement.
_PARTS = 3
_SMALL_RAD = 1e-4


@dataclass(frozen=True)
class BenchPrior:
    """What is known of the pose of a capture beforehand, 1-sigma per axis: mm, and arcmin of turn."""

    stage_mm: float = STAGE_MM
    turn_arcmin: float = TURN_ARCMIN

    @property
    def sigma(self) -> FloatArray:
        """All six, (6,): mm, arcmin."""
        return np.array([self.stage_mm] * 3 + [self.turn_arcmin] * 3)


@dataclass(frozen=True)
class CommonPose:
    """The pose found: `shift_mm`, `turn_arcmin` (3,) with `sigma` (6,), and whether it was `removed`.

    `p`: chance of a pose at least as far under the priors. `covariance` (6, 6): of what stays unknown of it,
    mm and arcmin: after removal that of the estimate, else the priors'.
    """

    shift_mm: FloatArray
    turn_arcmin: FloatArray
    sigma: FloatArray
    p: float
    removed: bool
    prior: BenchPrior
    covariance: FloatArray

    @property
    def sentence(self) -> str:
        """What was removed, or why nothing was."""
        shift = ", ".join(f"{one:.3f}" for one in self.shift_mm)
        turn = ", ".join(f"{one:.2f}" for one in self.turn_arcmin)
        found = f"a shift of ({shift}) mm and a turn of ({turn}) arcmin common to all shots"
        prior = f"priors {self.prior.stage_mm:g} mm and {self.prior.turn_arcmin:g} arcmin"
        if self.removed:
            return f"Removed as the unknown pose of the capture: {found} ({prior})."
        return (
            f"Nothing was removed: {found} would fit best, but that is too far for this bench "
            f"({prior}); it counts as the unit's."
        )

    def as_dict(self) -> dict[str, Any]:
        """Return the pose for machines."""
        return {
            "removed": self.removed,
            "shift_mm": self.shift_mm.tolist(),
            "turn_arcmin": self.turn_arcmin.tolist(),
            "sigma_mm": self.sigma[:3].tolist(),
            "sigma_arcmin": self.sigma[3:].tolist(),
            "prior_mm": self.prior.stage_mm,
            "prior_arcmin": self.prior.turn_arcmin,
            "p": self.p,
            "sentence": self.sentence,
        }


def pose_columns(one: Deviations, /) -> FloatArray:
    """Return what a shift (mm) and a turn (arcmin) do to the steps of rows, (n, 2, 6), arcmin.

    A camera at p + d, turned by r, sees f(p + d) turned back by r (design page, 8.1).
    """
    turns = []
    for axis in np.eye(3):
        turned = turned_tangent(one.tangent, -_SMALL_RAD * axis)
        turns.append(arcmin_step(one.tangent, turned) / (_SMALL_RAD * ARCMIN_PER_RADIAN))
    return np.concatenate([one.per_mm, np.stack(turns, axis=-1)], axis=-1)


def common_pose(capture: Capture, prior: BenchPrior, /) -> CommonPose:
    """Find the common pose that fits best, given the priors (least squares, wrong rows left out)."""
    means, columns = [], []
    for one in capture.groups:
        keys = _part_keys(one)
        count = np.maximum(np.bincount(keys), 1)
        used = np.unique(keys)
        own = pose_columns(one)
        step = np.stack([np.bincount(keys, column) for column in one.step_arcmin.T], axis=-1)
        place = np.stack([[np.bincount(keys, own[:, i, j]) for j in range(6)] for i in range(2)])
        means.append((step / count[:, None])[used])
        columns.append(np.moveaxis(place / count, -1, 0)[used])
    rest, design = np.concatenate(means), np.concatenate(columns)
    sigma = prior.sigma
    # In prior units; a prior is one more row, weighed by the scatter that the rows show.
    unit = (design * sigma).reshape(-1, 6)
    fit = robust_fit(unit, rest.reshape(-1, 1), reject=True)
    scale = max(fit.scale, 1e-9)
    information = unit.T @ unit / scale**2
    covariance = np.linalg.inv(information + np.eye(6))
    value = covariance @ (information @ fit.coefficient[:, 0])
    p = float(special.chdtrc(6, float(value @ value)))
    removed = p >= IMPROBABLE
    full = covariance if removed else np.eye(6)
    return CommonPose(
        value[:3] * sigma[:3],
        value[3:] * sigma[3:],
        np.sqrt(np.diagonal(covariance)) * sigma,
        p,
        removed,
        prior,
        full * np.outer(sigma, sigma),
    )


def without(capture: Capture, pose: CommonPose, /) -> Capture:
    """Return a capture less its common pose."""
    value = np.concatenate([pose.shift_mm, pose.turn_arcmin])
    return replace(capture, groups=tuple(one.less(pose_columns(one) @ value) for one in capture.groups))


def unknown_arcmin(group: Deviations, covariance: FloatArray, /) -> float:
    """Return what an unknown pose with a covariance (6, 6) moves rows by, 1-sigma per axis, RMS, arcmin."""
    columns = pose_columns(group)
    variance = np.einsum("nij,jk,nik->ni", columns, covariance, columns)
    return float(np.sqrt(variance.mean()))


def _part_keys(one: Deviations) -> np.ndarray:
    low, high = one.pixel.min(axis=0), one.pixel.max(axis=0)
    share = (one.pixel - low) / np.maximum(high - low, 1e-9)
    place = np.minimum((share * _PARTS).astype(int), _PARTS - 1)
    return np.asarray((one.shot * _PARTS + place[:, 0]) * _PARTS + place[:, 1])


def describe(pose: CommonPose | None, prior: BenchPrior | None, /) -> Sequence[str]:
    """Return what is said of the poses of the capture."""
    if pose is not None:
        return (pose.sentence,)
    if prior is None:
        return (
            "Poses of the capture are taken as exact, and nothing was removed: state their 1-sigma by "
            "--stage-mm and --turn-arcmin, or remove a common pose by --remove-pose.",
        )
    return (
        "Nothing was removed; the common pose of the capture is taken as uncertain by "
        f"{prior.stage_mm:g} mm and {prior.turn_arcmin:g} arcmin, 1-sigma per axis.",
    )
