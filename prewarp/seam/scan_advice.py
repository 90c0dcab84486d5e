"""Which ways to light the panels, and from when on, so that the seam meets in time.

All four directions of every panel are tried together. For each choice the difference of the times over the
overlap has a least and a largest value; a later start of one panel shifts both, so the best start leaves half
of their distance, and what is left is the least worst case of that choice.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np

from prewarp.checks import FloatArray
from prewarp.scan import SCAN_DIRECTIONS, PanelScan
from prewarp.seam.timing import ARCMIN_PER_DEGREE, MS_PER_S

# 4^6 choices are looked through; an eye of more panels is not advised on.
MOST_CHANNELS = 6
# Choices whose worst cases differ by less than this are alike, ms; the one that changes least is taken.
_ALIKE_MS = 1e-6


@dataclass(frozen=True)
class PanelTime:
    """A channel's panel: width and height, px, and its scan as declared."""

    size_px: tuple[int, int]
    scan: PanelScan


@dataclass(frozen=True)
class SharedPoints:
    """Two channels and the panel points (2, n, 2), px, at which they show common directions."""

    channels: tuple[str, str]
    pixel: FloatArray


@dataclass(frozen=True)
class ScanPlan:
    """A way to light the panels of an eye.

    `direction` and `start_ms` by channel; `worst_ms`: the largest difference of times over all overlaps.
    """

    direction: dict[str, str]
    start_ms: dict[str, float]
    worst_ms: float

    @property
    def worst_per_rate(self) -> float:
        """Split at the worst place about the worst axis, arcmin per deg/s."""
        return self.worst_ms * ARCMIN_PER_DEGREE / MS_PER_S

    def text(self) -> str:
        """Return the plan in words."""
        panels = ", ".join(
            f"'{name}' {way} from {self.start_ms[name]:.4g} ms" for name, way in self.direction.items()
        )
        return f"{panels}: at worst {self.worst_ms:.3g} ms, {self.worst_per_rate:.3g} arcmin per deg/s"

    def as_dict(self) -> dict[str, Any]:
        """Return the plan for machines; units are in the keys."""
        return {
            "direction": dict(self.direction),
            "start_ms": dict(self.start_ms),
            "worst_apart_ms": self.worst_ms,
            "worst_axis_arcmin_per_deg_per_s": self.worst_per_rate,
        }


@dataclass(frozen=True)
class ScanAdvice:
    """How the panels of an eye are lit, and how they would be more in step.

    Parameters
    ----------
    declared : ScanPlan
        As the module says.
    starts : ScanPlan
        The best starts, directions as declared.
    own_lines : ScanPlan
        The best of all ways that leave rows rows and columns columns: panels lit from either end.
    best : ScanPlan
        The best of all directions.
    """

    declared: ScanPlan
    starts: ScanPlan
    own_lines: ScanPlan
    best: ScanPlan

    def sentences(self) -> tuple[str, ...]:
        """Return the advice in words: each plan that is better than those before."""
        told = [f"Panels as declared: {self.declared.text()}."]
        least = self.declared.worst_ms
        for what, plan in (
            ("With other starts alone", self.starts),
            ("With panels lit from either end", self.own_lines),
            ("Most in step of all directions and starts", self.best),
        ):
            if plan.worst_ms < least - _ALIKE_MS:
                told.append(f"{what}: {plan.text()}.")
                least = plan.worst_ms
        if len(told) == 1:
            text = self.declared.text()
            return (f"No other way to light the panels is more in step than as declared: {text}.",)
        return tuple(told)

    def as_dict(self) -> dict[str, Any]:
        """Return the advice for machines; units are in the keys."""
        return {
            "as_declared": self.declared.as_dict(),
            "best_starts": self.starts.as_dict(),
            "best_from_either_end": self.own_lines.as_dict(),
            "best": self.best.as_dict(),
            "sentences": list(self.sentences()),
        }


