"""Control charts of single values: individuals and moving ranges, and rules for runs, told in words.

Limits as in the NIST/SEMATECH e-Handbook, 6.3.2.2, and ISO 7870-2, from memory: three standard deviations by
the mean moving range. The rules are some of those of the Western Electric handbook (1956) and of Nelson
(Journal of Quality Technology 16(4), 1984, 237), from memory. Where thousands of units are looked at some
runs are seen by chance: how many are expected of a steady normal process stands beside each rule. A chart
says whether a process is steady; it knows nothing of limits that are asked for.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import special

from prewarp.checks import BoolArray, FloatArray
from prewarp.errors import ShapeError
from prewarp.quality.capability import MOVING_RANGE_FACTOR

FEWEST = 3
# Standard deviation of the range of two draws over theirs: d3 = sqrt(2 - 4 / pi).
_RANGE_SPREAD = np.sqrt(2.0 - 4.0 / np.pi)
# More runs of a rule than this is likely for are no chance.
BY_CHANCE = 0.01
# Chances that a normal value lies beyond one, two and three sigma on one side, and that a moving range, whose
# two values differ by a normal law of root 2 sigma, lies beyond its limit.
_ONE, _TWO, _THREE = (float(special.ndtr(-z)) for z in (1.0, 2.0, 3.0))
_FAR = float(2.0 * special.ndtr(-(MOVING_RANGE_FACTOR + 3.0 * _RANGE_SPREAD) / np.sqrt(2.0)))


@dataclass(frozen=True)
class Rule:
    """A rule for runs: `words` say what is seen, `find` which of standardised values (n,) end such a run;
    `rate`: the chance that a value of a steady normal process does (derived here).
    """

    key: str
    words: str
    rate: float
    find: Callable[[FloatArray], BoolArray]


@dataclass(frozen=True)
class Signal:
    """What a rule found in n values: `places` at which runs end, and how many `runs` those are, neighbours
    being one; `expected`: of a steady process.
    """

    rule: Rule
    places: tuple[int, ...]
    runs: int
    expected: float

    @property
    def p(self) -> float:
        """Chance of so many runs in a steady process (Poisson, which errs to the large side)."""
        return float(special.pdtrc(self.runs - 1, self.expected))

    @property
    def is_sure(self) -> bool:
        """Whether there are more than chance explains."""
        return self.p < BY_CHANCE


@dataclass(frozen=True)
class Chart:
    """Individuals and moving ranges of n values; the range at place i is that from value i - 1, NaN at 0.

    `centre`, `low`, `high`: of values; `range_centre`, `range_high`: of ranges. `signals`: of all rules that
    found something, that of ranges last.
    """

    values: FloatArray
    ranges: FloatArray
    centre: float
    low: float
    high: float
    range_centre: float
    range_high: float
    signals: tuple[Signal, ...]

    @property
    def is_steady(self) -> bool:
        """Whether no rule found more than chance explains."""
        return not any(one.is_sure for one in self.signals)

    @property
    def far_ranges(self) -> tuple[int, ...]:
        """Places of ranges beyond their limit."""
        return next((one.places for one in self.signals if one.rule is RANGES), ())

    def as_dict(self, names: list[str], /) -> dict[str, Any]:
        """Return the chart for machines; values are told by `names`, one each."""
        return {
            "centre": self.centre,
            "low": self.low,
            "high": self.high,
            "moving_range_centre": self.range_centre,
            "moving_range_high": self.range_high,
            "steady": self.is_steady,
            "signals": [
                {
                    "rule": one.rule.key,
                    "words": one.rule.words,
                    "at": [names[place] for place in one.places],
                    "runs": one.runs,
                    "expected_by_chance": one.expected,
                    "p": one.p,
                }
                for one in self.signals
            ],
        }


def chart(values: FloatArray, /) -> Chart:
    """Return the chart of values (n,), in the order in which units were made.

    Raises
    ------
    ShapeError
        Fewer than three values, or some that are not finite.
    """
    values = np.asarray(values, dtype=float)
    if values.ndim != 1 or len(values) < FEWEST or not np.isfinite(values).all():
        raise ShapeError(f"values have shape {values.shape}; expected {FEWEST} finite numbers or more.")
    ranges = np.concatenate([[np.nan], np.abs(np.diff(values))])
    mean_range = float(np.mean(ranges[1:]))
    sigma, middle = mean_range / MOVING_RANGE_FACTOR, float(np.mean(values))
    range_high = float(mean_range * (1.0 + 3.0 * _RANGE_SPREAD / MOVING_RANGE_FACTOR))
    standard = (values - middle) / sigma if sigma > 0.0 else np.zeros(len(values))
    found = [_signal(rule, rule.find(standard)) for rule in RULES]
    found.append(_signal(RANGES, np.nan_to_num(ranges, nan=0.0) > range_high))
    return Chart(
        values,
        ranges,
        middle,
        float(middle - 3.0 * sigma),
        float(middle + 3.0 * sigma),
        mean_range,
        range_high,
        tuple(one for one in found if one.places),
    )


def _signal(rule: Rule, flags: BoolArray) -> Signal:
    places = np.flatnonzero(flags)
    runs = int(np.count_nonzero(np.diff(places) > 1)) + 1 if len(places) else 0
    return Signal(rule, tuple(places.tolist()), runs, rule.rate * len(flags))


def _run(flags: BoolArray, length: int, least: int) -> BoolArray:
    """Return where at least so many of the last `length` flags, the last one among them, are set."""
    counts = np.convolve(flags, np.ones(length, dtype=int))[: len(flags)]
    return np.asarray(flags & (counts >= least))


def _either_side(standard: FloatArray, beyond: float, length: int, least: int) -> BoolArray:
    return _run(standard > beyond, length, least) | _run(standard < -beyond, length, least)


def _climbing(standard: FloatArray) -> BoolArray:
    steps = np.diff(standard, prepend=standard[0])
    return _run(steps > 0.0, 5, 5) | _run(steps < 0.0, 5, 5)


RULES = (
    Rule(
        "beyond",
        "one value beyond three sigma of the mean",
        2.0 * _THREE,
        lambda z: _either_side(z, 3.0, 1, 1),
    ),
    Rule(
        "side",
        "nine values in a row on one side of the mean",
        2.0 * 0.5**9,
        lambda z: _either_side(z, 0.0, 9, 9),
    ),
    Rule("climb", "six values in a row, each above the one before, or each below it", 2.0 / 720.0, _climbing),
    Rule(
        "two_of_three",
        "two of three values in a row beyond two sigma on one side",
        2.0 * _TWO * (1.0 - (1.0 - _TWO) ** 2),
        lambda z: _either_side(z, 2.0, 3, 2),
    ),
    Rule(
        "four_of_five",
        "four of five values in a row beyond one sigma on one side",
        2.0 * _ONE * (4.0 * _ONE**3 * (1.0 - _ONE) + _ONE**4),
        lambda z: _either_side(z, 1.0, 5, 4),
    ),
)
RANGES = Rule("range", "one moving range beyond its limit", _FAR, lambda z: np.zeros(len(z), dtype=bool))
