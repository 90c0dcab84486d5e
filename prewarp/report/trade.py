"""Trade picture and table: bytes against error of the families of device tables."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from prewarp.lookup import OptimisationResult, TradeRow
from prewarp.lookup.tables import FAMILY_NAMES
from prewarp.report.style import BLUE, GREEN, INK, figure, figure_bytes

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_WIDTH_PX, _HEIGHT_PX = 1000, 640
_LOOK = {"chebyshev": (BLUE, "o"), "spline": (GREEN, "s")}


def trade_figure(result: OptimisationResult, /, *, title: str = "") -> "Figure":
    """Draw bytes against measured error for every family, the limit asked for and the tables chosen.

    Both scales are logarithmic. Marks are tables built and measured as a device evaluates them.
    """
    with figure(_WIDTH_PX, _HEIGHT_PX, title) as drawn:
        axes = drawn.subplots()
        for family, (colour, mark) in _LOOK.items():
            rows = [row for row in result.trade if row.family == family and row.byte_count is not None]
            if not rows:
                continue
            error = np.array([row.error_px for row in rows])
            size = np.array([row.byte_count for row in rows], dtype=float)
            order = np.argsort(error)
            label = FAMILY_NAMES[family].label
            axes.plot(
                error[order],
                size[order],
                mark + "-",
                color=colour,
                markersize=8,
                label=label,
            )
        worst = max(error.max_px for error in result.errors)
        axes.axvline(result.limit_px, color=INK, linestyle="--", linewidth=1)
        axes.plot([worst], [result.byte_count], "*", color=INK, markersize=16, zorder=5, label="chosen")
        axes.set(xscale="log", yscale="log", xlabel="largest error over panel, eye box and colours, panel px")
        axes.set_ylabel("bytes of all maps")
        limits = sorted({row.limit_px for row in result.trade} | {result.limit_px})
        axes.set_xticks(limits, [f"{limit:g}" for limit in limits])
        axes.set_xticks([], minor=True)
        axes.set_xlim(0.7 * limits[0], 1.3 * limits[-1])
        axes.yaxis.set_major_formatter(lambda value, _: bytes_text(value))
        low, high = axes.get_ylim()
        # Room for the legend above the largest.
        high *= (high / low) ** 0.3
        axes.set_ylim(low, high)
        axes.text(
            result.limit_px, low * (high / low) ** 0.02, " limit asked for", ha="left", va="bottom", color=INK
        )
        axes.legend(loc="upper right", framealpha=0.95)
        axes.set_title(f"{result.byte_count} bytes for {worst:.3g} px", loc="left")
        return drawn


def trade_picture(result: OptimisationResult, /, *, title: str = "") -> bytes:
    """Return `trade_figure` as PNG."""
    return figure_bytes(trade_figure(result, title=title))


def trade_table(rows: Sequence[TradeRow], /) -> list[tuple[str, list[list[str]]]]:
    """Return the trade as sections of a table, one per limit; columns family, bytes, error px, what it is."""
    sections = []
    for limit in dict.fromkeys(row.limit_px for row in rows):
        lines = []
        for row in rows:
            if row.limit_px != limit:
                continue
            if row.byte_count is None:
                lines.append([FAMILY_NAMES[row.family].label, "cannot", "-", row.note])
                continue
            lines.append(
                [FAMILY_NAMES[row.family].label, f"{row.byte_count}", f"{row.error_px:.3g}", row.settings]
            )
        sections.append((f"at most {limit:g} px", lines))
    return sections


def bytes_text(value: float, /) -> str:
    """Return a number of bytes in the largest unit of which there is at least one."""
    for unit, size in (("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if value >= size:
            return f"{value / size:g} {unit}" if value / size < 10 else f"{value / size:.0f} {unit}"
    return f"{value:.0f} bytes"
