"""`tracker_budget`: how good an eye tracker the seam needs, or that none will do."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from prewarp.budget.frontier import LATENCIES_MS, Bench, Frontier, frontier, term_costs
from prewarp.budget.scene import BudgetScene, Limit
from prewarp.budget.simulate import Effects, Simulation, one_blas_thread, simulate
from prewarp.budget.tracker import LARGEST_MM, Tracker
from prewarp.checks import FloatArray
from prewarp.notebook import html_table

if TYPE_CHECKING:
    from matplotlib.figure import Figure

QUANTILES = (50.0, 90.0, 95.0, 99.0)
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

    def __repr__(self) -> str:
        return (
            f"<Budget: {self.verdict}; {self.limit.percentile:g} % of moments under "
            f"{self._percentile(self.tracked):.3g} arcmin with {self.tracker.accuracy_mm:g} mm and "
            f"{self.tracker.latency_ms:g} ms, {self._percentile(self.fixed):.3g} without a tracker; "
            f"limit {self.limit.seam_arcmin:g}>"
        )

    def _repr_html_(self) -> str:
        rows = [
            (name, *(f"{one.percentile_arcmin(percent):.3g}" for percent in QUANTILES))
            for name, one in (
                ("with the tracker asked about", self.tracked),
                ("without a tracker", self.fixed),
            )
        ]
        head = ("seam error, arcmin", *(f"{percent:g} % of moments under" for percent in QUANTILES))
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
    def reasons(self) -> tuple[str, ...]:
        """Why no tracker will do; empty where one may."""
        found = []
        if self.residual_arcmin > self.limit.seam_arcmin:
            found.append(
                f"what stays with a tracker without error is {self.residual_arcmin:.2f} arcmin "
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
        """Return the verdict in one sentence for people."""
        of = f"{self.limit.percentile:g} % of moments under {self.limit.seam_arcmin:g} arcmin"
        if self.verdict == NO_TRACKER_WILL_DO:
            return f"No tracker will do: {'; '.join(self.reasons)}."
        if self.verdict == NONE_NEEDED:
            return f"No tracker needed: a fixed correction keeps {of} ({self._percentile(self.fixed):.2f})."
        need = self.need()
        state = "meets it" if self.verdict == TRACKER_MEETS else "does not meet it"
        return (
            f"A tracker is needed to keep {of}: {need}. The one asked about "
            f"({self.tracker.accuracy_mm:g} mm, {self.tracker.latency_ms:g} ms) {state} "
            f"({self._percentile(self.tracked):.2f} arcmin)."
        )

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
                f"none of {self.tracker.rate_hz:g} Hz and {self.tracker.noise_mm:g} mm of noise does, "
                "however accurate and early"
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
            "terms": self.terms,
            "polynomial_missed_rms_arcmin": self.surface_rms_arcmin,
            "polynomial_missed_max_arcmin": self.surface_max_arcmin,
        }


def _figures(simulation: Simulation, limit: Limit) -> dict[str, Any]:
    worst = simulation.by_direction_arcmin
    return {
        "moments": len(simulation.error_arcmin),
        "outside_eye_box_percent": 100.0 * simulation.outside_share,
        "pupil_error_rms_per_axis_mm": simulation.pupil_error_rms_mm,
        "rms_arcmin": simulation.rms_arcmin,
        "first_order_rms_arcmin": simulation.first_order_rms_arcmin,
        "at_limit_percentile_arcmin": _finite(simulation.percentile_arcmin(limit.percentile)),
        "worst_direction_at_limit_percentile_arcmin": _finite(np.nanmax(worst))
        if np.isfinite(worst).any()
        else None,
        **{f"p{percent:g}_arcmin": _finite(simulation.percentile_arcmin(percent)) for percent in QUANTILES},
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
    samples: int = 1_000_000,
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
    samples : int
        Moments for the tracker asked about and for the fixed correction, each.
    seed : int
        The same seed gives the same result.

    Raises
    ------
    ShapeError
        `samples` is out of range.
    """
    tracker, limit = tracker or Tracker(), limit or Limit()
    tracked = simulate(scene, tracker, samples=samples, seed=seed, percentile=limit.percentile)
    fixed = simulate(scene, None, samples=samples, seed=seed, percentile=limit.percentile)
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
    )
