"""Judging free poses against what the simulated stage did, and a fit against one of exact poses."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from prewarp.field import FieldSet, fit_grid
from prewarp.frames import ARCMIN_PER_RADIAN, unit_from_tangent
from prewarp.poses import PoseEstimate, fit_free_poses
from prewarp.trace import trace_channel
from tests.poses.captures import SIGMA_MM, SIGMA_RAD, Errors, HeldOut, capture, design, errors_px


def panel_size(name: str = "coaxial") -> tuple[int, int]:
    """Return the panel size of all channels of a demo."""
    return design(name)[0].channels[0].panel.size_px


@dataclass(frozen=True)
class Trial:
    """One capture: the fit with poses found, that with exact poses, what was found, what the stage did."""

    free: FieldSet
    exact: FieldSet
    found: PoseEstimate
    errors: Errors
    labels: np.ndarray

    def ratio(self, truth: HeldOut, *, remove: str = "similarity") -> float:
        """Return the error at held-out rays over that of exact poses."""
        return errors_px(self.free, truth, remove=remove) / errors_px(self.exact, truth, remove=remove)

    def observable_scores(self) -> np.ndarray:
        """Return errors of the observable modes over their stated sigma, one number a mode."""
        order = [
            int(np.argmin(np.linalg.norm(self.labels - one, axis=1))) for one in self.found.shots.label_mm
        ]
        true = np.concatenate(
            [self.errors.offset_mm[order] / SIGMA_MM, self.errors.turn_rad[order] / SIGMA_RAD], axis=1
        )
        said = np.concatenate(
            [self.found.poses.offset_mm / SIGMA_MM, self.found.poses.turn_rad / SIGMA_RAD], axis=1
        )
        variance, modes = np.linalg.eigh(self.found.covariance)
        is_known = variance < 0.25
        return ((said - true).ravel() @ modes[:, is_known]) / np.sqrt(variance[is_known])


def trial(errors: Errors, labels: np.ndarray, seed: int, *, name: str = "coaxial", **options) -> Trial:
    """Return what becomes of a capture by a wrong stage; the same noise with exact poses beside it."""
    size = panel_size(name)
    wrong = capture(errors, labels, np.random.default_rng(seed), name=name, **options)
    nothing = Errors(np.zeros_like(labels), np.zeros_like(labels))
    right = capture(nothing, labels, np.random.default_rng(seed), name=name, **options)
    free, found = fit_free_poses(wrong, panel_size_px=size, family="polynomial")
    return Trial(free, fit_grid(right, panel_size_px=size, family="polynomial"), found, errors, labels)


def seam_error_arcmin(
    fields: FieldSet, *, name: str = "coaxial", colour: str = "G", pupils: int = 10, remove: str = ""
) -> float:
    """Return the RMS angle between the places where a fit shows the panel points of one true direction.

    `remove`: "similarity" takes out the shift, turn and scale of both channels together that agree best: only
    labels tell those, and where the channels' images lie at different distances a shift parts them.
    """
    module, optics = design(name)
    random = np.random.default_rng(5)
    pupil_mm = random.uniform(-1.0, 1.0, (pupils, 1, 3)) * [4.0, 3.0, 0.0]
    tangent = np.tan(np.radians(random.uniform([-4.0, -13.0], [4.0, 13.0], (1, 60, 2))))
    wavelength_nm = next(one.wavelength_nm for one in module.colours if one.name == colour)
    seen, moved = [], []
    for channel in module.channels:
        point = trace_channel(
            optics.channel(channel.name),
            channel.panel,
            tangent,
            pupil_mm=pupil_mm,
            wavelength_nm=wavelength_nm,
        ).pixel
        field = fields.field(channel.name, colour)
        seen.append(unit_from_tangent(field.forward(point, pupil_mm=pupil_mm)))
        moved.append(np.stack([_moved(field, point, pupil_mm, motion) for motion in range(7)], axis=-1))
    error, columns = seen[0] - seen[1], moved[0] - moved[1]
    good = np.isfinite(error).all(axis=-1) & np.isfinite(columns).all(axis=(-2, -1))
    error = error[good]
    if remove:
        matrix = columns[good].reshape(-1, 7)
        error = error - (matrix @ np.linalg.lstsq(matrix, error.ravel(), rcond=1e-9)[0]).reshape(-1, 3)
    return float(np.sqrt(np.mean(np.sum(error**2, axis=-1)))) * ARCMIN_PER_RADIAN


def _moved(field, point, pupil_mm, motion: int) -> np.ndarray:
    """Return what one of the seven common motions changes of directions of panel points, per mm or radian.

    Shift along an axis, turn about one (the eye box turned with the directions), or all drawn apart.
    """
    step = 1e-3 if motion in (0, 1, 2, 6) else 1e-4

    def at(amount: float) -> np.ndarray:
        if motion < 3:
            return unit_from_tangent(field.forward(point, pupil_mm=pupil_mm + amount * np.eye(3)[motion]))
        if motion == 6:
            return unit_from_tangent(field.forward(point, pupil_mm=pupil_mm * (1.0 + amount)))
        turn = Rotation.from_rotvec(amount * np.eye(3)[motion - 3])
        place = turn.inv().apply(pupil_mm.reshape(-1, 3)).reshape(pupil_mm.shape)
        unit = unit_from_tangent(field.forward(point, pupil_mm=place))
        return turn.apply(unit.reshape(-1, 3)).reshape(unit.shape)

    return (at(step) - at(-step)) / (2.0 * step)
