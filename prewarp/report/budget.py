"""Budget picture: which trackers keep the seam together, and what is seen with and without one."""

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from prewarp.budget import Budget, Simulation
from prewarp.budget.budget import NO_TRACKER_WILL_DO, NONE_NEEDED
from prewarp.report.style import CHANNEL_COLOURS, INK, figure, figure_bytes, require_any
from prewarp.tracker import LARGEST_MM

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_WIDTH_PX, _HEIGHT_PX = 1500, 720
_LEAST_TOP_MM = 0.2
_SHARES = np.concatenate([np.linspace(0.0, 99.0, 199), np.linspace(99.1, 99.95, 18)])
_TEXT_WIDTH = 86


@dataclass(frozen=True)
class BudgetItem:
    """One module or seam: a short name and its budget."""

    title: str
    budget: Budget


def budget_figure(items: Sequence[BudgetItem], /, *, title: str) -> "Figure":
    """Draw the frontiers of allowed (latency, accuracy) and the distributions of the seam error.

    All items should have one limit; the first one's is drawn. Left: under a line the seam holds, a cross is
    the tracker asked about. Right: how many time samples stay under a seam error.

    Raises
    ------
    ShapeError
        No budgets.
    """
    require_any(items, "items", "budgets")
    limit = items[0].budget.limit
    with figure(_WIDTH_PX, _HEIGHT_PX, title, title_size=15) as drawn:
        left, right = drawn.subplots(1, 2)
        colours = [CHANNEL_COLOURS[number % len(CHANNEL_COLOURS)] for number in range(len(items))]
        for item, colour in zip(items, colours, strict=True):
            _draw_frontier(left, item, colour)
            _draw_distribution(right, item, colour)
        _finish_frontier(left, items)
        _finish_distribution(right, items)
        left.set_title(
            f"Trackers that keep {limit.percentile:g} % of time samples under {limit.seam_arcmin:g} arcmin"
        )
        right.set_title("Cumulative distribution of the seam error over natural eye movement")
        lines = [textwrap.fill(f"{item.title}: {item.budget.sentence()}", _TEXT_WIDTH * 2) for item in items]
        drawn.supxlabel("\n".join(lines), fontsize=11, ha="left", x=0.01)
        return drawn


def budget_picture(items: Sequence[BudgetItem], /, *, title: str) -> bytes:
    """Return `budget_figure` as PNG."""
    return figure_bytes(budget_figure(items, title=title))


def _draw_frontier(axes: "Axes", item: BudgetItem, colour: str) -> None:
    budget = item.budget
    latency, accuracy = budget.frontier.edge
    label = item.title
    if budget.verdict == NO_TRACKER_WILL_DO:
        label += ": no tracker will do"
        axes.plot(latency, accuracy, color=colour, linewidth=1.5, linestyle="dotted", label=label)
        return
    if budget.verdict == NONE_NEEDED:
        # Everything holds: the whole area, none of its edges.
        axes.axhspan(0.0, LARGEST_MM, color=colour, alpha=0.13, linewidth=0)
        axes.plot(
            [],
            [],
            color=colour,
            linewidth=9,
            alpha=0.3,
            label=f"{label}: no tracker needed, holds everywhere",
        )
        return
    if latency.size == 0:
        label += ": none of this rate and noise"
    else:
        label += f": {budget.need()}"
    axes.fill_between(latency, 0.0, accuracy, color=colour, alpha=0.22, linewidth=0)
    axes.plot(latency, accuracy, color=colour, linewidth=2.5, label=textwrap.fill(label, 60))


def _finish_frontier(axes: "Axes", items: Sequence[BudgetItem]) -> None:
    tracker = items[0].budget.tracker
    edges = [item.budget.frontier.edge for item in items if item.budget.verdict != NONE_NEEDED]
    tops = [float(accuracy.max()) for _, accuracy in edges if accuracy.size]
    top = max([_LEAST_TOP_MM, *(one for one in tops if one < LARGEST_MM)])
    last = max([tracker.latency_ms, *(float(latency.max()) for latency, _ in edges if latency.size)])
    axes.plot(
        tracker.latency_ms,
        tracker.accuracy_mm,
        "x",
        color=INK,
        markersize=12,
        markeredgewidth=3,
        label=f"the given tracker: {tracker.accuracy_mm:g} mm, {tracker.latency_ms:g} ms",
    )
    axes.set(
        xlim=(0.0, 1.08 * last),
        ylim=(0.0, 1.9 * max(top, 0.75 * tracker.accuracy_mm)),
        xlabel="latency, eye to light, ms",
        ylabel="accuracy (bias), 1-sigma per axis, mm",
    )
    axes.legend(loc="upper right", title="below its line, the seam of a module holds", alignment="left")


def _curve(simulation: Simulation) -> np.ndarray:
    return (
        np.percentile(simulation.error_arcmin, _SHARES)
        if simulation.error_arcmin.size
        else np.full(len(_SHARES), np.nan)
    )


def _draw_distribution(axes: "Axes", item: BudgetItem, colour: str) -> None:
    for simulation, style, name in (
        (item.budget.tracked, "solid", "with that tracker"),
        (item.budget.fixed, "dashed", "fixed correction, no tracker"),
    ):
        axes.plot(
            np.maximum(_curve(simulation), 1e-3),
            _SHARES,
            color=colour,
            linestyle=style,
            linewidth=2.3,
            label=f"{item.title}, {name}",
        )


def _finish_distribution(axes: "Axes", items: Sequence[BudgetItem]) -> None:
    limit = items[0].budget.limit
    axes.axvline(limit.seam_arcmin, color=INK, linewidth=1.2)
    axes.axhline(limit.percentile, color=INK, linewidth=1.2)
    axes.plot(
        limit.seam_arcmin,
        limit.percentile,
        "o",
        color=INK,
        markersize=9,
        label="limit: pass above and left of it",
    )
    largest = max(
        float(simulation.percentile_arcmin(99.9))
        for item in items
        for simulation in (item.budget.tracked, item.budget.fixed)
        if simulation.error_arcmin.size
    )
    axes.set(
        xscale="log",
        xlim=(0.01, max(3.0 * limit.seam_arcmin, 1.3 * largest)),
        ylim=(0.0, 101.0),
        xlabel="seam error, arcmin",
        ylabel="time samples below it, per cent",
    )
    ticks = [
        tick
        for tick in (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100)
        if tick <= axes.get_xlim()[1]
    ]
    axes.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    axes.minorticks_off()
    axes.legend(loc="lower right", fontsize=10)
