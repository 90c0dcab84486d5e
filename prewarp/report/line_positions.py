"""Pictures of where cameras stand for a line: error against their number, and the shapes of the modes."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from prewarp.checks import FloatArray
from prewarp.line.positions import Choice
from prewarp.line.shapes import ModeShape
from prewarp.report.style import BLUE, INK, ORANGE, PAPER, figure, figure_bytes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_WIDTH_PX, _HEIGHT_PX, _ROW_PX = 1500, 620, 400
_COLUMNS, _MOST_MODES = 4, 12


def positions_picture(
    choices: Sequence[Choice], count: int, pupil_box_mm: FloatArray, /, *, title: str = ""
) -> bytes:
    """Return error against positions, and the chosen places of `count` of them, as PNG."""
    with figure(_WIDTH_PX, _HEIGHT_PX, title) as drawn:
        left, right = drawn.subplots(1, 2, width_ratios=(3, 2))
        numbers = [len(one.positions_mm) for one in choices]
        middle, best, worst = np.array([one.random_px for one in choices]).T
        left.fill_between(numbers, best, worst, color=ORANGE, alpha=0.25, label="drawn by lot, best to worst")
        left.plot(numbers, middle, ":", color=INK, label="drawn by lot, middle")
        regular = [
            (number, one.regular_px)
            for number, one in zip(numbers, choices, strict=True)
            if one.regular_px is not None
        ]
        left.plot(*zip(*regular, strict=True), "s", color=INK, fillstyle="none", label="regular lattice")
        left.plot(numbers, [one.rms_px for one in choices], "o-", color=BLUE, label="chosen")
        left.set(xlabel="camera positions", ylabel="predicted error of place, RMS px", yscale="log")
        left.set_title("Field and eye box, common motions removed")
        left.set_xticks(numbers)
        _write_plainly(left)
        left.grid(visible=True, which="both", alpha=0.3)
        left.legend(fontsize=9)
        _draw_places(right, choices[count - 1], pupil_box_mm)
    return figure_bytes(drawn)


def _write_plainly(axes: "Axes") -> None:
    """Let the axis of errors show plain decimals at some of its ticks."""
    from matplotlib.ticker import FuncFormatter, LogLocator

    plain = FuncFormatter(lambda value, place: f"{value:.3g}")
    axes.yaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 3.0, 5.0, 7.0)))
    axes.yaxis.set_major_formatter(plain)
    axes.yaxis.set_minor_formatter(FuncFormatter(lambda value, place: ""))


def _draw_places(axes: "Axes", choice: Choice, pupil_box_mm: FloatArray) -> None:
    low, high = pupil_box_mm
    x, y = ((low[0], high[0], high[0], low[0], low[0]), (low[1], low[1], high[1], high[1], low[1]))
    axes.plot(x, y, color=INK, linewidth=1.0)
    for number, (at_x, at_y, at_z) in enumerate(choice.positions_mm, 1):
        axes.plot(at_x, at_y, "o", color=BLUE, clip_on=False)
        # Positions may differ in depth alone: their words then stand one under the other.
        above = sum(bool(np.hypot(*(one[:2] - (at_x, at_y))) < 1e-9) for one in choice.positions_mm[:number])
        axes.annotate(
            f"{number}: z {at_z:+.3g} mm",
            (at_x, at_y),
            (0.0, 8.0 + 11.0 * (above - 1)),
            textcoords="offset points",
            ha="center",
            fontsize=9,
            bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.8},
        )
    axes.set_aspect("equal")
    axes.margins(0.18)
    axes.set(xlabel="x, mm", ylabel="y, mm", title=f"Chosen: {len(choice.positions_mm)} in the eye box")


def modes_picture(shapes: Sequence[ModeShape], /, *, title: str = "") -> bytes:
    """Return the modes that move a picture most as PNG; arrows of each are drawn to a scale of its own."""
    shown = shapes[:_MOST_MODES]
    rows = -(-len(shown) // _COLUMNS)
    with figure(_WIDTH_PX, 60 + _ROW_PX * rows, title) as drawn:
        every = drawn.subplots(rows, _COLUMNS, squeeze=False).ravel()
        for axes in every[len(shown) :]:
            axes.set_axis_off()
        for axes, one in zip(every, shown, strict=False):
            width, height = one.panel_size_px
            longest = float(np.hypot(*one.moved_px.T).max())
            axes.quiver(
                *one.pixel.T,
                *one.moved_px.T,
                angles="xy",
                scale_units="xy",
                scale=max(longest, 1e-12) / (0.1 * width),
                color=BLUE,
                width=0.006,
                pivot="mid",
            )
            axes.set(xlim=(-0.06 * width, 1.06 * width), ylim=(1.06 * height, -0.06 * height), aspect="equal")
            axes.set(xticks=[0, width], yticks=[0, height])
            name, _, what = one.label.rpartition(": ")
            axes.set_title(
                f"{one.channel}, {name}\n{what}: {one.rms_px:.2g} px RMS, longest {longest:.2g}", fontsize=9
            )
    return figure_bytes(drawn)
