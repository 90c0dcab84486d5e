"""Draw the README's drawings beside this file: `python -m demo_scenes.make_drawings`.

`frames.png`: panel u and v, directions, the eye box and its axes. `reach_overlap_feather.png`: what each
channel reaches, where both do, and how they share the light there. The same release of matplotlib gives the
same bytes.
"""

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from prewarp.files import write_bytes
from prewarp.module import read_module
from prewarp.report.style import BLUE, INK, ORANGE, PAPER, figure, figure_bytes, text_colour
from prewarp.resources import resource_path
from prewarp.seam.blend import quintic_smoothstep

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.patches import Rectangle

HERE = Path(__file__).resolve().parent
_WIDTH_PX = 880


def frames_figure() -> "Figure":
    """Return the drawing of the frames: seen from above, what the wearer sees, and one panel."""
    with figure(_WIDTH_PX, 640, "") as drawn:
        above, (seen, panel) = _panes(drawn)
        _from_above(above)
        _as_seen(seen)
        _panel(panel)
        return drawn


def _panes(drawn: "Figure") -> tuple["Axes", tuple["Axes", "Axes"]]:
    panes = drawn.subplot_mosaic([["above", "seen"], ["above", "panel"]], width_ratios=[1.25, 1.0])
    for axes in panes.values():
        axes.set_aspect("equal")
        axes.axis("off")
    return panes["above"], (panes["seen"], panes["panel"])


def _from_above(axes: "Axes") -> None:
    """The eye box, a pupil in it, and two channels, from above: X to the right, Z up the page."""
    axes.set_title("From above (right eye)", loc="left")
    axes.set(xlim=(-34, 34), ylim=(-22, 66))
    axes.add_patch(_rectangle(-9, -6, 18, 12, facecolor="#EEF2F5", edgecolor=INK))
    axes.text(-10.5, -7.5, "eye box", ha="right", va="top")
    for centre, colour, name in ((-15.0, BLUE, "inner"), (15.0, ORANGE, "outer")):
        _tilted(axes, centre, colour)
        axes.text(
            1.35 * centre,
            60,
            f"{name}\npanel and optics",
            ha="center",
            va="center",
            color=text_colour(colour),
        )
    _arrow(axes, (0, 0), (26, 0), INK)
    axes.text(27, 0, "+X, right", va="center", fontsize=11)
    _arrow(axes, (0, 0), (0, 25), INK)
    axes.text(-1.5, 22, "+Z, toward\nthe optics", va="center", ha="right")
    axes.plot(0, 0, "o", color=INK, markersize=6)
    axes.text(-1.5, -1.0, "centre", ha="right", va="top", fontsize=10)
    pupil, target = np.array([5.0, -3.0]), np.array([21.0, 44.0])
    axes.plot(*pupil, "o", color=PAPER, markeredgecolor=INK, markersize=11, markeredgewidth=2)
    axes.annotate(
        "pupil, true or tracked:\n(x, y, z) in mm",
        pupil,
        (6, -19),
        ha="left",
        va="bottom",
        arrowprops={"arrowstyle": "-"},
    )
    axes.plot([pupil[0], target[0]], [pupil[1], target[1]], color=INK, linewidth=1.4, linestyle="dashed")
    axes.text(16.5, 24, "viewing direction\ntangents X/Z, Y/Z", ha="left", va="center", fontsize=10)
    axes.text(-33, -19, "+Y: up, out of the page", ha="left", va="bottom", fontsize=10)


def _tilted(axes: "Axes", centre: float, colour: str) -> None:
    """A panel, and the optics before it, square to the ray from the eye-box centre."""
    angle = np.arctan2(centre, 44.0)
    across, along = np.array([np.cos(angle), -np.sin(angle)]), np.array([np.sin(angle), np.cos(angle)])
    for distance, half, width in ((52.0, 12.0, 6.0), (44.0, 14.0, 2.0)):
        ends = distance * along + np.outer([-half, half], across)
        axes.plot(*ends.T, color=colour, linewidth=width, solid_capstyle="butt")


def _as_seen(axes: "Axes") -> None:
    """Directions as the wearer sees them."""
    axes.set_title("As the wearer sees: directions", loc="left")
    axes.set(xlim=(-46, 46), ylim=(-27, 27))
    axes.add_patch(_rectangle(-35, -15, 40, 30, facecolor="none", edgecolor=BLUE, linewidth=2))
    axes.add_patch(_rectangle(-5, -15, 40, 30, facecolor="none", edgecolor=ORANGE, linewidth=2))
    axes.text(-33.5, 13.5, "inner", va="top", color=text_colour(BLUE))
    axes.text(33.5, 13.5, "outer", va="top", ha="right", color=text_colour(ORANGE))
    _arrow(axes, (0, 0), (20, 0), INK)
    _arrow(axes, (0, 0), (0, 20), INK)
    axes.text(20.5, -1.0, "dir_x", va="top", ha="right")
    axes.text(0.0, 21, "dir_y", va="bottom", ha="center")
    axes.text(0, -17, "straight ahead: (0, 0) degrees", va="top", ha="center", fontsize=10)


