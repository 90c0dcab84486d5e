"""The eye tracker: what it knows of the pupil, and how late."""

from dataclasses import dataclass, replace

from prewarp.errors import ShapeError
from prewarp.records import Number, checked, validate

LARGEST_MM = 20.0


@dataclass(frozen=True)
class Tracker:
    """Settings of an eye tracker.

    Parameters
    ----------
    accuracy_mm : float
        1-sigma per axis of the error that stays (calibration, gaze dependence), x and y, normal.
    noise_mm : float
        1-sigma per axis of the error of each sample, x and y, normal.
    depth_ratio : float
        How many times larger both are along z.
    latency_ms : float
        From a sample of the eye to light from the panel that was drawn with it.
    rate_hz : float
        Samples per second; the newest is held, so its age grows by up to one period more.
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

    def as_dict(self) -> dict:
        """Return the settings; units are in the keys."""
        return {
            "accuracy_mm": self.accuracy_mm,
            "noise_mm": self.noise_mm,
            "depth_ratio": self.depth_ratio,
            "latency_ms": self.latency_ms,
            "rate_hz": self.rate_hz,
        }
