"""Pictures of a production line: capability sheet, control charts, drift of modes."""

import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from prewarp.checks import FloatArray
from prewarp.quality.capability import FEWEST, Limits
from prewarp.quality.charts import RANGES
from prewarp.quality.conformance import chance_text
from prewarp.quality.line_report import FigureOfLine, LineReport, ModeDrift
from prewarp.quality.units_table import STATUSES
from prewarp.report.style import BLUE, GREEN, INK, ORANGE, PAPER, RED, figure, figure_bytes, text_colour
from prewarp.wording import counted

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure

_WIDTH_PX, _ROW_PX, _HEAD_PX = 1500, 330, 60
_STATUS_COLOURS = dict(zip(STATUSES, (GREEN, BLUE, ORANGE, RED, INK), strict=True))
_MOST_BINS, _MOST_CAUSES, _MOST_MODES, _MOST_FIGURES = 40, 8, 12, 8
_LONGEST_NAME, _LONGEST_SERIAL, _LONGEST_MEANING, _LONGEST_LINE = 42, 12, 52, 48
# How many times the height of all values and control limits a limit may lie beyond them and be drawn.
_FAR = 1.5


def line_pictures(found: LineReport, /, *, title: str = "") -> Iterator[tuple[str, bytes]]:
    """Yield names and PNG bytes of the pictures of a line; modes only where the table has some."""
    yield "capability.png", figure_bytes(capability_figure(found, title=title))
    if any(one.chart is not None for one in found.figures):
        yield "control.png", figure_bytes(control_figure(found, title=title))
    if found.drifts:
        yield "modes.png", figure_bytes(modes_figure(found, title=title))


def capability_figure(found: LineReport, /, *, title: str = "") -> "Figure":
    """Draw the capability sheet: status of all units, what fails, each figure's values with its indices."""
    shown = found.figures[:_MOST_FIGURES]
    rows = 1 + len(shown)
    head = f"{title}: {len(found.units)} units, yield {found.yield_share}"
    with figure(_WIDTH_PX, _HEAD_PX + _ROW_PX * rows, head) as drawn:
        top, *parts = drawn.subfigures(rows, 1, squeeze=False)[:, 0]
        left, right = top.subplots(1, 2)
        _draw_statuses(left, found)
        _draw_pareto(right, found)
        for part, one in zip(parts, shown, strict=True):
            values, words = part.subplots(1, 2, width_ratios=(3, 2))
            _draw_values(values, one)
            _write_indices(words, one)
    return drawn


def control_figure(found: LineReport, /, *, title: str = "") -> "Figure":
    """Draw individuals and moving ranges of every figure, with the rules that found something."""
    shown = [one for one in found.figures if one.chart is not None][:_MOST_FIGURES]
    head = f"{title}: individuals and moving ranges of {counted(len(found.units), 'unit')}"
    with figure(_WIDTH_PX, _HEAD_PX + 2 * _ROW_PX * len(shown), head) as drawn:
        axes = drawn.subplots(2 * len(shown), 1, squeeze=False)[:, 0]
        for number, one in enumerate(shown):
            _draw_individuals(axes[2 * number], one)
            _draw_ranges(axes[2 * number + 1], one)
            for place in axes[2 * number : 2 * number + 2]:
                _name_units(place, found)
    return drawn


