"""How capable a process is of its limits: Cp, Cpk, Ppk, Cpm, each with its interval and the number of units.

Definitions are those of ISO 22514-2 and the NIST/SEMATECH e-Handbook, 6.1.6, from memory. Cp and Cpk use the
spread from unit to unit (moving ranges), Pp and Ppk that of all units. All of them suppose a normal law:
`normality` says how likely the figures are under it.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import special, stats

from prewarp.checks import FloatArray, require_range
from prewarp.errors import ShapeError

CONFIDENCE = 0.95
# Mean range of two draws over the standard deviation: d2 = 2 / sqrt(pi).
MOVING_RANGE_FACTOR = 2.0 / np.sqrt(np.pi)
# A normal law is doubted below this chance; asked from so many units on.
DOUBTED_BELOW, FEWEST_FOR_LAW = 0.01, 8
# The Shapiro-Wilk test is known up to here.
_MOST_FOR_LAW = 5000
FEWEST = 2


@dataclass(frozen=True)
class Spread:
    """A standard deviation and its degrees of freedom, which need not be whole."""

    sigma: float
    freedom: float

    def interval(self, confidence: float = CONFIDENCE, /) -> tuple[float, float]:
        """Return the interval of the standard deviation (chi-square)."""
        low, high = _chi_factors(self.freedom, confidence)
        return self.sigma / high, self.sigma / low


def overall_spread(values: FloatArray, /) -> Spread:
    """Return the standard deviation of all values."""
    _require_some(values)
    return Spread(float(np.std(values, ddof=1)), float(len(values) - 1))


def short_term_spread(values: FloatArray, /) -> Spread:
    """Return the standard deviation from one value to the next: mean moving range over 2 / sqrt(pi).

    Its degrees of freedom are those of a standard deviation that is as sure. For values of one normal law the
    variance of the mean of m moving ranges is (2 - 4/pi + 2 (1 - 1/m) c) / m variances, c = 0.1627 their
    covariance (derived here; for many values 0.605 of n - 1, as Cryer and Ryan, Journal of Quality Technology
    22(3), 1990, from memory).
    """
    _require_some(values)
    ranges = np.abs(np.diff(values))
    count = len(ranges)
    # Two neighbouring differences are correlated by -1/2; E |a b| of a normal pair is known.
    half = 2.0 * (2.0 / np.pi) * (np.sqrt(0.75) - 0.5 * np.arcsin(-0.5)) - 4.0 / np.pi
    variance = (2.0 - 4.0 / np.pi + 2.0 * (1.0 - 1.0 / count) * half) / count
    return Spread(float(ranges.mean() / MOVING_RANGE_FACTOR), float(0.5 * MOVING_RANGE_FACTOR**2 / variance))


@dataclass(frozen=True)
class Index:
    """A capability index, its two-sided interval and the number of units; None where it has no meaning."""

    name: str
    value: float
    low: float
    high: float
    count: int
    confidence: float = CONFIDENCE

    def __str__(self) -> str:
        return f"{self.name} {self.value:.3f} ({self.low:.3f} to {self.high:.3f}; n = {self.count})"

    def as_dict(self) -> dict[str, Any]:
        """Return the figures for machines."""
        return {
            "value": self.value,
            "low": self.low,
            "high": self.high,
            "confidence": self.confidence,
            "n": self.count,
        }


@dataclass(frozen=True)
class Limits:
    """Limits of a figure; None where there is none on that side.

    Raises
    ------
    ShapeError
        None at all, or in the wrong order.
    """

    lower: float | None = None
    upper: float | None = None

    def __post_init__(self) -> None:
        if self.lower is None and self.upper is None:
            raise ShapeError("no limit is set; capability needs one.")
        if self.lower is not None and self.upper is not None and not self.lower < self.upper:
            raise ShapeError(f"limits {self.lower:g} and {self.upper:g}; expected the lower one first.")

    def outside(self, values: FloatArray, /) -> FloatArray:
        """Return which values (n,) lie outside, 1 or 0."""
        low = -np.inf if self.lower is None else self.lower
        high = np.inf if self.upper is None else self.upper
        return ((values < low) | (values > high)).astype(float)


def spread_index(
    name: str, spread: Spread, limits: Limits, count: int, /, *, confidence: float = CONFIDENCE
) -> Index | None:
    """Return Cp (short-term spread) or Pp (of all): the tolerance over six sigma; None with one limit.

    Interval by chi-square (NIST/SEMATECH e-Handbook, 6.1.6, from memory).
    """
    if limits.lower is None or limits.upper is None or not spread.sigma > 0.0:
        return None
    value = (limits.upper - limits.lower) / (6.0 * spread.sigma)
    low, high = _chi_factors(spread.freedom, confidence)
    return Index(name, value, value * low, value * high, count, confidence)


def nearest_index(
    name: str, mean: float, spread: Spread, limits: Limits, count: int, /, *, confidence: float = CONFIDENCE
) -> Index | None:
    """Return Cpk or Ppk: the way from the mean to the nearer limit over three sigma.

    Interval by Bissell's approximation (Applied Statistics 39, 1990, 331): its variance is 1/(9 n) +
    value^2 / (2 degrees of freedom). None where nothing spreads.
    """
    if not spread.sigma > 0.0:
        return None
    away = [
        sign * (end - mean) for sign, end in ((-1.0, limits.lower), (1.0, limits.upper)) if end is not None
    ]
    value = min(away) / (3.0 * spread.sigma)
    z = float(special.ndtri(0.5 + 0.5 * confidence))
    half = z * np.sqrt(1.0 / (9.0 * count) + value**2 / (2.0 * spread.freedom))
    return Index(name, value, float(value - half), float(value + half), count, confidence)


def target_index(
    name: str,
    mean: float,
    spread: Spread,
    limits: Limits,
    count: int,
    /,
    *,
    target: float | None = None,
    confidence: float = CONFIDENCE,
) -> Index | None:
    """Return Cpm: the tolerance over six root mean squares about the target, by default the middle.

    Interval by Boyles's approximation (Journal of Quality Technology 23, 1991, 17, from memory). None with
    one limit.
    """
    if limits.lower is None or limits.upper is None:
        return None
    target = 0.5 * (limits.lower + limits.upper) if target is None else target
    away = mean - target
    root = float(np.hypot(spread.sigma, away))
    if not root > 0.0:
        return None
    value = (limits.upper - limits.lower) / (6.0 * root)
    ratio = (away / spread.sigma) ** 2 if spread.sigma > 0.0 else np.inf
    freedom = count * (1.0 + ratio) ** 2 / (1.0 + 2.0 * ratio)
    low, high = _chi_factors(freedom, confidence)
    return Index(name, value, value * low, value * high, count, confidence)


@dataclass(frozen=True)
class Capability:
    """Capability of one figure over n units, in order of serial.

    `cp`, `pp`, `cpm`: None with one limit. `expected_outside`: share of units outside by the normal law with
    the overall spread; `seen_outside`: of the n units. `law_p`: chance of values as odd as these under a
    normal law (Shapiro and Wilk, Biometrika 52, 1965), None where there are too few to ask.
    """

    limits: Limits
    count: int
    mean: float
    short_term: Spread
    overall: Spread
    cp: Index | None
    cpk: Index | None
    pp: Index | None
    ppk: Index | None
    cpm: Index | None
    expected_outside: float | None
    seen_outside: int
    law_p: float | None

    @property
    def is_normal(self) -> bool | None:
        """False where the normal law is doubted; None where that is not known."""
        return None if self.law_p is None else self.law_p >= DOUBTED_BELOW

    @property
    def indices(self) -> tuple[Index, ...]:
        """Those that have a meaning here."""
        return tuple(one for one in (self.cp, self.cpk, self.pp, self.ppk, self.cpm) if one is not None)

    def as_dict(self) -> dict[str, Any]:
        """Return the figures for machines; what is not known is None."""
        named = {name: getattr(self, name.lower()) for name in ("Cp", "Cpk", "Pp", "Ppk", "Cpm")}
        return {
            "n": self.count,
            "lower": self.limits.lower,
            "upper": self.limits.upper,
            "mean": self.mean,
            "sigma_short_term": self.short_term.sigma,
            "sigma_overall": self.overall.sigma,
            **{name: None if one is None else one.as_dict() for name, one in named.items()},
            "expected_outside": self.expected_outside,
            "seen_outside": self.seen_outside,
            "normal_law_p": self.law_p,
            "normal_law_doubted": None if self.is_normal is None else not self.is_normal,
        }


def capability(
    values: FloatArray, limits: Limits, /, *, target: float | None = None, confidence: float = CONFIDENCE
) -> Capability:
    """Return the capability of values (n,), in the order in which units were made.

    Raises
    ------
    ShapeError
        Fewer than two values, or some that are not finite.
    """
    require_range(confidence, "confidence", 0.5, 0.9999)
    values = np.asarray(values, dtype=float)
    _require_some(values)
    count, mean = len(values), float(np.mean(values))
    short_term, overall = short_term_spread(values), overall_spread(values)
    asked = FEWEST_FOR_LAW <= count <= _MOST_FOR_LAW and overall.sigma > 0.0
    return Capability(
        limits,
        count,
        mean,
        short_term,
        overall,
        spread_index("Cp", short_term, limits, count, confidence=confidence),
        nearest_index("Cpk", mean, short_term, limits, count, confidence=confidence),
        spread_index("Pp", overall, limits, count, confidence=confidence),
        nearest_index("Ppk", mean, overall, limits, count, confidence=confidence),
        target_index("Cpm", mean, overall, limits, count, target=target, confidence=confidence),
        normal_outside(mean, overall.sigma, limits) if overall.sigma > 0.0 else None,
        int(limits.outside(values).sum()),
        float(stats.shapiro(values).pvalue) if asked else None,
    )


def normal_outside(mean: float, sigma: float, limits: Limits, /) -> float:
    """Return the share of a normal law that lies outside limits."""
    below = 0.0 if limits.lower is None else float(special.ndtr((limits.lower - mean) / sigma))
    above = 0.0 if limits.upper is None else float(special.ndtr((mean - limits.upper) / sigma))
    return below + above


def _chi_factors(freedom: float, confidence: float) -> tuple[float, float]:
    """Return what an index by a standard deviation is multiplied by: roots of chi-square over its freedom."""
    tail = 0.5 * (1.0 - confidence)
    low, high = (float(special.chdtri(freedom, one)) for one in (1.0 - tail, tail))
    return float(np.sqrt(low / freedom)), float(np.sqrt(high / freedom))


def _require_some(values: FloatArray) -> None:
    if np.ndim(values) != 1 or len(values) < FEWEST or not np.isfinite(values).all():
        raise ShapeError(
            f"values have shape {np.shape(values)}; expected {FEWEST} finite numbers or more in a row."
        )
