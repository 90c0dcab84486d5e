"""What tests of extraction share: a scene through all steps, with its errors."""

from dataclasses import dataclass

import numpy as np

from prewarp.capture.extract.frames import Frame, PanelMarks, Sensor
from prewarp.capture.extract.view import View, measure_view
from tests.capture.discs import Scene

FOUND = "found"


def frames_of(photographs, whole=1):
    """Return frames of photographs in memory, whole ones first."""
    return [
        Frame(
            "whole" if k < whole else "code",
            k if k < whole else k - whole,
            20.0,
            f"{k}.png",
            lambda values=values: values,
        )
        for k, values in enumerate(photographs)
    ]


def marks_of(scene: Scene) -> PanelMarks:
    """Return the marks of a scene."""
    count = len(scene.panel)
    return PanelMarks(np.arange(count), scene.panel, scene.radii, scene.words)


@dataclass
class Outcome:
    """A view with its errors: `error` (k, 2) and `sigma` (k,) px of accepted dots, `mark` (k,) theirs."""

    view: View
    mark: np.ndarray
    error: np.ndarray
    sigma: np.ndarray

    @property
    def rms(self) -> float:
        """RMS error by axis, px."""
        return float(np.sqrt(np.mean(self.error**2)))

    @property
    def ratio(self) -> float:
        """RMS of error over stated sigma."""
        return float(np.sqrt(np.mean(self.error**2 / self.sigma[:, None] ** 2)))


def outcome(scene: Scene, photographs=None, whole=1) -> Outcome:
    """Return what a scene's photographs give."""
    photographs = scene.frames(whole) if photographs is None else photographs
    sensor = Sensor(scene.black, scene.full_scale)
    view = measure_view(frames_of(photographs, whole), marks_of(scene), sensor)
    measured = view.measured
    if measured is None:
        return Outcome(view, np.zeros(0, int), np.zeros((0, 2)), np.zeros(0))
    good = measured.state == FOUND
    mark = view.mark[good]
    sigma = np.sqrt(np.einsum("nii->n", measured.covariance[good]) / 2.0)
    return Outcome(view, mark, measured.place[good] - scene.place[mark], sigma)
