"""Resampling picture: how finely the panels sample the content, and what contrast each filter keeps."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from prewarp.checks import FloatArray
from prewarp.frames import degrees_from_tangent
from prewarp.report.style import BLUE, GREEN, INK, ORANGE, RED, figure, figure_bytes, require_any
from prewarp.resampling import FILTERS, SamplingMap, folded_contrast, kept_contrast, measured_contrast
from prewarp.resampling.sampling_map import IDLE_BELOW, SKIPS_ABOVE

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_WIDTH_PX, _HEIGHT_PX = 1180, 900
# Told apart in grey by line and mark.
_FILTER_STYLES = dict(
    zip(
        FILTERS,
        ((BLUE, "solid", "o"), (ORANGE, (0, (5, 2)), "s"), (GREEN, (0, (6, 2, 1.5, 2)), "^")),
        strict=True,
    )
)
# Scales at which the closed form is checked by drawn gratings.
_MEASURED = (1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0)


def resampling_figure(maps: Sequence[SamplingMap], /, *, title: str = "") -> "Figure":
    """Draw the sampling of one colour of all channels over the field, and the contrast kept by filters.

    Raises
    ------
    ShapeError
        No maps.
    """
    require_any(maps, "maps", "channels")
    with figure(_WIDTH_PX, _HEIGHT_PX, title) as drawn:
        axes = drawn.subplots(2, 2)
        _draw_field(
            axes[0, 0],
            maps,
            [m.panel_px_per_deg.mean(axis=-1) for m in maps],
            "panel px per degree",
            "cividis",
        )
        _draw_field(
            axes[0, 1], maps, [m.scale[..., 1] for m in maps], "content px per panel px, at most", "viridis"
        )
        _mark(axes[0, 1], maps)
        used = np.concatenate([m.scale[m.shown].ravel() for m in maps if m.shown.any()])
        _draw_contrast(axes[1, 0], used, folded=False)
        _draw_contrast(axes[1, 1], used, folded=True)
        return drawn


def resampling_picture(maps: Sequence[SamplingMap], /, *, title: str = "") -> bytes:
    """Return `resampling_figure` as PNG."""
    return figure_bytes(resampling_figure(maps, title=title))


def _draw_field(
    axes: "Axes", maps: Sequence[SamplingMap], values: Sequence[FloatArray], label: str, cmap: str
) -> None:
    known = [value[m.shown] for m, value in zip(maps, values, strict=True) if m.shown.any()]
    low, high = min(v.min() for v in known), max(v.max() for v in known)
    for m, value in zip(maps, values, strict=True):
        dir_x, dir_y = np.moveaxis(degrees_from_tangent(m.tangent), -1, 0)
        mesh = axes.pcolormesh(
            dir_x,
            dir_y,
            np.ma.masked_where(~m.shown, value),
            cmap=cmap,
            vmin=low,
            vmax=max(high, low + 1e-6),
            shading="gouraud",
        )
        axes.contour(dir_x, dir_y, m.shown.astype(float), levels=[0.5], colors=[INK], linewidths=[1.2])
    axes.figure.colorbar(mesh, ax=axes, label=label, shrink=0.9)
    axes.set(
        xlabel="horizontal field angle, degrees",
        ylabel="vertical field angle, degrees",
        aspect="equal",
        title=label,
    )


def _mark(axes: "Axes", maps: Sequence[SamplingMap]) -> None:
    notes = []
    for what, colour, mark, text in (
        ("skips", RED, "x", f"x: > {SKIPS_ABOVE:g}, content undersampled"),
        ("idles", "white", "o", f"o: < {IDLE_BELOW:g}, panel finer than content"),
    ):
        marked = False
        for m in maps:
            thin = np.zeros_like(m.shown)
            thin[::4, ::4] = True
            chosen = getattr(m, what) & thin
            edge = colour if mark == "x" else INK
            places = degrees_from_tangent(m.tangent[chosen])
            axes.plot(*places.T, mark, color=colour, markersize=4, linestyle="none", markeredgecolor=edge)
            marked |= bool(chosen.any())
        notes += [text] if marked else []
    axes.set_title("\n".join(["content px per panel px, at most", *notes]))


def _draw_contrast(axes: "Axes", used: np.ndarray, *, folded: bool) -> None:
    scale = np.linspace(1.0, 4.0, 121)
    for name in FILTERS:
        colour, line, mark = _FILTER_STYLES[name]
        drawn: dict[str, Any] = {"color": colour, "linestyle": line, "linewidth": 2.0, "label": name}
        if folded:
            axes.plot(scale, 100.0 * folded_contrast(name, scale), **drawn)
            continue
        mean, worst = kept_contrast(name, scale)
        # The mark of a filter stands in the legend too.
        axes.plot(scale, 100.0 * mean, marker=mark, markevery=[], markersize=5, **drawn)
        axes.plot(scale, 100.0 * worst, color=colour, linewidth=1.0, linestyle="dotted")
        measured = [100.0 * measured_contrast(name, value)[0] for value in _MEASURED]
        axes.plot(_MEASURED, measured, mark, color=colour, markersize=5)
    low, high = np.clip([used.min(), used.max()], 1.0, 4.0)
    axes.axvspan(low, high, color=INK, alpha=0.08, linewidth=0.0)
    axes.set(
        xlabel="content px per panel px (shaded: what this display uses)", ylim=(0.0, 105.0), xlim=(1.0, 4.0)
    )
    if folded:
        axes.set(ylabel="contrast, %", title="Aliasing left by the finest content lines\nless is better")
    else:
        axes.set(
            ylabel="contrast, %",
            title="Contrast kept at the panel's finest lines (Nyquist)\n"
            "line: mean, marks on it: measured, dotted: worst placing",
        )
    axes.legend(frameon=True)