def advise_scans(panels: Mapping[str, PanelTime], shared: Sequence[SharedPoints], /) -> ScanAdvice | None:
    """Return how the panels of an eye are best lit; None for more than six panels, or none that overlap.

    Parameters
    ----------
    panels : mapping
        Channel name to its panel.
    shared : sequence of SharedPoints
        The overlaps.

    Notes
    -----
    A panel lit along its other side is taken to need the same time for a whole picture as now; time per line
    and persistence stay. Starts are shifted together so that the earliest is the earliest declared.
    """
    names = [name for name in panels if any(name in one.channels for one in shared)]
    if not names or len(names) > MOST_CHANNELS:
        return None
    places = [tuple(names.index(name) for name in one.channels) for one in shared]
    # Least and largest difference of times, starts left out, by direction of the first and of the second.
    ranges = np.stack([_ranges(one, panels) for one in shared])
    choices = list(product(range(len(SCAN_DIRECTIONS)), repeat=len(names)))
    declared = tuple(SCAN_DIRECTIONS.index(panels[name].scan.direction) for name in names)
    starts = np.array([panels[name].scan.start_ms for name in names])

    def ends_of(choice: tuple[int, ...]) -> FloatArray:
        return np.stack([ranges[k][choice[a], choice[b]] for k, (a, b) in enumerate(places)])

    def plan(choice: tuple[int, ...], begins: FloatArray, worst: float) -> ScanPlan:
        directions = {name: SCAN_DIRECTIONS[k] for name, k in zip(names, choice, strict=True)}
        times = {name: float(begin) for name, begin in zip(names, begins, strict=True)}
        return ScanPlan(directions, times, worst)

    def with_best_starts(choice: tuple[int, ...]) -> ScanPlan:
        begins, worst = _best_starts(ends_of(choice), places, len(names))
        return plan(choice, begins - begins.min() + starts.min(), worst)

    # No starts do better than half of the widest range.
    least = np.array([0.5 * np.ptp(ends_of(choice), axis=1).max() for choice in choices])
    changes = np.array([np.count_nonzero(np.array(choice) != declared) for choice in choices])
    axes = [panels[name].scan.axis for name in names]
    own = np.array([[_axis(k) for k in choice] == axes for choice in choices])
    order = np.lexsort((changes, np.round(least / _ALIKE_MS)))

    def best_of(allowed: Sequence[int]) -> ScanPlan:
        best = with_best_starts(choices[allowed[0]])
        for k in allowed[1:]:
            if least[k] > best.worst_ms - _ALIKE_MS:
                break
            found = with_best_starts(choices[k])
            best = found if found.worst_ms < best.worst_ms - _ALIKE_MS else best
        return best

    worst = _worst(ends_of(declared), places, starts)
    return ScanAdvice(
        plan(declared, starts, worst),
        with_best_starts(declared),
        best_of([k for k in order if own[k]]),
        best_of(list(order)),
    )


def _axis(direction: int) -> int:
    """Return 0 where lines of a direction, by its place in `SCAN_DIRECTIONS`, are columns, else 1."""
    return 0 if SCAN_DIRECTIONS[direction] in ("left", "right") else 1


def _ranges(shared: SharedPoints, panels: Mapping[str, PanelTime]) -> FloatArray:
    """Return least and largest of second less first, (directions, directions, 2) ms, without starts."""
    first, second = (
        np.stack([_times(panels[name], way, pixel) for way in SCAN_DIRECTIONS])
        for name, pixel in zip(shared.channels, shared.pixel, strict=True)
    )
    apart = second[None] - first[:, None]
    return np.stack([np.nanmin(apart, axis=-1), np.nanmax(apart, axis=-1)], axis=-1)


def _times(panel: PanelTime, direction: str, pixel: FloatArray) -> FloatArray:
    """Return when panel points (n, 2) are lit after the panel's start, were it lit in another direction."""
    axis = _axis(SCAN_DIRECTIONS.index(direction))
    lines = panel.size_px[axis]
    line = pixel[:, axis] - 0.5
    passed = line if direction in ("right", "down") else lines - 1.0 - line
    return panel.scan.persistence_ms / 2.0 + panel.scan.picture_ms(panel.size_px) * passed / lines


def _worst(ends: FloatArray, places: Sequence[tuple[int, ...]], begins: FloatArray) -> float:
    shifts = np.array([begins[b] - begins[a] for a, b in places])
    return float(np.abs(ends + shifts[:, None]).max())


def _best_starts(ends: FloatArray, places: Sequence[tuple[int, ...]], count: int) -> tuple[FloatArray, float]:
    """Return starts (count,) that leave the least worst case, and that; ends (pairs, 2) ms."""
    if len(places) == 1:
        begins = np.zeros(count)
        begins[places[0][1]] = -0.5 * ends[0].sum()
        return begins, float(0.5 * np.ptp(ends[0]))
    # Slow to import, and needed for three panels or more only.
    from scipy.optimize import linprog

    # Unknown: starts and the worst case w; ends + b - a <= w and -(ends + b - a) <= w.
    rows, right = [], []
    for (a, b), own in zip(places, ends, strict=True):
        for sign, end in ((1.0, own[1]), (-1.0, own[0])):
            row = np.zeros(count + 1)
            row[b], row[a], row[-1] = sign, -sign, -1.0
            rows.append(row)
            right.append(-sign * end)
    cost = np.append(np.zeros(count), 1.0)
    # One start is held: only differences count.
    bounds = [(0.0, 0.0), *[(None, None)] * (count - 1), (0.0, None)]
    found = linprog(cost, A_ub=np.array(rows), b_ub=np.array(right), bounds=bounds, method="highs")
    # There always is a solution: the worst case may be as large as need be.
    begins = np.asarray(found.x, dtype=float)[:count]
    return begins, _worst(ends, places, begins)
