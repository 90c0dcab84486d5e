"""`tracker_budget`: how good an eye tracker the seam needs, or that none will do."""

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from prewarp.budget.frontier import LATENCIES_MS, Bench, Frontier, frontier, term_costs
from prewarp.budget.interval import half_width
from prewarp.budget.saccades import KINDS
from prewarp.budget.scene import BudgetScene, Limit
from prewarp.budget.simulate import Effects, Simulation, simulate
from prewarp.checks import FloatArray
from prewarp.cores import one_blas_thread
from prewarp.notebook import html_table
from prewarp.tracker import LARGEST_MM, Tracker

if TYPE_CHECKING:
    from matplotlib.figure import Figure

QUANTILES = (50.0, 90.0, 95.0, 99.0)
# Moments are drawn until half of the 95 % interval of the percentile asked for is below this share of it,
# first so many, then twice as many each time, and no more than the last.
PRECISION = 0.02
FIRST_SAMPLES, LAST_SAMPLES = 500_000, 8_000_000
# Moments of the other kind of saccades, for comparison.
OTHER_SAMPLES = 200_000
NO_TRACKER_WILL_DO, NONE_NEEDED, TRACKER_MEETS, TRACKER_FAILS = (
    "no tracker will do",
    "no tracker needed",
    "tracker meets the limit",
    "better tracker needed",
)


