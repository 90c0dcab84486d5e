"""What a table of units says of a line: yield, failing limits, capability, control charts, drift of modes."""

import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from prewarp.checks import BoolArray, FloatArray, IntArray
from prewarp.errors import GridError
from prewarp.quality.capability import FEWEST, Capability, Limits, capability
from prewarp.quality.charts import FEWEST as FEWEST_CHART
from prewarp.quality.charts import Chart, chart
from prewarp.quality.conformance import chance_text
from prewarp.quality.shares import ParetoRow, Share, pareto, share
from prewarp.quality.trend import FEWEST as FEWEST_TREND
from prewarp.quality.trend import Trend, trend
from prewarp.quality.units_table import BAD, FLAGS, PASSED, STATUSES, Units
from prewarp.wording import counted

# A mode drifts where a slope as steep is less likely than this among all modes together (Bonferroni).
DRIFT_BELOW = 0.01
# A unit is flagged below this chance.
FLAGGED_BELOW = 1e-3
# What a reason begins with that a unit's own numbers make different from all others.
_KIND_ENDS = re.compile(r"[:;(]|\. |\.$")
_NUMBER = re.compile(r"\d+(?:\.\d+)?(?:e[+-]?\d+)?")


@dataclass(frozen=True)
class FigureOfLine:
    """One figure over the units that have it: `capability` and `chart`, None where there are too few units.

    `places`: of those units among all; `sigma_percent`: 100 times the mean square of the units' own sigma
    over the variance seen, None where sigmas are not told or nothing varies. Above 100 the units may differ
    by more than is seen (of what is not known of each, an estimate says the expected value), so there is no
    capability.
    """

    name: str
    limits: Limits
    places: tuple[int, ...]
    values: FloatArray
    capability: Capability | None
    chart: Chart | None
    trend: Trend | None
    sigma_percent: float | None
    needs: str = ""


@dataclass(frozen=True)
class ModeDrift:
    """One mode over the order of units of the family: `p` is corrected for the number of modes; `meaning`:
    what one sigma of it is, where that is told.
    """

    name: str
    trend: Trend
    p: float
    meaning: str = ""

    @property
    def drifts(self) -> bool:
        """Whether a slope is there."""
        return self.p < DRIFT_BELOW


@dataclass(frozen=True)
class LineReport:
    """All of it. `yield_share`: units that passed, of all; `yield_of_judged`: of those that are not bad."""

    units: Units
    yield_share: Share
    yield_of_judged: Share | None
    figures: tuple[FigureOfLine, ...]
    failing: tuple[ParetoRow, ...]
    drifts: tuple[ModeDrift, ...]
    flagged: Mapping[str, int]

    @property
    def of_family(self) -> BoolArray:
        """Which units (n,) no flag takes from the family: of others modes say nothing."""
        return _of_family(self.units)

    @property
    def drifting(self) -> tuple[ModeDrift, ...]:
        """Modes that drift, the surest first."""
        return tuple(sorted((one for one in self.drifts if one.drifts), key=lambda one: one.p))

    def sentences(self) -> list[str]:
        """Return what is worth saying besides the figures."""
        told = []
        if not self.units.in_order:
            told.append("The rows were not in order of serial; they are taken in that order.")
        for one in self.drifting:
            low, high = one.trend.slope_interval
            where = "" if one.meaning else ": modes.csv says which tolerance the mode belongs to"
            told.append(
                f"{one.name.replace('_', ' ')}{f' ({one.meaning})' * bool(one.meaning)} drifts: "
                f"{100.0 * one.trend.slope:+.2f} prior sigmas per 100 units ({100.0 * low:+.2f} to "
                f"{100.0 * high:+.2f}). A tool may be wearing{where}."
            )
        if self.drifts and not self.drifting:
            told.append(f"No mode drifts (of {len(self.drifts)}, chance below {100.0 * DRIFT_BELOW:g} %).")
        left = int(np.count_nonzero(~self.of_family))
        if self.drifts and left:
            told.append(f"{counted(left, 'unit')} not of the family: left out of the drift of modes.")
        for figure in self.figures:
            name = figure.name.replace("_", " ")
            if figure.needs:
                told.append(f"{name}: not known: needs {figure.needs}.")
            if figure.capability is not None and figure.capability.is_normal is False:
                told.append(
                    f"{name}: the values follow no normal law (chance "
                    f"{chance_text(figure.capability.law_p or 0.0)}), which all indices assume: rely on "
                    "the units seen outside the limits."
                )
            if figure.chart is not None and not figure.chart.is_steady:
                rules = "; ".join(
                    f"{one.rule.words} ({one.runs} times, by chance {one.expected:.2g})"
                    for one in figure.chart.signals
                    if one.is_sure
                )
                told.append(
                    f"{name}: not steady, so its capability does not describe a settled process: {rules}."
                )
        return told

    def as_dict(self) -> dict[str, Any]:
        """Return all of it for machines; what is not known is None."""
        serials = list(self.units.serial)
        return {
            "units": len(self.units),
            "status": {name: self.units.count(name) for name in STATUSES},
            "yield": self.yield_share.as_dict(),
            "yield_of_judged": None if self.yield_of_judged is None else self.yield_of_judged.as_dict(),
            "figures": {one.name: _figure_dict(one, serials) for one in self.figures},
            "failing": [
                {"name": one.name, "units": one.count, "cumulative": one.cumulative} for one in self.failing
            ],
            "modes": {
                one.name: {**one.trend.as_dict(), "p_corrected": one.p, "drifts": one.drifts}
                for one in self.drifts
            },
            "flagged": dict(self.flagged),
            "sentences": self.sentences(),
        }


