"""The frontier: for each latency the worst accuracy that a tracker may have, and what each term costs."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from prewarp.budget.scene import BudgetScene, Limit
from prewarp.budget.simulate import Effects, begin, draw_moments, effects_of, seam_steps, spread
from prewarp.checks import FloatArray
from prewarp.tracker import LARGEST_MM, Tracker

LATENCIES_MS = (0.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0, 40.0, 60.0, 80.0, 100.0)
# Moments per direction that stay the same for every tracker tried, so that the frontier is smooth.
MOMENTS = 512
# The search for an accuracy ends when its square moves by less than this share, or it by less than LEAST_MM.
SETTLED, LEAST_MM = 0.005, 1e-3
LATENCY_SETTLED_MS = 0.05
NEAR_THE_END = (0.85, 0.95, 0.99)


@dataclass(frozen=True)
class Frontier:
    """Pairs (latency, accuracy) that just meet the limit.

    `latency_ms` (k,); `accuracy_mm` (k,) the largest 1-sigma per axis, NaN where even a tracker without error
    is too late, and no larger than 20 mm; `floor_arcmin` (k,) the percentile at accuracy 0;
    `longest_latency_ms` where the accuracy allowed falls to 0, None where it does not within the latencies
    tried or nothing is allowed at all.
    """

    latency_ms: FloatArray
    accuracy_mm: FloatArray
    floor_arcmin: FloatArray
    longest_latency_ms: float | None

    @property
    def allows_any(self) -> bool:
        """Whether any pair meets the limit."""
        return bool(np.isfinite(self.accuracy_mm).any())

    @property
    def edge(self) -> tuple[FloatArray, FloatArray]:
        """Latencies and accuracies of the pairs that something meets, ended where the accuracy falls to 0."""
        good = np.isfinite(self.accuracy_mm)
        latency, accuracy = self.latency_ms[good], self.accuracy_mm[good]
        if self.longest_latency_ms is not None:
            latency, accuracy = np.append(latency, self.longest_latency_ms), np.append(accuracy, 0.0)
        return latency, accuracy

    def allowed_mm(self, latency_ms: float, /) -> float:
        """Return the accuracy allowed at a latency, interpolated, mm; NaN where none is."""
        latency, accuracy = self.edge
        return float(np.interp(latency_ms, latency, accuracy, right=np.nan)) if latency.size else np.nan

    def as_dict(self) -> list[dict[str, Any]]:
        """Return the pairs for machines; None where no accuracy is enough."""
        return [
            {
                "latency_ms": float(latency),
                "accuracy_mm": float(accuracy) if np.isfinite(accuracy) else None,
                "floor_arcmin": float(floor),
            }
            for latency, accuracy, floor in zip(
                self.latency_ms, self.accuracy_mm, self.floor_arcmin, strict=True
            )
        ]


class Bench:
    """The same moments for every tracker: percentiles of seam error comparable to the last digit."""

    def __init__(self, scene: BudgetScene, limit: Limit, *, seed: int, moments: int = MOMENTS) -> None:
        directions = len(scene.surface.tangent)
        self.scene, self.limit = scene, limit
        self.path, streams = begin(scene, samples=moments * directions, seed=seed)
        self.moments = [draw_moments(scene, self.path, stream, moments) for stream in streams]
        self._delays: tuple[float, float, bool] | None = None
        self._late: list[FloatArray] = []

    def percentile_arcmin(self, effects: Effects | None, /) -> float:
        """Return the limit's percentile for these effects; infinite if the pupil is never in the eye box."""
        late = self._late_mm(effects)

        def work(place: int) -> FloatArray:
            right, up = seam_steps(self.scene, place, self.moments[place], effects, late[place])[0]
            return np.asarray(np.hypot(right, up))

        length = np.concatenate(spread(work, len(self.moments)))
        length = length[np.isfinite(length)]
        return float(np.percentile(length, self.limit.percentile)) if length.size else np.inf

    def _late_mm(self, effects: Effects | None) -> list[FloatArray]:
        """Return the pupils that the tracker saw, per direction; kept while only its accuracy is varied."""
        if effects is None:
            return [one.pupil_mm for one in self.moments]
        delays = (effects.latency_s, effects.period_s, effects.row_times)
        if delays != self._delays:
            self._late = spread(
                lambda place: self.moments[place].late_mm(self.path, effects, self.scene.lit_s(place)),
                len(self.moments),
            )
            self._delays = delays
        return self._late