@dataclass(frozen=True)
class Budget:
    """Result of `tracker_budget`.

    Parameters
    ----------
    limit, tracker
        What was asked.
    tracked, fixed : Simulation
        With the tracker, and with the correction of a centred pupil.
    residual_arcmin : float
        Percentile of the limit with a tracker without any error.
    frontier : Frontier
        Accuracy allowed for each latency, at the tracker's rate, noise and depth ratio.
    terms : list of dict
        What each term costs (`term_costs`).
    focus_step_dioptres : float or None
        Focus step across the seam at the limit's percentile of directions.
    surface_rms_arcmin, surface_max_arcmin : float
        What the polynomial of the seam error misses.
    saccades : str
        Kind of eye movement that all of this is for (`EyeMotion`).
    other : (str, Simulation, Simulation)
        The other kind, and with it the errors with the tracker and of the fixed correction.
    lit_ms : (m,) float array or None
        When the directions looked at are lit, after the frame's start; latencies then count to that start.
        None where the scan of the panels is not known: latencies count to the light.
    """

    limit: Limit
    tracker: Tracker
    tracked: Simulation
    fixed: Simulation
    residual_arcmin: float
    frontier: Frontier
    terms: list[dict[str, Any]]
    focus_step_dioptres: float | None
    surface_rms_arcmin: float
    surface_max_arcmin: float
    saccades: str
    other: tuple[str, Simulation, Simulation]
    lit_ms: FloatArray | None = None

    def __repr__(self) -> str:
        return (
            f"<Budget: {self.verdict}; {self.limit.percentile:g} % of time samples under "
            f"{self._percentile(self.tracked):.3g} arcmin with {self.tracker.accuracy_mm:g} mm and "
            f"{self.tracker.latency_ms:g} ms, {self._percentile(self.fixed):.3g} without a tracker; "
            f"limit {self.limit.seam_arcmin:g}>"
        )

    def _repr_html_(self) -> str:
        rows = [
            (name, *(f"{one.percentile_arcmin(percent):.3g}" for percent in QUANTILES))
            for name, one in (
                ("with the given tracker", self.tracked),
                ("without a tracker", self.fixed),
            )
        ]
        head = ("seam error, arcmin", *(f"{percent:g} % of time samples under" for percent in QUANTILES))
        return html_table(self.sentence(), head, rows)

    @property
    def verdict(self) -> str:
        """One of `NO_TRACKER_WILL_DO`, `NONE_NEEDED`, `TRACKER_MEETS`, `TRACKER_FAILS`."""
        if self.reasons:
            return NO_TRACKER_WILL_DO
        if self._percentile(self.fixed) <= self.limit.seam_arcmin:
            return NONE_NEEDED
        return TRACKER_MEETS if self._percentile(self.tracked) <= self.limit.seam_arcmin else TRACKER_FAILS

    @property
    def is_precise(self) -> bool:
        """Whether enough time samples were drawn to know the limit's percentile within 2 per cent."""
        return all(self.half_width(one) < PRECISION for one in (self.tracked, self.fixed))

    @property
    def is_certain(self) -> bool:
        """Whether the verdict would be the same at either end of the intervals that the samples leave."""
        limit = self.limit.seam_arcmin
        for one in (self.fixed, self.tracked):
            low, high = one.interval_arcmin(self.limit.percentile)
            # Where a fixed correction is enough, or nothing helps, the tracker asked about decides nothing.
            if low <= limit < high:
                return False
            if high <= limit:
                break
        return abs(self.residual_arcmin - limit) > PRECISION * limit

    def half_width(self, simulation: Simulation, /) -> float:
        """Return half of the 95 % interval of the limit's percentile, over that percentile."""
        return half_width(self._percentile(simulation), simulation.interval_arcmin(self.limit.percentile))

    @property
    def reasons(self) -> tuple[str, ...]:
        """Why no tracker will do; empty where one may."""
        found = []
        if self.residual_arcmin > self.limit.seam_arcmin:
            found.append(
                f"even a tracker without error leaves {self.residual_arcmin:.2f} arcmin "
                f"({self.limit.percentile:g} %), above the limit of {self.limit.seam_arcmin:g}"
            )
        if self.focus_step_dioptres is not None and self.focus_step_dioptres > self.limit.focus_dioptres:
            found.append(
                f"the focus step across the seam is {self.focus_step_dioptres:.2f} dioptres "
                f"({self.limit.percentile:g} %), above the limit of {self.limit.focus_dioptres:g}; "
                "no warp mends that"
            )
        return tuple(found)

    def sentence(self) -> str:
        """Return the verdict for people, and whether enough time samples were drawn for it."""
        return " ".join([self._verdict_sentence(), *self._line_times(), *self.doubts()])

    def _line_times(self) -> list[str]:
        """Return a sentence that says what latencies count to, where lines have times of their own."""
        if self.lit_ms is None:
            return []
        low, high = self.lit_ms.min(), self.lit_ms.max()
        return [f"Latencies count to the frame's start; lines of the seam add {low:.3g} to {high:.3g} ms."]

    def doubts(self) -> list[str]:
        """Return a sentence for each reason to take the figures with care; none where there is none."""
        found = []
        if not self.is_precise:
            widest = max(self.half_width(one) for one in (self.tracked, self.fixed))
            size = f"within {100.0 * widest:.2g} % only" if np.isfinite(widest) else "from below only"
            found.append(
                f"With so few time samples the percentile is known {size}: draw more to know it "
                f"within {100.0 * PRECISION:g} %."
            )
        if not self.is_certain and not self.reasons:
            found.append(
                "The limit lies within the interval that this number of time samples leaves open: "
                "the verdict is undecided."
            )
        return found

    def _verdict_sentence(self) -> str:
        of = f"{self.limit.percentile:g} % of time samples under {self.limit.seam_arcmin:g} arcmin"
        if self.verdict == NO_TRACKER_WILL_DO:
            return f"No tracker will do: {'; '.join(self.reasons)}."
        if self.verdict == NONE_NEEDED:
            return f"No tracker needed: a fixed correction keeps {of} ({self._with_interval(self.fixed)})."
        need = self.need()
        state = "meets it" if self.verdict == TRACKER_MEETS else "does not meet it"
        return (
            f"A tracker is needed to keep {of}: {need}. The given tracker "
            f"({self.tracker.accuracy_mm:g} mm, {self.tracker.latency_ms:g} ms) {state} "
            f"({self._with_interval(self.tracked)} arcmin)."
        )

    def _with_interval(self, simulation: Simulation) -> str:
        low, high = simulation.interval_arcmin(self.limit.percentile)
        return f"{self._percentile(simulation):.3g}, 95 % interval {low:.3g} to {high:.3g}"

    def needed(self) -> tuple[float, float]:
        """Return (latency in ms, accuracy needed there in mm): as late as asked, or half the longest."""
        longest, latency = self.frontier.longest_latency_ms, self.tracker.latency_ms
        if longest is not None and latency > 0.9 * longest:
            latency = 0.5 * longest
        return latency, self.frontier.allowed_mm(latency)

    def need(self) -> str:
        """Return the accuracy that `needed` gives, in words."""
        if not self.frontier.allows_any:
            return (
                f"no tracker of {self.tracker.rate_hz:g} Hz and {self.tracker.noise_mm:g} mm of noise "
                "keeps it, however accurate and early"
            )
        longest = self.frontier.longest_latency_ms
        bound = "" if longest is None else f", and never later than {longest:.0f} ms"
        latency, accuracy = self.needed()
        size = "any accuracy" if accuracy >= LARGEST_MM else f"{accuracy:.2f} mm or better (1-sigma per axis)"
        return f"{size} at {latency:.2g} ms{bound}"

    def plot(self, *, title: str = "Tracker budget") -> "Figure":
        """Return the matplotlib figure that `prewarp budget --picture` writes, of this seam alone."""
        from prewarp.report.budget import BudgetItem, budget_figure

        return budget_figure([BudgetItem("this seam", self)], title=title)

    def _percentile(self, simulation: Simulation) -> float:
        return simulation.percentile_arcmin(self.limit.percentile)

    def _needed_figures(self) -> dict[str, Any] | None:
        if self.verdict in (NO_TRACKER_WILL_DO, NONE_NEEDED) or not self.frontier.allows_any:
            return None
        latency, accuracy = self.needed()
        return {"latency_ms": float(latency), "accuracy_mm": _finite(accuracy)}

    def as_dict(self) -> dict[str, Any]:
        """Return the budget for machines; units are in the keys."""
        return {
            "verdict": self.verdict,
            "sentence": self.sentence(),
            "verdict_certain": self.is_certain,
            "interval_below_2_percent": self.is_precise,
            "saccades": self.saccades,
            "other_saccades": {
                "saccades": self.other[0],
                "tracked": _figures(self.other[1], self.limit),
                "fixed": _figures(self.other[2], self.limit),
            },
            "needed": self._needed_figures(),
            "reasons": list(self.reasons),
            "limit": self.limit.as_dict(),
            "tracker": self.tracker.as_dict(),
            "tracked": _figures(self.tracked, self.limit),
            "fixed": _figures(self.fixed, self.limit),
            "residual_arcmin": self.residual_arcmin,
            "focus_step_dioptres": self.focus_step_dioptres,
            "warp_or_tracker_mends_focus_step": False,
            "frontier": self.frontier.as_dict(),
            "longest_latency_ms": self.frontier.longest_latency_ms,
            "latency_counts_to": "light" if self.lit_ms is None else "frame start",
            "line_lit_after_frame_start_ms": None
            if self.lit_ms is None
            else {
                "least": float(self.lit_ms.min()),
                "median": float(np.median(self.lit_ms)),
                "largest": float(self.lit_ms.max()),
            },
            "terms": self.terms,
            "polynomial_missed_rms_arcmin": self.surface_rms_arcmin,
            "polynomial_missed_max_arcmin": self.surface_max_arcmin,
        }