def _panel(axes: "Axes") -> None:
    """Panel pixels: u to the right, v down, first pixel's centre at a half."""
    axes.set_title("A panel: pixels", loc="left")
    axes.set(xlim=(-1.4, 9.4), ylim=(6.6, -1.2))
    axes.add_patch(_rectangle(0, 0, 8, 6, facecolor="#EEF2F5", edgecolor=INK, linewidth=1.6))
    for line in range(1, 8):
        axes.plot([line, line], [0, 6], color="#C4CAD0", linewidth=0.7)
    for line in range(1, 6):
        axes.plot([0, 8], [line, line], color="#C4CAD0", linewidth=0.7)
    _arrow(axes, (0, 0), (5.0, 0), INK)
    _arrow(axes, (0, 0), (0, 4.0), INK)
    axes.text(5.2, -0.2, "u", va="bottom")
    axes.text(-0.25, 4.1, "v", ha="right", va="center")
    axes.plot(0.5, 0.5, "o", color=INK, markersize=5)
    axes.annotate("(0.5, 0.5)", (0.5, 0.5), (1.6, 2.0), arrowprops={"arrowstyle": "-"}, fontsize=10)
    axes.text(7.9, 5.9, "(width, height)", ha="right", va="bottom", fontsize=10)


def sharing_figure() -> "Figure":
    """Return the drawing of reach, overlap and feather, along x, from the demo's nominal reach."""
    module = read_module(resource_path("calib", "coaxial.module.toml"))
    inner, outer = (module.channel(name).reach.dir_x_deg for name in ("inner", "outer"))
    low, high = outer[0], inner[1]
    middle, feather = (low + high) / 2.0, high - low
    x = np.linspace(inner[0] - 5.0, outer[1] + 5.0, 2001)
    # The claims of `prewarp.seam.blend`, along x alone, with the widest feather.
    claim, other = (quintic_smoothstep(depth / feather) for depth in (high - x, x - low))
    share = other / (claim + other)
    with figure(_WIDTH_PX, 470, "") as drawn:
        reach, light = drawn.subplots(2, 1, sharex=True, height_ratios=[1.0, 1.5])
        for place, (name, ends, colour) in enumerate((("inner", inner, BLUE), ("outer", outer, ORANGE))):
            reach.barh(1 - place, ends[1] - ends[0], left=ends[0], height=0.5, color=colour, alpha=0.35)
            side = ends[0] + 1.0 if place == 0 else ends[1] - 1.0
            align = "left" if place == 0 else "right"
            reach.text(side, 1 - place, f"reach of {name}", ha=align, va="center")
        for axes in (reach, light):
            axes.axvspan(low, high, color=INK, alpha=0.08, linewidth=0)
            axes.grid(False)
        reach.text(middle, 1.62, "overlap: the seam lies here", ha="center", va="bottom")
        reach.set(ylim=(-0.5, 1.6), yticks=[])
        for shown, ends, name, colour, style in (
            (1.0 - share, inner, "inner", BLUE, "solid"),
            (share, outer, "outer", ORANGE, (0, (5, 2))),
        ):
            lit = (x >= ends[0]) & (x <= ends[1])
            light.plot(x[lit], 100.0 * shown[lit], color=colour, linestyle=style, linewidth=3.0, label=name)
        light.annotate("", (low, 50.0), (high, 50.0), arrowprops={"arrowstyle": "<->", "color": INK})
        light.text(
            high + 1.0,
            50.0,
            "feather: here light goes over from one\nto the other; no wider than the overlap",
            va="center",
        )
        light.set(xlabel="dir_x, degrees", ylabel="blend weight, %", xlim=(x[0], x[-1]), ylim=(-4, 109))
        light.legend(loc="center left")
        return drawn


def _rectangle(x: float, y: float, width: float, height: float, **style: Any) -> "Rectangle":
    from matplotlib.patches import Rectangle

    return Rectangle((x, y), width, height, **style)


def _arrow(axes: "Axes", start: tuple[float, float], end: tuple[float, float], colour: str) -> None:
    axes.annotate("", end, start, arrowprops={"arrowstyle": "-|>", "color": colour, "linewidth": 1.8})


DRAWINGS: dict[str, Callable[[], "Figure"]] = {
    "frames.png": frames_figure,
    "reach_overlap_feather.png": sharing_figure,
}


def main() -> None:
    """Write every drawing."""
    parser = argparse.ArgumentParser(description=str(__doc__).splitlines()[0])
    parser.add_argument(
        "-o", "--output", type=Path, default=HERE, help="folder to write to (default: this one)"
    )
    folder = parser.parse_args().output
    for name, draw in DRAWINGS.items():
        write_bytes(folder / name, figure_bytes(draw()))
        print(folder / name)


if __name__ == "__main__":
    main()
