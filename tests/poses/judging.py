"""Judging free poses against what the simulated stage did, and a fit against one of exact poses."""

from dataclasses import dataclass

import numpy as np

from prewarp.field import FieldSet, fit_grid
from prewarp.frames import arcmin_between
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
    fields: FieldSet, *, name: str = "coaxial", colour: str = "G", pupils: int = 10
) -> float:
    """Return the RMS angle between the places where a fit shows the panel points of one true direction."""
    module, optics = design(name)
    random = np.random.default_rng(5)
    pupil_mm = random.uniform(-1.0, 1.0, (pupils, 1, 3)) * [4.0, 3.0, 0.0]
    tangent = np.tan(np.radians(random.uniform([-4.0, -13.0], [4.0, 13.0], (1, 60, 2))))
    wavelength_nm = next(one.wavelength_nm for one in module.colours if one.name == colour)
    seen = []
    for channel in module.channels:
        point = trace_channel(
            optics.channel(channel.name),
            channel.panel,
            tangent,
            pupil_mm=pupil_mm,
            wavelength_nm=wavelength_nm,
        ).pixel
        seen.append(fields.field(channel.name, colour).forward(point, pupil_mm=pupil_mm))
    error = arcmin_between(*seen)
    return float(np.sqrt(np.nanmean(error**2)))
