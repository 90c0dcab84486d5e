"""Shares of units: yield with its interval, and which limits fail most often."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from scipy import special

from prewarp.checks import require_range
from prewarp.errors import ShapeError

CONFIDENCE = 0.95
METHOD = "Clopper-Pearson"


@dataclass(frozen=True)
class Share:
    """How many of `count` units; `low`, `high`: the interval of the true share (Clopper and Pearson)."""

    hits: int
    count: int
    low: float
    high: float
    confidence: float = CONFIDENCE

    @property
    def value(self) -> float:
        """The share seen."""
        return self.hits / self.count

    def __str__(self) -> str:
        ends = f"{100.0 * self.low:.2f} to {100.0 * self.high:.2f} %"
        return f"{100.0 * self.value:.2f} % ({ends}; {self.hits} of {self.count}, {METHOD})"

    def as_dict(self) -> dict[str, Any]:
        """Return the figures for machines."""
        return {
            "fraction": self.value,
            "low": self.low,
            "high": self.high,
            "hits": self.hits,
            "n": self.count,
            "confidence": self.confidence,
            "method": METHOD,
        }


def share(hits: int, count: int, /, *, confidence: float = CONFIDENCE) -> Share:
    """Return a share and its interval, which holds the truth at least as often as it says.

    Clopper and Pearson, Biometrika 26, 1934, 404: quantiles of beta laws.

    Raises
    ------
    ShapeError
        No units, or more hits than units.
    """
    require_range(confidence, "confidence", 0.5, 0.9999)
    if not (count >= 1 and 0 <= hits <= count):
        raise ShapeError(f"{hits} of {count} units; expected one unit or more, and no more hits than units.")
    tail = 0.5 * (1.0 - confidence)
    low = 0.0 if hits == 0 else float(special.betaincinv(hits, count - hits + 1, tail))
    high = 1.0 if hits == count else float(special.betaincinv(hits + 1, count - hits, 1.0 - tail))
    return Share(hits, count, low, high, confidence)


@dataclass(frozen=True)
class ParetoRow:
    """One cause: how many units it failed, and the share of all failures that it and all above it make."""

    name: str
    count: int
    cumulative: float

    @property
    def words(self) -> str:
        """The cause as people read it: the name of a figure has blanks, a reason is words already."""
        return self.name if " " in self.name else self.name.replace("_", " ")


def pareto(counts: Mapping[str, int], /) -> tuple[ParetoRow, ...]:
    """Return causes with a count above 0, the most frequent first; equal ones by name."""
    kept = sorted(
        ((name, one) for name, one in counts.items() if one > 0), key=lambda item: (-item[1], item[0])
    )
    total, so_far, rows = sum(one for _, one in kept), 0, []
    for name, one in kept:
        so_far += one
        rows.append(ParetoRow(name, one, so_far / total))
    return tuple(rows)
