"""What a tracker budget is about: the seam, the eye, what stays anyway, and the limit to meet."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from prewarp.budget.eye import EyeMotion
from prewarp.budget.surface import SeamSurface
from prewarp.checks import FloatArray, as_vectors
from prewarp.errors import ShapeError
from prewarp.records import Number, checked, validate

# Moments begin late enough on a path of the eye for this and the longest latency and period of a tracker
# (`simulate.LEAD_S`); every scan that a module may declare is over by then.
LATEST_MS = 500.0


@dataclass(frozen=True)
class Limit:
    """What a seam has to keep.

    Parameters
    ----------
    seam_arcmin : float
        Largest seam error.
    percentile : float
        Percent of all time samples that must stay under the largest seam error.
    focus_dioptres : float
        Largest focus step across the seam, at the same percentile of its directions. 0.6 is the whole depth
        of focus of a 3 mm pupil at its best (0.3 each way, Campbell 1957): the eye may focus half-way between
        the images.
    """

    seam_arcmin: float = checked(Number(0.01, 600.0, "arcmin"), default=1.0)
    percentile: float = checked(Number(1.0, 99.99, "per cent"), default=95.0)
    focus_dioptres: float = checked(Number(0.01, 20.0, "dioptres"), default=0.6)

    def __post_init__(self) -> None:
        validate(self, ShapeError)

    def as_dict(self) -> dict[str, Any]:
        """Return the limits; units are in the keys."""
        return {
            "seam_arcmin": self.seam_arcmin,
            "percentile_percent": self.percentile,
            "focus_dioptres": self.focus_dioptres,
        }


def _nothing() -> FloatArray:
    return np.zeros((1, 2))


@dataclass(frozen=True)
class BudgetScene:
    """One seam with one eye behind it.

    Parameters
    ----------
    surface : SeamSurface
    motion : EyeMotion
    residual_arcmin : (k, 2) float array
        Seam steps that are there when the tracker is right, right and up; each time sample gets one of them
        (`lookup_residual`).
    residual_sigma_arcmin : float
        1-sigma per axis of further errors that are there when the tracker is right: registration, fit.
    lit_ms : (m,) float array, optional
        When each direction of the surface is lit, after the frame's start: the tracker's latency is then that
        to the frame's start, and each direction adds its own. None: the latency is that to the light.
    """

    surface: SeamSurface
    motion: EyeMotion = field(default_factory=EyeMotion)
    residual_arcmin: FloatArray = field(default_factory=_nothing)
    residual_sigma_arcmin: float = 0.0
    lit_ms: FloatArray | None = None

    def __post_init__(self) -> None:
        if self.lit_ms is not None:
            directions = len(self.surface.tangent)
            times = np.asarray(self.lit_ms, dtype=float)
            if times.shape != (directions,) or not np.all(np.abs(times) <= LATEST_MS):
                raise ShapeError(
                    f"lit_ms has shape {times.shape}; expected {directions} times within {LATEST_MS:g} ms."
                )
            object.__setattr__(self, "lit_ms", times)
        steps = as_vectors(self.residual_arcmin, "residual_arcmin", size=2, meaning="right and up, arcmin")
        if steps.ndim != 2 or len(steps) == 0 or not np.isfinite(steps).all():
            raise ShapeError(
                f"residual_arcmin has shape {steps.shape}; expected finite steps (k, 2), right and up."
            )
        if not 0.0 <= self.residual_sigma_arcmin <= 600.0:
            raise ShapeError(
                f"residual_sigma_arcmin is {self.residual_sigma_arcmin!r}; expected 0 to 600 arcmin."
            )

    def lit_s(self, place: int, /) -> float:
        """Return the time, after what the tracker's latency counts to, at which a direction is lit, s."""
        return 0.0 if self.lit_ms is None else float(self.lit_ms[place]) / 1000.0

    def residual_rms_arcmin(self) -> float:
        """Return the RMS length of what is there when the tracker is right."""
        return float(
            np.sqrt(np.mean(np.sum(self.residual_arcmin**2, axis=1)) + 2.0 * self.residual_sigma_arcmin**2)
        )
