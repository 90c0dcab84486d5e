"""The eye tracker: what it knows of the pupil, and how late."""

from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from functools import lru_cache

import numpy as np

from prewarp.checks import FloatArray
from prewarp.errors import ShapeError
from prewarp.records import Number, checked, validate

LARGEST_MM = 20.0
_NOISES = 4096


@dataclass(frozen=True)
class Tracker:
    """Settings of an eye tracker.

    Parameters
    ----------
    accuracy_mm : float
        Accuracy (bias), 1-sigma per axis: calibration, gaze dependence; x and y, normal.
    noise_mm : float
        Precision (noise from sample to sample), 1-sigma per axis, x and y, normal.
    depth_ratio : float
        How many times larger accuracy and noise are along z.
    latency_ms : float
        Time from a sample of the eye to the light of the panel picture drawn with it; where the scan of the
        panels is known, to the start of that frame, and each line adds its own time.
    rate_hz : float
        Samples of the tracker per second; the newest is held, so its age grows by up to one period more.

    Raises
    ------
    ShapeError
        A setting is no number, or out of its range.
    """

    accuracy_mm: float = checked(Number(0.0, LARGEST_MM, "mm"), default=0.5)
    noise_mm: float = checked(Number(0.0, LARGEST_MM, "mm"), default=0.05)
    depth_ratio: float = checked(Number(0.0, 20.0), default=2.0)
    latency_ms: float = checked(Number(0.0, 1000.0, "ms"), default=15.0)
    rate_hz: float = checked(Number(1.0, 1e5, "Hz"), default=200.0)

    def __post_init__(self) -> None:
        validate(self, ShapeError)

    def but(self, **changes: float) -> "Tracker":
        """Return the tracker with other settings."""
        return replace(self, **changes)

    def tracked_mm(
        self, pupil_at: Callable[[float], FloatArray], time_s: float, /, *, seed: int = 1
    ) -> FloatArray:
        """Return what one such tracker says (3,), mm, given where the pupil was at any time up to now.

        Its bias is 1 sigma along +x, +y and +z; the noise of each sample is drawn from `seed`. So over time
        the errors have the mean square that the budget's time samples have over many wearers.
        """
        sample = int(np.floor(time_s * self.rate_hz + 1e-9))
        error = self.accuracy_mm + self.noise_mm * _noise(seed)[sample % _NOISES]
        tracked: FloatArray = error * np.array([1.0, 1.0, self.depth_ratio])
        return tracked + pupil_at(sample / self.rate_hz - self.latency_ms / 1000.0)

    def as_dict(self) -> dict[str, float]:
        """Return the settings; units are in the keys."""
        return asdict(self)


@lru_cache(maxsize=4)
def _noise(seed: int) -> FloatArray:
    return np.random.default_rng(seed).standard_normal((_NOISES, 3))
