"""Focus picture: image vergence over the field, and the focus step beside published limits."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from prewarp.checks import FloatArray
from prewarp.field import FieldSet
from prewarp.field.border import inside_convex
from prewarp.focus import FocusStep, focus_of_panel, focus_step
from prewarp.frames import degrees_from_tangent
from prewarp.published import DEPTH_OF_FOCUS
from prewarp.report.style import CHANNEL_COLOURS, INK, RED, figure, figure_bytes, require_any, text_colour
from prewarp.seam import Overlap

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_WIDTH_PX, _HEIGHT_PX, _HIGH_PX = 820, 880, 680
_NODES = 41
# A sigma below is not told more closely.
_LEAST_TOLD = 1e-4
CENTRE_MM = np.zeros(3)


@dataclass(frozen=True)
class FocusItem:
    """What is drawn of one module: its fit, the channels of one eye, and their overlaps."""

    title: str
    fields: FieldSet
    channels: tuple[str, ...]
    overlaps: tuple[Overlap, ...]


def focus_figure(items: Sequence[FocusItem], /, *, title: str) -> "Figure":
    """Draw image vergences, and focus steps below (beside, of high fields), of modules for a centred pupil.

    Colour is the reference. A line is the mean step of each place along the seam, its band the spread
    across it, for one pair of channels. Dashed lines are published depths of focus; which is a limit is
    for qualified people to say.
    """
    require_any(items, "items", "modules")
    steps = [
        [focus_step(item.fields, pair.channels, pair.tangent) for pair in item.overlaps] for item in items
    ]
    maps = [_panel_maps(item) for item in items]
    finite = np.concatenate([dioptres[np.isfinite(dioptres)] for one in maps for _, _, dioptres in one])
    low, high = (float(np.quantile(finite, share)) for share in (0.02, 0.98))
    # High fields, of channels one above the other, have their steps beside them.
    pairs = [pair for item in items for pair in item.overlaps]
    beside = bool(pairs) and all(pair.is_wide for pair in pairs)
    size = (_HEIGHT_PX + 200, _HIGH_PX * len(items)) if beside else (_WIDTH_PX * len(items), _HEIGHT_PX)
    with figure(*size, title, title_size=15) as drawn:
        if beside:
            above, below = drawn.subplots(len(items), 2, squeeze=False, width_ratios=(1.0, 1.25)).T
        else:
            above, below = drawn.subplots(2, len(items), squeeze=False, height_ratios=(1.25, 1.0))
        for axes, item, channels in zip(above, items, maps, strict=True):
            _draw_map(axes, item, channels, low, high)
        drawn.colorbar(
            above[-1].collections[0],
            ax=list(above),
            label="image vergence along the ray, dioptres (0: at infinity)",
            extend="both",
            pad=0.01,
        )
        _draw_steps(drawn, list(below), items, steps)
        drawn.supxlabel(
            "No warp mends a focus step: it moves the picture within its image plane, never the plane.",
            fontsize=12,
            color=text_colour(RED),
        )
        return drawn


def focus_picture(items: Sequence[FocusItem], /, *, title: str) -> bytes:
    """Return `focus_figure` as PNG."""
    return figure_bytes(focus_figure(items, title=title))


def _panel_maps(item: FocusItem) -> list[tuple[str, FloatArray, FloatArray]]:
    maps = []
    for channel in item.channels:
        field = item.fields.field(channel, item.fields.colours[0])
        width, height = field.panel_size_px
        pixel = np.stack(np.meshgrid(np.linspace(0, width, _NODES), np.linspace(0, height, _NODES)), axis=-1)
        focus = focus_of_panel(field, pixel, pupil_mm=CENTRE_MM)
        inside = inside_convex(pixel.reshape(-1, 2), field.border_pixel, slack=1e-6).reshape(pixel.shape[:2])
        maps.append((channel, degrees_from_tangent(focus.tangent), np.where(inside, focus.dioptres, np.nan)))
    return maps


def _draw_map(
    axes: "Axes",
    item: FocusItem,
    maps: Sequence[tuple[str, FloatArray, FloatArray]],
    low: float,
    high: float,
) -> None:
    for channel, direction, dioptres in maps:
        axes.pcolormesh(
            direction[..., 0],
            direction[..., 1],
            np.ma.masked_invalid(dioptres),
            cmap="cividis",
            vmin=low,
            vmax=max(high, low + 1e-3),
            shading="gouraud",
        )
        known = np.isfinite(dioptres)
        x, y = direction[known].mean(axis=0)
        axes.text(
            x,
            y,
            f"{channel}\n{np.nanmean(dioptres):.2f} dioptres",
            color="white",
            fontsize=11,
            fontweight="bold",
            ha="center",
            va="center",
            bbox={"facecolor": INK, "edgecolor": "none", "boxstyle": "round,pad=0.3"},
        )
    for pair in item.overlaps:
        x, y = pair.axes_deg
        axes.contour(
            x,
            y,
            pair.inside.astype(float),
            levels=[0.5],
            colors=["white"],
            linestyles=["dashed"],
            linewidths=[2.0],
        )
    axes.set(xlabel="horizontal field angle, degrees", ylabel="vertical field angle, degrees", aspect="equal")
    axes.set_title(f"{item.title}\ndashed: where both channels give light", pad=8)


def _draw_steps(
    drawn: "Figure", below: list["Axes"], items: Sequence[FocusItem], steps: list[list[FocusStep]]
) -> None:
    limits = (
        (DEPTH_OF_FOCUS[0].high * 2.0, "0.6: 0.3 each way (Campbell 1957, 3 mm pupil)"),
        (DEPTH_OF_FOCUS[2].high, "0.86 in all (Atchison et al. 1997, 2 mm pupil)"),
    )
    largest = max((float(np.nanmax(np.abs(one.step_dioptres))) for row in steps for one in row), default=0.0)
    top = 1.12 * max(largest, limits[-1][0])
    for axes, item, row in zip(below, items, steps, strict=True):
        for number, (pair, step) in enumerate(zip(item.overlaps, row, strict=True)):
            height = np.round(degrees_from_tangent(pair.tangent[:, 0 if pair.is_wide else 1]), 6)
            rows = np.unique(height)
            size = [step.step_dioptres[(height == one) & np.isfinite(step.step_dioptres)] for one in rows]
            kept = [place for place, values in enumerate(size) if values.size]
            rows, size = rows[kept], [size[place] for place in kept]
            colour = CHANNEL_COLOURS[number % len(CHANNEL_COLOURS)]
            axes.fill_between(
                rows,
                [one.min() for one in size],
                [one.max() for one in size],
                color=colour,
                alpha=0.25,
                linewidth=0,
            )
            sigma = step.sigma_dioptres[np.isfinite(step.sigma_dioptres)]
            spread = float(np.sqrt(np.mean(sigma**2))) if sigma.size else 0.0
            told = f"{spread:.2g}" if spread >= _LEAST_TOLD else f"below {_LEAST_TOLD:g}"
            sure = f", 1-sigma {told}" if sigma.size else ""
            axes.plot(
                rows,
                [one.mean() for one in size],
                color=colour,
                linewidth=2.5,
                label=f"{step.channels[1]} less {step.channels[0]}{sure}",
            )
        for value, text in limits:
            axes.axhline(value, color=INK, linestyle="dashed", linewidth=1.0)
            axes.axhline(-value, color=INK, linestyle="dashed", linewidth=1.0)
            axes.text(
                0.01, value, text, fontsize=9, va="bottom", ha="left", transform=axes.get_yaxis_transform()
            )
        axes.axhline(0.0, color=INK, linewidth=0.8)
        wide = any(pair.is_wide for pair in item.overlaps)
        axes.set(
            ylim=(-top, top),
            xlabel=f"{'horizontal' if wide else 'vertical'} field angle, degrees",
            ylabel="focus step across the seam, dioptres",
        )
        axes.set_title("line: mean across the seam; band: its spread there")
        if row:
            axes.legend(loc="lower right")
