"""Residual picture: where, and which way, the samples of a grid lie off the fit."""

from typing import TYPE_CHECKING

import numpy as np

from prewarp.errors import GridError
from prewarp.field import FieldSet, compare_grid
from prewarp.grids import Grid
from prewarp.report.style import BLUE, INK, ORANGE, RED, figure, figure_bytes, text_colour

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# Arrows of a typical residual are drawn this long, as a fraction of the panel's width.
TYPICAL_ARROW_SHARE = 0.025
# No arrow is drawn longer than this share of the panel's width; such arrows have a colour of their own.
LONGEST_ARROW_SHARE = 0.08
LEAST_PX = 1e-6
# A channel takes this much of the picture, px; more channels go side by side.
_WIDTH_PX, _HEIGHT_PX = 760, 690
MAX_CHANNELS = 4


def residual_figure(fields: FieldSet, grid: Grid, /, *, title: str = "") -> "Figure":
    """Draw, per channel, the residuals of one colour seen from one pupil position.

    Arrows run from the sample to where the fit expects it, at a scale that is printed. The pupil position is
    the one nearest the eye-box centre, the colour the fit's reference. Samples that the fit called outliers
    are marked instead of drawn to scale.

    Parameters
    ----------
    fields : FieldSet
    grid : Grid
        As a rule the one that was fitted.
    title : str
        A line above all.

    Raises
    ------
    GridError
        The grid holds no finite sample of the reference colour.
    """
    channels = [name for name in grid.channel_names if name in fields.channels][:MAX_CHANNELS]
    outliers = {row for report in fields.reports for row in report.outlier_rows}
    with figure(_WIDTH_PX * len(channels), _HEIGHT_PX, title) as drawn:
        for axes, channel in zip(np.atleast_1d(drawn.subplots(1, len(channels))), channels, strict=True):
            colour = next(iter(fields.fields_of(channel)))
            _draw_channel(axes, fields, _one_view(grid, channel, colour), outliers)
        return drawn


def residual_picture(fields: FieldSet, grid: Grid, /, *, title: str = "") -> bytes:
    """Return `residual_figure` as PNG."""
    return figure_bytes(residual_figure(fields, grid, title=title))


def _one_view(grid: Grid, channel: str, colour: str) -> Grid:
    """Return the samples of a channel and colour at the pupil position nearest the eye-box centre."""
    part = grid.select(channel=channel, colour=colour)
    finite = np.flatnonzero(part.finite)
    if finite.size == 0:
        raise GridError(f"{grid.source}: no finite sample of channel '{channel}', colour '{colour}' to draw.")
    part = part.take(finite)
    nearest = part.pupil_mm[np.argmin(np.linalg.norm(part.pupil_mm, axis=1))]
    return part.take(np.flatnonzero(np.all(np.abs(part.pupil_mm - nearest) < 1e-6, axis=1)))


def _draw_channel(axes: "Axes", fields: FieldSet, view: Grid, outliers: set[int]) -> None:
    comparison = compare_grid(fields, view)
    channel, colour = view.channel_names[0], view.colour_names[0]
    width, height = fields.field(channel, colour).panel_size_px
    named = np.isin(np.asarray(view.row), list(outliers))
    good = ~comparison.lost & ~named
    step = (comparison.predicted_px - view.pixel)[good]
    typical = max(float(np.median(comparison.error_px[good])) if good.any() else 0.0, LEAST_PX)
    nice = _nice(typical)
    # One data px of arrow stands for this many panel px of residual.
    scale = nice / (TYPICAL_ARROW_SHARE * width)
    shortened = np.minimum(LONGEST_ARROW_SHARE * width * scale / np.maximum(np.hypot(*step.T), LEAST_PX), 1.0)
    arrows = axes.quiver(
        *view.pixel[good].T,
        *(step * shortened[:, None]).T,
        angles="xy",
        scale_units="xy",
        scale=scale,
        width=0.0022,
        color=np.where(shortened < 1.0, ORANGE, BLUE),
    )
    axes.quiverkey(
        arrows,
        0.02,
        -0.085,
        nice,
        f"{nice:g} px",
        labelpos="E",
        coordinates="axes",
        color=BLUE,
        labelcolor=INK,
    )
    axes.plot(*view.pixel[named].T, "x", color=RED, markersize=8, markeredgewidth=2)
    notes = []
    if np.any(shortened < 1.0):
        notes.append((0.2, ORANGE, f"arrow shortened: above {LONGEST_ARROW_SHARE * width * scale:.2g} px"))
    if named.any():
        notes.append((0.98, RED, "x: left out as an outlier"))
    for place, colour_of_note, note in notes:
        side = "left" if place < 0.5 else "right"
        axes.text(
            place,
            -0.085,
            note,
            color=text_colour(colour_of_note),
            ha=side,
            va="center",
            transform=axes.transAxes,
        )
    # Arrows at the rim lead off the panel: its outline is drawn, and room beside it.
    room = LONGEST_ARROW_SHARE * width
    axes.plot([0, width, width, 0, 0], [0, 0, height, height, 0], color=INK, linewidth=1.2)
    axes.set(xlim=(-room, width + room), ylim=(height + room, -room), aspect="equal", ylabel="panel v, px")
    axes.set_xlabel("panel u, px", labelpad=26)
    rms = np.sqrt(np.mean(comparison.error_px[good] ** 2)) if good.any() else np.nan
    x, y, z = view.pupil_mm[0] + 0.0
    axes.set_title(
        f"channel '{channel}', {colour}, pupil at ({x:g}, {y:g}, {z:g}) mm\n"
        f"arrow: from sample to fit; RMS {rms:.3g} px, "
        f"longest {comparison.error_px[good].max(initial=0.0):.3g} px"
    )


def _nice(value: float) -> float:
    """Return the largest of 1, 2, 5 times a power of ten that is not above a positive value."""
    power = 10.0 ** np.floor(np.log10(value))
    return float(max(step for step in (1.0, 2.0, 5.0) if step * power <= value * (1.0 + 1e-9)) * power)
