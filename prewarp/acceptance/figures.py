"""One figure of a unit as it was measured: value, uncertainty with its parts, limit and verdict."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from prewarp.quality.conformance import FAIL, FAIL_WITHIN, PASS, PASS_WITHIN, Verdict, judge

NOT_KNOWN, NO_LIMIT = "not known", "no limit set"
NAMES = {
    "place_px": "error of place",
    "place_arcmin": "error of place in angle",
    "seam_error_p95_arcmin": "seam error with the tracker",
    "luminance_step_percent": "luminance step at the seam",
    "focus_step_dioptres": "focus step",
    "field_lost_percent": "field lost",
}
# The worst first: what is not known may hide anything but a fail.
ORDER = (FAIL, NOT_KNOWN, FAIL_WITHIN, PASS_WITHIN, PASS)
# What was not captured may differ by as much as this share of a figure that holds over 95 % of all, 1-sigma:
# a belief, so that a fail by little is none.
NOT_SEEN = 0.25
# Outside this, figures are told without a verdict: nothing is measured so well.
LEAST_SIGMA = 1e-9


@dataclass(frozen=True)
class Figure:
    """A figure; `value` is None where it is not known, and `needs` says what is missing.

    `key`: the limit it is held to; `of`: channel and colour, or a pair of channels. `parts`: standard
    uncertainties by source, in `unit`, which add as squares; None of a source that is not known. `raw`: as
    measured, the capture's noise in it. `limit`: None where none is set.
    """

    key: str
    of: str
    unit: str
    value: float | None = None
    parts: Mapping[str, float] = field(default_factory=dict)
    raw: float | None = None
    count: int = 0
    needs: str = ""
    note: str = ""
    limit: float | None = None

    @property
    def name(self) -> str:
        """What it is and of what, in words."""
        return f"{NAMES[self.key]}{f' of {self.of}' if self.of else ''}"

    @property
    def sigma(self) -> float | None:
        """Standard uncertainty; None where the value is not known."""
        if self.value is None:
            return None
        return max(float(np.sqrt(sum(part**2 for part in self.parts.values()))), LEAST_SIGMA)

    @property
    def judged(self) -> Verdict | None:
        """The verdict with its risk; None without a limit or without a value that may be judged."""
        if self.limit is None or self.value is None:
            return None
        found = judge(self.value, float(self.sigma or 0.0), self.limit)
        # What was not seen can only make it worse: a fail stays one.
        return None if self.needs and found.verdict != FAIL else found

    @property
    def verdict(self) -> str:
        """A verdict of `quality.conformance`, "not known" or "no limit set"."""
        if self.limit is None:
            return NO_LIMIT
        return NOT_KNOWN if self.judged is None else self.judged.verdict

    def as_dict(self) -> dict[str, Any]:
        """Return the figure for machines; what is not known is None."""
        judged = self.judged
        return {
            "limit_key": self.key,
            "of": self.of,
            "unit": self.unit,
            "value": self.value,
            "sigma": self.sigma,
            "sigma_parts": dict(self.parts),
            "with_noise": self.raw,
            "samples": self.count,
            "limit": self.limit,
            "verdict": self.verdict,
            "specific_risk": None if judged is None else judged.risk,
            "risk_kind": None if judged is None else judged.risk_kind,
            "needs": self.needs,
            "note": self.note,
        }


def worst_verdict(figures: list[Figure], /) -> str | None:
    """Return the worst verdict of figures that have a limit; None where none has."""
    found = {one.verdict for one in figures if one.limit is not None}
    return next((word for word in ORDER if word in found), None)


def least_risk(figures: list[Figure], verdict: str | None, /) -> float | None:
    """Return the risk that the verdict on a unit is wrong, at least: of a pass the largest of one figure."""
    judged = [one.judged for one in figures if one.judged is not None]
    if verdict in (PASS, PASS_WITHIN):
        return float(max(one.risk for one in judged))
    return None if verdict not in (FAIL, FAIL_WITHIN) else 0.0


def whole_risk(figures: list[Figure], verdict: str | None, /) -> float | None:
    """Return the risk that the verdict on a unit is wrong, at most (specific, JCGM 106).

    A pass is wrong where any limit is exceeded: the risks of all are added (Bonferroni). A fail is wrong only
    where all limits that failed are kept: the least of their risks.
    """
    judged = [one.judged for one in figures if one.judged is not None]
    if verdict in (PASS, PASS_WITHIN):
        return float(min(sum(one.risk for one in judged), 1.0))
    if verdict in (FAIL, FAIL_WITHIN):
        return float(min(one.risk for one in judged if one.verdict == verdict))
    return None
