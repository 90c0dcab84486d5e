"""The page of an acceptance: verdict and figures, errors over the panel and over pupil positions."""

from typing import TYPE_CHECKING

import numpy as np

from prewarp.acceptance.accept import Acceptance
from prewarp.acceptance.figures import NO_LIMIT, NOT_KNOWN, Figure
from prewarp.acceptance.place import Part
from prewarp.quality.conformance import FAIL, FAIL_WITHIN, PASS, PASS_WITHIN
from prewarp.report.style import (
    BLUE,
    CHANNEL_COLOURS,
    GREEN,
    INK,
    ORANGE,
    PAPER,
    RED,
    figure,
    figure_bytes,
    require_any,
    text_colour,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Drawn

_WIDTH_PX, _ROW_PX, _HEAD_PX = 1500, 420, 60
# Of the part with figures: so much for each, and for what is about them.
_LINE_PX, _ABOUT_PX = 22, 110
_COLOURS = {PASS: GREEN, PASS_WITHIN: BLUE, FAIL_WITHIN: ORANGE, FAIL: RED, NOT_KNOWN: INK, NO_LIMIT: INK}
# Told with the verdict, so that colour is not all that says it.
_MARKS = {PASS: "o", PASS_WITHIN: "s", FAIL_WITHIN: "D", FAIL: "X"}
_MOST_FIGURES = 40


def acceptance_picture(found: Acceptance, /, *, title: str = "") -> bytes:
    """Return the page as PNG."""
    return figure_bytes(acceptance_figure(found, title=title))


def acceptance_figure(found: Acceptance, /, *, title: str = "") -> "Drawn":
    """Draw what was found of a unit on one page.

    Raises
    ------
    ShapeError
        No row could be held against the package.
    """
    require_any(found.capture.groups, "groups", "channels with rows")
    channels = list(dict.fromkeys(one.channel for one in found.capture.groups))
    verdict = (found.verdict or "no verdict").upper()
    risk = f", specific risk {found.chance}" if found.chance else ""
    shown, missing = _shown(found)
    head_px = max(_ROW_PX, _ABOUT_PX + _LINE_PX * (len(shown) + len(missing)))
    height_px = _HEAD_PX + head_px + _ROW_PX * len(channels)
    worst = [part.rms_px for parts in (found.regions, found.shots) for one in parts.values() for part in one]
    most = max(*worst, found.limits.place_px or 0.0, 1e-6)
    name = f"{title}, {found.side} eye".lstrip(", ")
    with figure(_WIDTH_PX, height_px, f"{name}\n{verdict}{risk}", title_size=15) as drawn:
        # Parts of their own, so that long names above take no room below.
        heights = [head_px, *[_ROW_PX] * len(channels)]
        head, *parts = drawn.subfigures(len(heights), 1, squeeze=False, height_ratios=heights)[:, 0]
        left, right = head.subplots(1, 2, width_ratios=(2, 1))
        _draw_figures(left, found)
        _draw_law(right, found)
        for part, channel in zip(parts, channels, strict=True):
            key = _key_of(found, channel)
            regions, arrows, pupils = part.subplots(1, 3)
            _draw_regions(regions, found, key, most)
            _draw_arrows(arrows, found, key)
            _draw_pupils(pupils, found.shots[key], key, most)
    return drawn


def _shown(found: Acceptance) -> tuple[list[Figure], list[Figure]]:
    """Return figures with a limit, the nearest to it or the furthest beyond first, and those not known."""
    limited = [one for one in found.figures if one.limit is not None]
    shown = sorted((one for one in limited if one.value is not None), key=_share, reverse=True)
    return shown[:_MOST_FIGURES], [one for one in limited if one.value is None][:_MOST_FIGURES]


def _draw_figures(axes: "Axes", found: Acceptance) -> None:
    shown, missing = _shown(found)
    for place, one in enumerate(shown):
        colour = _COLOURS[one.verdict]
        limit, sigma, value = float(one.limit or 1.0), float(one.sigma or 0.0), float(one.value or 0.0)
        axes.errorbar(
            100.0 * value / limit,
            place,
            xerr=200.0 * sigma / limit,
            fmt=_MARKS.get(one.verdict, "|"),
            color=colour,
            capsize=4,
            markersize=8,
        )
        _tell(axes, place, f"{_measured(value, 2.0 * sigma)} of {limit:g} {one.unit}: {one.verdict}", colour)
    for place, one in enumerate(missing, len(shown)):
        _tell(axes, place, f"limit {one.limit:g} {one.unit}: not known", INK)
    every = [*shown, *missing]
    axes.axvline(100.0, color=INK, linewidth=1.5)
    axes.set_yticks(range(len(every)), [one.name for one in every], fontsize=9)
    axes.set_ylim(max(len(every), 1) - 0.5, -0.5)
    axes.set_xlim(left=0.0)
    axes.set_xlabel("fraction of the limit, %; bars: expanded uncertainty, k = 2")
    count = sum(one.limit is not None for one in found.figures)
    more = f"; {count - len(every)} more are not drawn" if count > len(every) else ""
    axes.set_title(f"Figures with a limit{more}" if every else "No figure has a limit")


def _tell(axes: "Axes", place: int, told: str, colour: str) -> None:
    axes.annotate(
        told, (1.01, place), xycoords=("axes fraction", "data"), va="center", fontsize=9,
        color=text_colour(colour),
    )  # fmt: skip


def _measured(value: float, expanded: float) -> str:
    """Return a value and its expanded uncertainty, two digits of that."""
    if not expanded > 0.0:
        return f"{value:.3g}"
    digits = max(1 - int(np.floor(np.log10(expanded))), 0)
    return f"{value:.{digits}f} +- {expanded:.{digits}f}"


def _share(one: Figure) -> float:
    return float(one.value or 0.0) / float(one.limit or 1.0)


def _draw_law(axes: "Axes", found: Acceptance) -> None:
    """Draw the share of rows whose error exceeds a length, by channel and colour."""
    names = list(dict.fromkeys(one.channel for one in found.capture.groups))
    styles = ("-", "--", ":", "-.")
    colours = list(found.lookup.colours)
    for one in found.capture.groups:
        length = np.sort(np.linalg.norm(one.step_px, axis=1))
        share = 100.0 * (1.0 - np.arange(len(length)) / len(length))
        some = np.unique(np.linspace(0, len(length) - 1, 400).astype(int))
        axes.plot(
            length[some],
            share[some],
            styles[colours.index(one.colour) % len(styles)],
            color=CHANNEL_COLOURS[names.index(one.channel) % len(CHANNEL_COLOURS)],
            label=f"{one.channel} {one.colour}",
        )
    axes.axhline(5.0, color=INK, linewidth=0.8)
    if found.limits.place_px is not None:
        limit = found.limits.place_px
        axes.axvline(limit, color=INK, linewidth=1.5, label=f"limit of 95 %: {limit:g} px")
    axes.set(
        yscale="log", ylim=(0.1, 100.0), xlabel="error of place as measured, px", ylabel="rows beyond, %"
    )
    axes.set_yticks([0.1, 1.0, 5.0, 10.0, 100.0], ["0.1", "1", "5", "10", "100"])
    axes.set_title("Rows by error, noise included")
    axes.legend(fontsize=9)


def _draw_regions(axes: "Axes", found: Acceptance, key: tuple[str, str], most: float) -> None:
    from matplotlib.collections import PolyCollection

    parts = found.regions[key]
    boxes = []
    for one in parts:
        left, top, right, bottom = one.where
        boxes.append([(left, top), (right, top), (right, bottom), (left, bottom)])
    cells = PolyCollection(boxes, cmap="cividis", edgecolors="white", linewidths=0.5)
    cells.set_array(np.array([one.rms_px for one in parts]))
    cells.set_clim(0.0, max(most, 1e-6))
    axes.add_collection(cells)
    for one in parts:
        # Where noise hides it, what it is below.
        hidden = one.rms_px**2 <= one.rms_most_px**2 - one.rms_px**2
        told = f"< {one.rms_most_px:.2g}" if hidden else f"{one.rms_px:.2g}"
        axes.text(
            0.5 * (one.where[0] + one.where[2]), 0.5 * (one.where[1] + one.where[3]), told,
            ha="center", va="center", fontsize=9, bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 1.5},
        )  # fmt: skip
    _panel_axes(axes, found, key)
    axes.set_title(f"{key[0]} {key[1]}: RMS by part of the panel, px", fontsize=11)