def line_report(
    units: Units, limits: Mapping[str, Limits], /, *, meanings: Mapping[str, str] | None = None
) -> LineReport:
    """Return what a table of units says; `limits` by name of figure; `meanings` of modes by theirs.

    Raises
    ------
    GridError
        No limit, or one of a figure that the table has not.
    """
    if not limits:
        raise GridError(
            f"{units.source}: no limit is set, so nothing has a capability. Set [limits] in the module "
            "file, or --limit NAME=NUMBER."
        )
    figures = tuple(_figure(units, name, one) for name, one in limits.items())
    passed, bad = units.count(*PASSED), units.count(BAD)
    judged = len(units) - bad
    return LineReport(
        units,
        share(passed, len(units)),
        share(passed, judged) if judged else None,
        figures,
        pareto(_failures(units, limits)),
        _drifts(units, meanings or {}),
        {
            name: int(np.count_nonzero(units.flags[name] < FLAGGED_BELOW))
            for name in FLAGS
            if name in units.flags
        },
    )


def _figure(units: Units, name: str, limits: Limits) -> FigureOfLine:
    values, sigma = units.figure(name)
    places = np.flatnonzero(np.isfinite(values))
    own = values[places]
    if len(own) < FEWEST:
        needs = f"{FEWEST} units or more that have a value ({len(own)} of {len(units)} have one)"
        return FigureOfLine(name, limits, tuple(places.tolist()), own, None, None, None, None, needs)
    percent, needs = None, ""
    if sigma is not None and np.isfinite(sigma[places]).any() and np.ptp(own) > 0.0:
        square, spread = float(np.nanmean(sigma[places] ** 2)), float(np.std(own, ddof=1))
        percent = 100.0 * square / spread**2
        if percent > 100.0:
            needs = (
                f"units that differ by more than each is unsure of ({np.sqrt(square):.2g}; they differ by "
                f"{spread:.2g}, both 1-sigma)"
            )
    return FigureOfLine(
        name,
        limits,
        tuple(places.tolist()),
        own,
        None if needs else capability(own, limits),
        chart(own) if len(own) >= FEWEST_CHART else None,
        trend(_numbers(places), own) if len(own) >= FEWEST_TREND else None,
        percent,
        needs,
    )


def _failures(units: Units, limits: Mapping[str, Limits]) -> Counter[str]:
    """Return how many units exceed each limit; of those that are bad, or failed by none, their reasons."""
    counts: Counter[str] = Counter()
    outside = np.zeros(len(units), dtype=bool)
    for name, one in limits.items():
        values, _ = units.figure(name)
        beyond = np.isfinite(values) & (one.outside(np.nan_to_num(values)) > 0.0)
        counts[name] += int(beyond.sum())
        outside |= beyond
    for place, status in enumerate(units.status):
        if status == BAD:
            counts[f"bad: {_kind(units, place) or 'no reason told'}"] += 1
        elif status not in PASSED and not outside[place]:
            counts[f"failed: {_kind(units, place) or 'by a limit that is not given here'}"] += 1
    return counts


def _kind(units: Units, place: int) -> str:
    """Return what a unit's reason begins with, without its file and numbers: what units have in common."""
    file = re.match(rf"{re.escape(units.serial[place])}(\.\w+)*: ", units.reason[place])
    text = units.reason[place][file.end() if file else 0 :]
    first = _KIND_ENDS.split(text, maxsplit=1)[0].strip()
    return _NUMBER.sub("...", first)


def _of_family(units: Units) -> BoolArray:
    flagged = np.zeros(len(units), dtype=bool)
    for name in FLAGS:
        if name in units.flags:
            flagged |= units.flags[name] < FLAGGED_BELOW
    return ~flagged


def _drifts(units: Units, meanings: Mapping[str, str]) -> tuple[ModeDrift, ...]:
    found, kept = [], _of_family(units)
    for number, values in enumerate(units.modes.T, 1):
        places = np.flatnonzero(np.isfinite(values) & kept)
        if len(places) >= FEWEST_TREND:
            found.append((f"mode_{number}", trend(_numbers(places), values[places])))
    return tuple(
        ModeDrift(name, one, min(one.p * len(found), 1.0), meanings.get(name, "")) for name, one in found
    )


def _numbers(places: IntArray) -> FloatArray:
    """Return the numbers of units, from 1, by their places."""
    return np.asarray(places, dtype=float) + 1.0


def _figure_dict(one: FigureOfLine, serials: list[str]) -> dict[str, Any]:
    own = [serials[place] for place in one.places]
    return {
        "capability": None if one.capability is None else one.capability.as_dict(),
        "chart": None if one.chart is None else one.chart.as_dict(own),
        "trend": None if one.trend is None else one.trend.as_dict(),
        "measurement_percent_of_variance": one.sigma_percent,
        "needs": one.needs,
    }