def _figures(simulation: Simulation, limit: Limit) -> dict[str, Any]:
    worst = simulation.by_direction_arcmin
    return {
        "time_samples": len(simulation.error_arcmin),
        "outside_eye_box_percent": 100.0 * simulation.outside_share,
        "pupil_error_rms_per_axis_mm": simulation.pupil_error_rms_mm,
        "rms_arcmin": simulation.rms_arcmin,
        "first_order_rms_arcmin": simulation.first_order_rms_arcmin,
        "at_limit_percentile_arcmin": _finite(simulation.percentile_arcmin(limit.percentile)),
        "at_limit_percentile_interval95_arcmin": [
            _finite(end) for end in simulation.interval_arcmin(limit.percentile)
        ],
        "worst_direction_at_limit_percentile_arcmin": _finite(np.nanmax(worst))
        if np.isfinite(worst).any()
        else None,
        **{f"p{percent:g}_arcmin": _finite(simulation.percentile_arcmin(percent)) for percent in QUANTILES},
        **{
            f"p{percent:g}_interval95_arcmin": [_finite(end) for end in simulation.interval_arcmin(percent)]
            for percent in QUANTILES
        },
    }


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def tracker_budget(
    scene: BudgetScene,
    /,
    *,
    tracker: Tracker | None = None,
    limit: Limit | None = None,
    focus_step_dioptres: FloatArray | None = None,
    samples: int | None = None,
    seed: int = 0,
    latencies_ms: tuple[float, ...] = LATENCIES_MS,
) -> Budget:
    """Return how good an eye tracker the seam needs.

    Parameters
    ----------
    scene : BudgetScene
        The seam and the eye.
    tracker : Tracker, optional
        The one asked about; its rate, noise and depth ratio also stand for the frontier.
    limit : Limit, optional
        95 % under 1 arcmin if not given.
    focus_step_dioptres : (n,) float array, optional
        Focus step in the directions of the seam (`focus_step`); left out: not judged.
    samples : int, optional
        Moments for the tracker asked about and for the fixed correction, each. If not given, as many as tell
        the limit's percentile within 2 per cent, from half a million to eight.
    seed : int
        The same seed gives the same result.

    Raises
    ------
    ShapeError
        `samples` is out of range.
    """
    tracker, limit = tracker or Tracker(), limit or Limit()
    tracked = _drawn(scene, tracker, limit, samples, seed)
    fixed = _drawn(scene, None, limit, samples, seed)
    (kind,) = (one for one in KINDS if one != scene.motion.saccades)
    moved = replace(scene, motion=replace(scene.motion, saccades=kind))
    few = min(samples or OTHER_SAMPLES, OTHER_SAMPLES)
    others = [_drawn(moved, one, limit, few, seed) for one in (tracker, None)]
    bench = Bench(scene, limit, seed=seed)
    with one_blas_thread():
        residual = bench.percentile_arcmin(Effects())
        edge = frontier(bench, tracker, latencies_ms=latencies_ms)
        terms = term_costs(bench, tracker)
    step = None
    if focus_step_dioptres is not None:
        size = np.abs(focus_step_dioptres)
        step = float(np.percentile(size[np.isfinite(size)], limit.percentile))
    return Budget(
        limit=limit,
        tracker=tracker,
        tracked=tracked,
        fixed=fixed,
        residual_arcmin=residual,
        frontier=edge,
        terms=terms,
        focus_step_dioptres=step,
        surface_rms_arcmin=scene.surface.error_rms_arcmin,
        surface_max_arcmin=scene.surface.error_max_arcmin,
        saccades=scene.motion.saccades,
        other=(kind, others[0], others[1]),
        lit_ms=scene.lit_ms,
    )


def _drawn(
    scene: BudgetScene, tracker: Tracker | None, limit: Limit, samples: int | None, seed: int
) -> Simulation:
    """Return a simulation of so many time samples, or of as many as tell the percentile well enough."""
    count = samples or max(FIRST_SAMPLES, len(scene.surface.tangent))
    while True:
        found = simulate(scene, tracker, samples=count, seed=seed, percentile=limit.percentile)
        value = found.percentile_arcmin(limit.percentile)
        enough = half_width(value, found.interval_arcmin(limit.percentile)) < PRECISION
        if samples or enough or count >= LAST_SAMPLES:
            return found
        count = min(2 * count, LAST_SAMPLES)