def frontier(
    bench: Bench, tracker: Tracker, /, *, latencies_ms: tuple[float, ...] = LATENCIES_MS
) -> Frontier:
    """Return the largest accuracy figure for each latency, and some near the last; the rest as in `tracker`.

    The square of the percentile grows nearly linearly with the square of the accuracy: Brent's method on
    squares, between a pair that meets the limit and one that does not.
    """
    floors = [_floor(bench, tracker, latency) for latency in latencies_ms]
    longest = _longest_latency(bench, tracker, latencies_ms, floors)
    known = dict(zip(latencies_ms, floors, strict=True))
    # The curve bends down where it ends.
    known |= {
        share * longest: _floor(bench, tracker, share * longest)
        for share in NEAR_THE_END
        if longest is not None
    }
    latencies = sorted(known)
    accuracy = [_largest_accuracy(bench, tracker.but(latency_ms=one), known[one]) for one in latencies]
    return Frontier(
        np.array(latencies, dtype=float),
        np.array(accuracy),
        np.array([known[one] for one in latencies]),
        longest,
    )


def _floor(bench: Bench, tracker: Tracker, latency_ms: float) -> float:
    """Return the percentile without any error but latency, noise and sampling."""
    return bench.percentile_arcmin(effects_of(tracker.but(accuracy_mm=0.0, latency_ms=latency_ms)))


def _longest_latency(
    bench: Bench, tracker: Tracker, latencies_ms: tuple[float, ...], floors: list[float]
) -> float | None:
    """Return where the floor crosses the limit, by Brent's method within the pair of latencies around it."""
    limit = bench.limit.seam_arcmin
    over = np.flatnonzero(np.array(floors) > limit)
    if over.size == 0 or over[0] == 0:
        return None

    def excess(latency_ms: float) -> float:
        return _floor(bench, tracker, latency_ms) - limit

    low, high = latencies_ms[over[0] - 1], latencies_ms[over[0]]
    return _root(excess, low, high, xtol=LATENCY_SETTLED_MS)


def _largest_accuracy(bench: Bench, tracker: Tracker, floor: float) -> float:
    limit = bench.limit.seam_arcmin
    if floor > limit:
        return np.nan

    def excess(accuracy_mm: float) -> float:
        return bench.percentile_arcmin(effects_of(tracker.but(accuracy_mm=accuracy_mm))) ** 2 - limit**2

    low, high = 0.0, 0.5
    while excess(high) <= 0.0:
        if high >= LARGEST_MM:
            return LARGEST_MM
        low, high = high, min(2.0 * high, LARGEST_MM)
    root = _root(lambda squared: excess(np.sqrt(squared)), low**2, high**2, xtol=LEAST_MM**2, rtol=SETTLED)
    return float(np.sqrt(root))


def _root(
    function: Callable[[float], float],
    low: float,
    high: float,
    *,
    xtol: float,
    rtol: float = 4.0 * np.finfo(float).eps,
) -> float:
    # Slow to import; other commands start without it.
    from scipy.optimize import brentq

    return float(brentq(function, low, high, xtol=xtol, rtol=rtol))


ROW_TIMES = "time of the line"
TERMS = ("accuracy", "sample noise", "depth error", "latency", ROW_TIMES, "sampling", "residual")


def term_costs(bench: Bench, tracker: Tracker, /) -> list[dict[str, Any]]:
    """Return, for each term, the percentile with it alone and with all but it, arcmin.

    The time of the line is a term where the scene knows it.
    """
    full = effects_of(tracker)
    ratio = tracker.depth_ratio
    none = Effects(residual=False, row_times=False)

    def lateral(size_mm: float, effects: Effects) -> Effects:
        return replace(effects, lateral_mm=size_mm, depth_mm=size_mm * ratio)

    alone = {
        "accuracy": replace(none, lateral_mm=tracker.accuracy_mm),
        "sample noise": replace(none, lateral_mm=tracker.noise_mm),
        "depth error": replace(none, depth_mm=full.depth_mm),
        "latency": replace(none, latency_s=full.latency_s),
        ROW_TIMES: replace(none, row_times=True),
        "sampling": replace(none, period_s=full.period_s),
        "residual": replace(none, residual=True),
    }
    without = {
        "accuracy": lateral(tracker.noise_mm, full),
        "sample noise": lateral(tracker.accuracy_mm, full),
        "depth error": replace(full, depth_mm=0.0),
        "latency": replace(full, latency_s=0.0),
        ROW_TIMES: replace(full, row_times=False),
        "sampling": replace(full, period_s=0.0),
        "residual": replace(full, residual=False),
    }
    return [
        {
            "term": term,
            "alone_arcmin": bench.percentile_arcmin(alone[term]),
            "without_it_arcmin": bench.percentile_arcmin(without[term]),
        }
        for term in TERMS
        if term != ROW_TIMES or bench.scene.lit_ms is not None
    ]
