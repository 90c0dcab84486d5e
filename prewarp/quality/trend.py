"""A straight line through values in order: intercept, slope, their uncertainty and correlation.

Ordinary least squares (JCGM 100:2008, H.3; NIST StRD, linear regression).
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import special

from prewarp.checks import FloatArray
from prewarp.errors import ShapeError
from prewarp.quality.anova import centre

CONFIDENCE = 0.95
FEWEST = 3


@dataclass(frozen=True)
class Trend:
    """value = intercept + slope (x - origin); `correlation` is that of intercept and slope.

    `residual_sigma`: standard deviation of values about the line; `freedom`: its degrees of freedom; `p`: the
    chance of a slope at least as steep where there is none (Student).
    """

    origin: float
    intercept: float
    slope: float
    intercept_sigma: float
    slope_sigma: float
    correlation: float
    residual_sigma: float
    freedom: int
    p: float

    @property
    def slope_interval(self) -> tuple[float, float]:
        """The 95 % interval of the slope (Student)."""
        half = float(special.stdtrit(self.freedom, 0.5 + 0.5 * CONFIDENCE)) * self.slope_sigma
        return self.slope - half, self.slope + half

    def at(self, x: float, /) -> tuple[float, float]:
        """Return the line at x and its standard uncertainty (JCGM 100, H.3.4, equation H.15)."""
        away = x - self.origin
        cross = 2.0 * away * self.correlation * self.intercept_sigma * self.slope_sigma
        variance = self.intercept_sigma**2 + (away * self.slope_sigma) ** 2 + cross
        return self.intercept + self.slope * away, float(np.sqrt(max(variance, 0.0)))

    def as_dict(self) -> dict[str, Any]:
        """Return the figures for machines."""
        low, high = self.slope_interval
        return {
            "slope": self.slope,
            "slope_low95": low,
            "slope_high95": high,
            "slope_sigma": self.slope_sigma,
            "residual_sigma": self.residual_sigma,
            "p": self.p,
            "n": self.freedom + 2,
        }


def trend(x: FloatArray, values: FloatArray, /, *, origin: float = 0.0) -> Trend:
    """Return the straight line through values (n,) at x (n,); `origin`: where the intercept is told.

    Raises
    ------
    ShapeError
        Fewer than three points, numbers that are not finite, or all x the same.
    """
    x, values = np.asarray(x, dtype=float), np.asarray(values, dtype=float)
    count = len(x)
    good = x.shape == values.shape == (count,) and np.isfinite(x).all() and np.isfinite(values).all()
    if not good or count < FEWEST or not np.ptp(x) > 0.0:
        raise ShapeError(
            f"x of shape {x.shape} and values of shape {values.shape}; expected {FEWEST} pairs of finite "
            "numbers or more, at different x."
        )
    middle, mean = centre(x), centre(values)
    away = x - middle
    square = float(np.sum(away**2))
    slope = float(np.sum(away * (values - mean)) / square)
    rest = values - mean - slope * away
    freedom = count - 2
    sigma = float(np.sqrt(np.sum(rest**2) / freedom))
    slope_sigma = sigma / np.sqrt(square)
    back = origin - middle
    intercept_sigma = sigma * np.sqrt(1.0 / count + back**2 / square)
    correlation = back / square * sigma**2 / (intercept_sigma * slope_sigma) if sigma > 0.0 else 0.0
    t = abs(slope) / slope_sigma if slope_sigma > 0.0 else np.inf * (slope != 0.0)
    return Trend(
        origin,
        mean + slope * back,
        slope,
        float(intercept_sigma),
        float(slope_sigma),
        float(correlation),
        sigma,
        freedom,
        1.0 if np.isnan(t) else float(2.0 * special.stdtr(freedom, -t)),
    )