def _draw_arrows(axes: "Axes", found: Acceptance, key: tuple[str, str]) -> None:
    parts = found.regions[key]
    middle = np.array([(0.5 * (w[0] + w[2]), 0.5 * (w[1] + w[3])) for w in (one.where for one in parts)])
    mean = np.array([one.mean_arcmin for one in parts])
    longest = max(float(np.linalg.norm(mean, axis=1).max()), 1e-9)
    width = max(one.where[2] for one in parts)
    # On the page up is up as seen, though v runs down: arrows are of what is seen.
    axes.quiver(
        middle[:, 0], middle[:, 1], mean[:, 0], mean[:, 1],
        angles="uv", scale=longest / (0.11 * width), scale_units="x", width=0.006, color=BLUE, pivot="middle",
    )  # fmt: skip
    _panel_axes(axes, found, key)
    axes.set_title(f"{key[0]} {key[1]}: mean step as seen, longest {longest:.2g} arcmin", fontsize=11)


def _draw_pupils(axes: "Axes", shots: tuple[Part, ...], key: tuple[str, str], most: float) -> None:
    place = np.array([one.where for one in shots])
    value = np.array([one.rms_px for one in shots])
    # Depths beside each other, so that none hides another.
    depth = place[:, 2] - place[:, 2].min()
    shift = 0.35 * depth / max(float(np.ptp(place[:, 2])), 1e-9)
    drawn = axes.scatter(
        place[:, 0] + shift, place[:, 1], c=value, s=260, cmap="cividis", vmin=0.0, vmax=max(most, 1e-6),
        edgecolors=INK,
    )  # fmt: skip
    axes.margins(0.15)
    beside = " (larger z shifted to the right)" if np.ptp(depth) else ""
    axes.set(aspect="equal", xlabel=f"pupil x, mm{beside}", ylabel="pupil y, mm")
    axes.set_title(f"{key[0]} {key[1]}: RMS by pupil position, px", fontsize=11)
    assert axes.figure is not None
    axes.figure.colorbar(drawn, ax=axes, shrink=0.8)


def _panel_axes(axes: "Axes", found: Acceptance, key: tuple[str, str]) -> None:
    width, height = found.lookup.panel_sizes_px[found.lookup.channels.index(key[0])]
    axes.set(xlim=(0, width), ylim=(height, 0), aspect="equal", xlabel="panel u, px", ylabel="panel v, px")


def _key_of(found: Acceptance, channel: str) -> tuple[str, str]:
    """Return the channel in the colour with the largest error of place."""
    worst = max(
        (one for one in found.figures if one.key == "place_px" and one.of.startswith(f"{channel} ")),
        key=lambda one: -1.0 if one.value is None else one.value,
    )
    keys = {f"{name} {colour}": (name, colour) for name, colour in found.regions}
    return keys.get(worst.of, next(key for key in found.regions if key[0] == channel))
