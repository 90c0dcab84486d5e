"""A gauge study: how much of what is measured on units is the measurement's own.

Every appraiser (a bench, a camera, a person) measures every part several times, the parts and appraisers
taken as drawn by lot: analysis of variance, crossed, random effects. Components are differences of mean
squares; one that comes out below nothing is nothing. Names and limits are common practice (the handbook
"Measurement Systems Analysis" of the AIAG, 4th edition, from memory): EV equipment variation, AV appraiser
variation with the interaction, GRR both, PV part variation, TV total.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import special

from prewarp.checks import require_range
from prewarp.errors import ShapeError
from prewarp.quality.anova import Crossed

# The interaction is taken for repeats where its F test has a larger chance than this (common practice, AIAG).
POOL_ABOVE = 0.25
# A gauge is good below the first share of the tolerance, of no use for a verdict above the second.
GOOD_PERCENT, WORST_PERCENT = 10.0, 30.0
CONFIDENCE = 0.95
# Of a tolerance or spread: six standard deviations, three to one side.
_BOTH_SIDES, _ONE_SIDE = 6.0, 3.0
_FINEST = np.sqrt(2.0)


@dataclass(frozen=True)
class Component:
    """A standard deviation with its 95 % interval, in the unit of the values; `percent` of all variance."""

    sigma: float
    low: float
    high: float
    percent: float

    def as_dict(self) -> dict[str, float]:
        """Return the figures for machines."""
        return {
            "sigma": self.sigma,
            "low95": self.low,
            "high95": self.high,
            "percent_of_variance": self.percent,
        }


@dataclass(frozen=True)
class GaugeStudy:
    """What a gauge study says.

    `ev`, `av`, `grr`, `pv`, `tv`: see the module; `av` is None with one appraiser. `pooled`: the interaction
    was taken for repeats; `interaction_p`: chance of its F. `categories`: how many groups of parts the gauge
    tells apart, 1.41 PV/GRR, whole; None where the gauge showed no spread at all. `tolerance`: what six
    standard deviations are held to (`tolerance_text` says how it was made), None where no limit is given.
    """

    sums: Crossed
    ev: Component
    av: Component | None
    grr: Component
    pv: Component
    tv: float
    pooled: bool
    interaction_p: float | None
    categories: int | None
    tolerance: float | None
    tolerance_text: str

    @property
    def percent_of_tolerance(self) -> tuple[float, float, float] | None:
        """Six standard deviations of GRR in percent of the tolerance, and its 95 % interval."""
        return None if self.tolerance is None else self._share(_BOTH_SIDES / self.tolerance)

    @property
    def percent_of_spread(self) -> float | None:
        """GRR in percent of TV; None where nothing varies."""
        return 100.0 * self.grr.sigma / self.tv if self.tv > 0.0 else None

    @property
    def judged_percent(self) -> float | None:
        """What the verdict goes by: percent of the tolerance, where there is none of the spread."""
        found = self.percent_of_tolerance
        return self.percent_of_spread if found is None else found[0]

    @property
    def is_usable(self) -> bool:
        """Whether units may be judged by this gauge."""
        return self.judged_percent is not None and self.judged_percent <= WORST_PERCENT

    @property
    def sentence(self) -> str:
        """The verdict in words; none of units where the gauge is not good enough."""
        share = self.judged_percent
        of = "the spread of all values (no limit was given)" if self.tolerance is None else "the tolerance"
        if share is None:
            return "No verdict: all values are the same, so nothing is known of the gauge."
        told = f"the gauge takes {share:.1f} % of {of}"
        if share > WORST_PERCENT:
            return (
                f"No verdict on units by this gauge: {told}, more than {WORST_PERCENT:g} %. Mend the gauge, "
                "or take the mean of several measurements, and repeat the study."
            )
        found = self.percent_of_tolerance
        more = (
            f" Its 95 % interval reaches {found[2]:.1f} %: more parts or appraisers would settle it."
            if found is not None and found[2] > WORST_PERCENT
            else ""
        )
        word = "Good" if share < GOOD_PERCENT else "Usable with care"
        return (
            f"{word}: {told} (below {GOOD_PERCENT:g} % is good, above {WORST_PERCENT:g} % of no use).{more}"
        )

    def _share(self, factor: float) -> tuple[float, float, float]:
        one = self.grr
        return 100.0 * factor * one.sigma, 100.0 * factor * one.low, 100.0 * factor * one.high

    def as_dict(self) -> dict[str, Any]:
        """Return the study for machines; what is not known is None."""
        share, sums = self.percent_of_tolerance, self.sums
        return {
            "parts": sums.parts,
            "appraisers": sums.appraisers,
            "trials": sums.trials,
            "sums_of_squares": {
                "part": sums.part,
                "appraiser": sums.appraiser,
                "interaction": sums.interaction,
                "repeat": sums.repeat,
                "total": sums.total,
            },
            "interaction_pooled": self.pooled,
            "interaction_p": self.interaction_p,
            "ev": self.ev.as_dict(),
            "av": None if self.av is None else self.av.as_dict(),
            "grr": self.grr.as_dict(),
            "pv": self.pv.as_dict(),
            "tv": self.tv,
            "distinct_categories": self.categories,
            "tolerance": self.tolerance,
            "percent_of_tolerance": None if share is None else share[0],
            "percent_of_tolerance_interval95": None if share is None else _finite_pair(share[1:]),
            "percent_of_spread": self.percent_of_spread,
            "usable": self.is_usable,
            "sentence": self.sentence,
        }


def gauge_study(
    sums: Crossed,
    /,
    *,
    lower: float | None = None,
    upper: float | None = None,
    mean: float | None = None,
    confidence: float = CONFIDENCE,
) -> GaugeStudy:
    """Return what the sums of squares of a crossed study say of a gauge.

    Parameters
    ----------
    sums : Crossed
    lower, upper : float, optional
        Limits of the values. With both, the tolerance is what lies between; with one, twice the distance from
        `mean` of the parts to it, so that three standard deviations are held to that distance.
    mean : float, optional
        Of all values; needed with one limit.
    confidence : float
        Of the intervals.

    Raises
    ------
    ShapeError
        Limits in the wrong order, or a mean beyond the only limit.

    Notes
    -----
    Intervals: a mean square alone by chi-square; sums of mean squares by Graybill and Wang (1980), one less
    another by Ting, Burdick, Graybill, Jeyaratnam and Lu (1990), as in Burdick, Borror and Montgomery, A
    Review of Methods for Measurement Systems Capability Analysis, Journal of Quality Technology 35(4), 2003:
    from memory; tests hold them to simulated studies.
    """
    require_range(confidence, "confidence", 0.5, 0.9999)
    tolerance, text = _tolerance(lower, upper, mean)
    several = sums.appraisers > 1
    repeat, freedom, pooled, p = sums.repeat, sums.repeat_freedom, False, None
    if several:
        p = _interaction_p(sums)
        pooled = p > POOL_ABOVE
    if pooled:
        repeat, freedom = repeat + sums.interaction, freedom + sums.interaction_freedom
    error = _Square(repeat / freedom, freedom)
    # What parts and appraisers are held to: the interaction where there is one.
    below = error
    if several and not pooled:
        below = _Square(sums.interaction / sums.interaction_freedom, sums.interaction_freedom)
    part = _Square(sums.part / sums.part_freedom, sums.part_freedom)
    each, per_appraiser = sums.appraisers * sums.trials, sums.parts * sums.trials
    pv = _less(part, below, 1.0 / each, confidence)
    ev = _sum([(1.0, error)], confidence)
    av, grr = None, ev
    if several:
        appraiser = _Square(sums.appraiser / sums.appraiser_freedom, sums.appraiser_freedom)
        own = _less(appraiser, below, 1.0 / per_appraiser, confidence)
        both = 0.0 if pooled else max(below.mean - error.mean, 0.0) / sums.trials
        terms = [(1.0 / per_appraiser, appraiser)]
        terms += (
            [(1.0 - 1.0 / per_appraiser, error)]
            if pooled
            else [((sums.parts - 1.0) / per_appraiser, below), (1.0 - 1.0 / sums.trials, error)]
        )
        value, low, high = _sum(terms, confidence)
        # Of components none of which is below nothing; the sum of mean squares may be a little less.
        value = ev[0] + own[0] + both
        grr = value, min(low, value), max(high, value)
        # With an interaction AV lies between the appraisers' own lower end and all of GRR.
        av = own if pooled else (own[0] + both, own[1], grr[2])
    total = grr[0] + pv[0]
    root = np.sqrt(pv[0] / grr[0]) if grr[0] > 0.0 else None
    return GaugeStudy(
        sums,
        _component(ev, total),
        None if av is None else _component(av, total),
        _component(grr, total),
        _component(pv, total),
        float(np.sqrt(total)),
        pooled,
        p,
        None if root is None else int(_FINEST * root),
        tolerance,
        text,
    )


@dataclass(frozen=True)
class _Square:
    """A mean square and its degrees of freedom."""

    mean: float
    freedom: int


_Interval = tuple[float, float, float]


def _component(found: _Interval, total: float) -> Component:
    value, low, high = found
    share = 100.0 * value / total if total > 0.0 else 0.0
    sigma, start, end = (float(np.sqrt(max(one, 0.0))) for one in (value, low, high))
    return Component(sigma, start, end, share)


def _sum(terms: list[tuple[float, _Square]], confidence: float) -> _Interval:
    """Return a sum of mean squares, all with positive factors, and its interval (Graybill and Wang)."""
    value = sum(factor * one.mean for factor, one in terms)
    below, above = 0.0, 0.0
    for factor, one in terms:
        low, high = _factors(one.freedom, confidence)
        below += ((1.0 - low) * factor * one.mean) ** 2
        above += ((high - 1.0) * factor * one.mean) ** 2
    return value, value - np.sqrt(below), value + np.sqrt(above)


def _less(one: _Square, other: _Square, factor: float, confidence: float) -> _Interval:
    """Return (one - other) times a factor, none below nothing, and its interval (Ting et al.)."""
    tail = 0.5 * (1.0 - confidence)
    low, high = _factors(one.freedom, confidence)
    other_low, other_high = _factors(other.freedom, confidence)
    g, h = 1.0 - low, high - 1.0
    other_g, other_h = 1.0 - other_low, other_high - 1.0
    upper = float(special.fdtri(one.freedom, other.freedom, 1.0 - tail))
    lower = float(special.fdtri(one.freedom, other.freedom, tail))
    cross = ((upper - 1.0) ** 2 - (g * upper) ** 2 - other_h**2) / upper
    other_cross = ((1.0 - lower) ** 2 - (h * lower) ** 2 - other_g**2) / lower
    a, b = one.mean, other.mean
    below = (g * a) ** 2 + (other_h * b) ** 2 + cross * a * b
    above = (h * a) ** 2 + (other_g * b) ** 2 + other_cross * a * b
    value = a - b
    ends = value - np.sqrt(max(below, 0.0)), value + np.sqrt(max(above, 0.0))
    return tuple(factor * max(end, 0.0) for end in (value, *ends))  # type: ignore[return-value]


def _factors(freedom: int, confidence: float) -> tuple[float, float]:
    """Return what a mean square times gives the ends of the interval of its expectation (chi-square)."""
    tail = 0.5 * (1.0 - confidence)
    return (
        freedom / float(special.chdtri(freedom, tail)),
        freedom / float(special.chdtri(freedom, 1.0 - tail)),
    )


def _interaction_p(sums: Crossed) -> float:
    """Return the chance of an F of the interaction at least as large where there is none."""
    repeat = sums.repeat / sums.repeat_freedom
    own = sums.interaction / sums.interaction_freedom
    if repeat <= 0.0:
        return 0.0 if own > 0.0 else 1.0
    return float(special.fdtrc(sums.interaction_freedom, sums.repeat_freedom, own / repeat))


def _tolerance(lower: float | None, upper: float | None, mean: float | None) -> tuple[float | None, str]:
    if lower is None and upper is None:
        return None, "no limit was given"
    if lower is not None and upper is not None:
        if not lower < upper:
            raise ShapeError(f"limits {lower:g} and {upper:g}; expected the lower one first.")
        return upper - lower, "between both limits"
    if mean is None:
        raise ShapeError("one limit needs the mean of the values.")
    away = (upper - mean) if upper is not None else mean - float(lower or 0.0)
    if not away > 0.0:
        raise ShapeError(
            f"the mean of all values, {mean:g}, lies beyond the only limit; expected parts within it. Give "
            "both limits, or none."
        )
    return _BOTH_SIDES / _ONE_SIDE * away, "twice the way from the mean of all values to the only limit"


def _finite_pair(ends: tuple[float, float]) -> list[float | None]:
    return [end if np.isfinite(end) else None for end in ends]