def modes_figure(found: LineReport, /, *, title: str = "") -> "Figure":
    """Draw modes over the order of units, those that drift first."""
    shown = sorted(found.drifts, key=lambda one: (one.p, one.trend.p))[:_MOST_MODES]
    columns = 3
    rows = -(-len(shown) // columns)
    drifting = ", ".join(one.name.replace("_", " ") for one in found.drifting[:_MOST_MODES]) or "none"
    left = int(np.count_nonzero(~found.of_family))
    head = f"{title}: modes that drift: {drifting}" + (f"; {left} not of the family left out" if left else "")
    with figure(_WIDTH_PX, _HEAD_PX + _ROW_PX * rows, head) as drawn:
        axes = drawn.subplots(rows, columns, squeeze=False).ravel()
        for place, one in zip(axes, shown, strict=False):
            _draw_mode(place, found, one)
            _name_units(place, found)
        for place in axes[len(shown) :]:
            place.set_visible(False)
    return drawn


def _draw_statuses(axes: "Axes", found: LineReport) -> None:
    counts = [found.units.count(name) for name in STATUSES]
    axes.barh(range(len(STATUSES)), counts, color=[_STATUS_COLOURS[name] for name in STATUSES])
    axes.set_yticks(range(len(STATUSES)), STATUSES)
    axes.invert_yaxis()
    for place, count in enumerate(counts):
        axes.annotate(f" {count}", (count, place), va="center")
    axes.margins(x=0.12)
    _count_units(axes.xaxis)
    axes.set(xlabel="units", title="Verdicts")


def _draw_pareto(axes: "Axes", found: LineReport) -> None:
    shown = found.failing[:_MOST_CAUSES]
    axes.set_title("What fails, most frequent first")
    if not shown:
        axes.text(0.5, 0.5, "nothing failed", ha="center", va="center", transform=axes.transAxes)
        axes.set_axis_off()
        return
    names = [_short(one.words) for one in shown]
    axes.barh(range(len(shown)), [one.count for one in shown], color=BLUE)
    axes.set_yticks(range(len(shown)), names)
    axes.invert_yaxis()
    for place, one in enumerate(shown):
        axes.annotate(f" {one.count}, sum {100.0 * one.cumulative:.0f} %", (one.count, place), va="center")
    axes.margins(x=0.3)
    _count_units(axes.xaxis)
    left = len(found.failing) - len(shown)
    axes.set_xlabel("units" + (f"; {left} more causes" if left else ""))


def _draw_values(axes: "Axes", one: FigureOfLine) -> None:
    name = one.name.replace("_", " ")
    axes.set(xlabel=name, ylabel="units", title=name)
    if len(one.values) < FEWEST:
        axes.text(0.5, 0.5, "too few units have a value", ha="center", transform=axes.transAxes)
        axes.set_axis_off()
        return
    edges = _edges(one)
    axes.hist(one.values, bins=edges.tolist(), color=BLUE, edgecolor=PAPER, linewidth=0.4)
    _count_units(axes.yaxis)
    spread = 0.0 if one.capability is None else one.capability.overall.sigma
    if one.capability is not None and spread > 0.0:
        x = np.linspace(one.values.min() - spread, one.values.max() + spread, 300)
        law = np.exp(-0.5 * ((x - one.capability.mean) / spread) ** 2) / (spread * np.sqrt(2.0 * np.pi))
        axes.plot(x, law * len(one.values) * (edges[1] - edges[0]), color=INK, linewidth=1.2)
    for end in (one.limits.lower, one.limits.upper):
        if end is not None:
            axes.axvline(end, color=RED, linewidth=2.0)


def _write_indices(axes: "Axes", one: FigureOfLine) -> None:
    axes.set_axis_off()
    own = one.capability
    lines = [f"limit {_limits_in_words(one.limits)}"]
    if own is None:
        lines += ["capability: not known: needs", *textwrap.wrap(one.needs, _LONGEST_LINE)]
        _write(axes, lines)
        return
    lines[0] += f"; mean {own.mean:.4g}"
    lines += [str(index) for index in own.indices]
    if own.cp is None:
        lines.append("Cp, Pp, Cpm: not known: need two limits")
    if own.expected_outside is not None:
        lines.append(
            f"outside by the normal law {100.0 * own.expected_outside:.3g} %; seen {own.seen_outside}"
        )
    law = {
        None: "normal law not tested: too few units",
        True: "normal law not rejected",
        False: "NO normal law",
    }
    lines.append(law[own.is_normal] + ("" if own.law_p is None else f" (chance {chance_text(own.law_p)})"))
    if one.sigma_percent is not None:
        lines.append(f"measurement: {one.sigma_percent:.3g} % of the variance")
    if one.chart is not None:
        lines.append("steady" if one.chart.is_steady else "NOT steady: see control.png")
    _write(axes, lines)


def _write(axes: "Axes", lines: list[str]) -> None:
    axes.text(0.0, 0.98, "\n".join(lines), va="top", fontsize=11, linespacing=1.5, transform=axes.transAxes)


def _edges(one: FigureOfLine) -> FloatArray:
    """Return edges of bars; a limit between the values is one, so that no bar stands on both sides."""
    edges = np.histogram_bin_edges(one.values, bins="auto")
    if len(edges) - 1 > _MOST_BINS:
        edges = np.linspace(edges[0], edges[-1], _MOST_BINS + 1)
    inside = [end for end in (one.limits.upper, one.limits.lower) if end is not None]
    inside = [end for end in inside if edges[0] < end < edges[-1]]
    if inside:
        width = edges[1] - edges[0]
        start = inside[0] - width * np.ceil((inside[0] - edges[0]) / width)
        edges = start + width * np.arange(len(edges) + 1)
    return np.asarray(edges)


def _count_units(axis: "Axis") -> None:
    from matplotlib.ticker import MaxNLocator

    axis.set_major_locator(MaxNLocator(integer=True))


def _name_units(axes: "Axes", found: LineReport) -> None:
    """Let the axis of units show serials at some of their places."""
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    serials = found.units.serial
    axes.set_xlim(0.0, len(serials) + 1.0)

    def name(place: float, _: int | None) -> str:
        number = round(place)
        return _short(serials[number - 1], _LONGEST_SERIAL) if 1 <= number <= len(serials) else ""

    axes.xaxis.set_major_locator(MaxNLocator(nbins=6, integer=True))
    axes.xaxis.set_major_formatter(FuncFormatter(name))


def _limits_in_words(limits: Limits) -> str:
    if limits.lower is None:
        return f"at most {limits.upper:g}"
    return f"at least {limits.lower:g}" if limits.upper is None else f"{limits.lower:g} to {limits.upper:g}"


def _draw_individuals(axes: "Axes", one: FigureOfLine) -> None:
    chart = one.chart
    assert chart is not None
    place = np.array(one.places) + 1
    axes.plot(place, chart.values, "-", color=BLUE, linewidth=0.8)
    axes.plot(place, chart.values, ".", color=BLUE, markersize=4)
    for level, style in ((chart.centre, "-"), (chart.low, "--"), (chart.high, "--")):
        axes.axhline(level, color=INK, linestyle=style, linewidth=1.0)
    low, high = axes.get_ylim()
    told = []
    for end in (one.limits.lower, one.limits.upper):
        # One far away would leave nothing to see of the values.
        if end is None or not low - _FAR * (high - low) < end < high + _FAR * (high - low):
            told += [] if end is None else [f"limit {end:g} is outside the picture"]
            continue
        axes.axhline(end, color=RED, linewidth=2.5)
        told.append(f"limit {end:g} (thick)")
    seen = [one for one in chart.signals if one.rule is not RANGES]
    for number, signal in enumerate(seen):
        at = list(signal.places)
        axes.plot(
            place[at], chart.values[at], "osD^v"[number % 5], color=RED, fillstyle="none",
            markersize=8 + 2 * number,
            label=f"{signal.rule.words}: {signal.runs}, by chance {signal.expected:.2g}",
        )  # fmt: skip
    if seen:
        low, high = axes.get_ylim()
        # Room for what it says above the values.
        axes.set_ylim(low, high + (0.1 + 0.12 * len(seen)) * (high - low))
        axes.legend(fontsize=9, loc="upper left")
    name = one.name.replace("_", " ")
    head = f"{name} of {counted(len(place), 'unit')}: mean, three sigma by moving ranges (dashed)"
    axes.set(ylabel=name, title=", ".join([head, *told]))


def _draw_ranges(axes: "Axes", one: FigureOfLine) -> None:
    chart = one.chart
    assert chart is not None
    place = np.array(one.places) + 1
    axes.plot(place, chart.ranges, "-", color=GREEN, linewidth=0.8)
    for level, style in ((chart.range_centre, "-"), (chart.range_high, "--")):
        axes.axhline(level, color=INK, linestyle=style, linewidth=1.0)
    far = list(chart.far_ranges)
    axes.plot(place[far], chart.ranges[far], "o", color=RED, fillstyle="none", markersize=8)
    axes.set(
        ylabel="moving range",
        xlabel="unit, in order of serial",
        title=f"{len(far)} of {len(place) - 1} moving ranges beyond their limit (dashed)",
    )


def _draw_mode(axes: "Axes", found: LineReport, one: ModeDrift) -> None:
    number = int(one.name.rpartition("_")[2]) - 1
    place = np.flatnonzero(found.of_family) + 1
    values = found.units.modes[place - 1, number]
    colour = RED if one.drifts else BLUE
    axes.plot(place, values, ".", color=colour, markersize=4)
    axes.plot(place, one.trend.intercept + one.trend.slope * place, "-", color=INK, linewidth=1.5)
    for level in (-2.0, 2.0):
        axes.axhline(level, color=INK, linestyle=":", linewidth=0.8)
    told = f"{100.0 * one.trend.slope:+.2f} a 100 units, chance {chance_text(one.p)}"
    drifts = ", DRIFTS" if one.drifts else ""
    meaning = f"\n{_short(one.meaning, _LONGEST_MEANING)}" if one.meaning else ""
    axes.set_title(
        f"{one.name.replace('_', ' ')}: {told}{drifts}{meaning}", fontsize=10, color=text_colour(colour)
    )
    axes.set(xlabel="unit, in order of serial", ylabel="prior sigmas")


def _short(text: str, most: int = _LONGEST_NAME) -> str:
    return text if len(text) <= most else f"{text[: most - 1]}…"
