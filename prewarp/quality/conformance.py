"""Does a measured value keep its limits? Decision rule with a guard band, and the risk of each verdict.

JCGM 106:2012 (Evaluation of measurement data: the role of measurement uncertainty in conformity assessment);
ISO 14253-1 has the same rule for workpieces. What is not known is None or NaN, never a guess.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import special

from prewarp.errors import ShapeError

PASS, PASS_WITHIN, FAIL_WITHIN, FAIL = "pass", "pass within uncertainty", "fail within uncertainty", "fail"
VERDICTS = (PASS, PASS_WITHIN, FAIL_WITHIN, FAIL)
# Coverage factor for about 95 % (JCGM 100:2008, G.6.6).
COVERAGE = 2.0
RULE = (
    "ISO 14253-1 and JCGM 106: guard band of the expanded uncertainty, coverage factor 2 (about 95 %); pass "
    "and fail only where all of the interval lies on one side of the limit"
)


def interval(value: float, sigma: float, /) -> tuple[float, float]:
    """Return the 95 % interval of a value: the value and its expanded uncertainty either side."""
    return value - COVERAGE * sigma, value + COVERAGE * sigma


def decide(value: float, low: float, high: float, limit: float, /) -> str:
    """Return the verdict on a value with an interval `low` to `high` about it and an upper limit.

    The guard band is what lies between the value and the end of its interval; a value on the limit is within.
    """
    if value <= limit:
        return PASS if high <= limit else PASS_WITHIN
    return FAIL if low > limit else FAIL_WITHIN


def conformance_probability(
    value: float, sigma: float, /, *, lower: float = -np.inf, upper: float = np.inf
) -> float:
    """Return the chance that what was measured lies within limits (JCGM 106, 7.3, equation 7).

    The measured value and its standard uncertainty stand for all that is known (normal law).

    Examples
    --------
    >>> round(conformance_probability(13.6, 1.8, lower=12.5, upper=16.3), 5)  # JCGM 106, 7.4
    0.66263
    """
    if not sigma >= 0.0 or not np.isfinite(value):
        raise ShapeError(f"value {value:g}, sigma {sigma:g}; expected a number, and a sigma of 0 or more.")
    if sigma == 0.0:
        return float(lower <= value <= upper)
    return float(special.ndtr((upper - value) / sigma) - special.ndtr((lower - value) / sigma))


def chance_text(chance: float, /) -> str:
    """Return a chance in words that people read: per cent, or that it is small."""
    if chance < 1e-4:
        return "below 0.01 %"
    # Two digits of 99.5 and more would be 1e+02.
    return f"{100.0 * chance:.2g} %" if chance < 0.995 else "100 %"


@dataclass(frozen=True)
class Verdict:
    """A verdict on one figure. `risk`: the specific risk of this verdict, that is the chance that it is wrong
    for this unit: of a pass that the limit is exceeded (consumer's), of a fail that it is kept (producer's).
    """

    value: float
    sigma: float
    limit: float
    verdict: str
    risk: float

    @property
    def risk_kind(self) -> str:
        """Whose risk it is."""
        return "consumer's" if self.verdict in (PASS, PASS_WITHIN) else "producer's"

    def as_dict(self) -> dict[str, Any]:
        """Return the verdict for machines."""
        return {
            "value": self.value,
            "sigma": self.sigma,
            "limit": self.limit,
            "verdict": self.verdict,
            "specific_risk": self.risk,
            "risk_kind": self.risk_kind,
        }


def judge(value: float, sigma: float, limit: float, /) -> Verdict:
    """Return the verdict on a value with standard uncertainty `sigma` and an upper limit.

    Raises
    ------
    ShapeError
        A sigma that is not known, or negative: without an uncertainty there is no verdict.
    """
    keeps = conformance_probability(value, sigma, upper=limit)
    verdict = decide(value, *interval(value, sigma), limit)
    return Verdict(value, sigma, limit, verdict, 1.0 - keeps if verdict in (PASS, PASS_WITHIN) else keeps)


@dataclass(frozen=True)
class GlobalRisks:
    """Over all units that come: chances that one is wrongly accepted (`consumer`) or rejected (`producer`),
    and that one keeps its limits at all (`conforming`).
    """

    consumer: float
    producer: float
    conforming: float


def global_risks(
    *,
    mean: float,
    spread: float,
    sigma: float,
    lower: float = -np.inf,
    upper: float = np.inf,
    guard: float = 0.0,
) -> GlobalRisks:
    """Return the global risks of a process and a measurement, both normal (JCGM 106, 9.5).

    Parameters
    ----------
    mean, spread : float
        Of the process: mean and standard deviation of the true values.
    sigma : float
        Standard uncertainty of the measurement.
    lower, upper : float
        Limits.
    guard : float
        How far inside the limits a measured value must lie to be accepted.

    Raises
    ------
    ShapeError
        A spread or sigma that is not positive, or limits in the wrong order.
    """
    if not (spread > 0.0 and sigma > 0.0 and lower < upper):
        raise ShapeError(
            f"spread {spread:g}, sigma {sigma:g}, limits {lower:g} and {upper:g}; expected positive numbers "
            "and limits in order."
        )
    # Slow to import, and most who judge ask for no risk of a whole line.
    from scipy import integrate

    low, high = lower + guard, upper - guard

    def accepted(true: float) -> float:
        if low >= high:
            return 0.0
        return float(special.ndtr((high - true) / sigma) - special.ndtr((low - true) / sigma))

    def share(chance: Callable[[float], float], start: float, end: float) -> float:
        start, end = max(start, mean - _FAR * spread), min(end, mean + _FAR * spread)
        if start >= end:
            return 0.0
        # Where the chance turns quickly.
        turns = [one + step * sigma for one in (low, high) for step in (-4.0, 0.0, 4.0)]
        inner = [one for one in turns if start < one < end]

        def integrand(true: float) -> float:
            z = (true - mean) / spread
            return chance(true) * float(np.exp(-0.5 * z * z) / (spread * np.sqrt(2.0 * np.pi)))

        total, _ = integrate.quad(integrand, start, end, points=inner or None, limit=200, epsabs=1e-12)
        return float(total)

    return GlobalRisks(
        share(accepted, -np.inf, lower) + share(accepted, upper, np.inf),
        share(lambda true: 1.0 - accepted(true), lower, upper),
        conformance_probability(mean, spread, lower=lower, upper=upper),
    )


# Beyond so many standard deviations a normal law holds less than 1e-18.
_FAR = 9.0
