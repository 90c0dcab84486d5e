"""Reaches and shares of light in a figure whose axes are degrees right of straight ahead and up."""

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np

from prewarp.checks import FloatArray
from prewarp.frames import degrees_from_tangent, tangent_from_degrees
from prewarp.report.style import CHANNEL_COLOURS
from prewarp.seam import ChannelReach, Seam
from prewarp.seam.directions import tangent_from_plane_deg
from prewarp.seam.gaps import lit_map

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def degree_lattice(
    reaches: Iterable[ChannelReach], step_deg: float, /
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return x (columns,) and y (rows,), degrees, of a lattice over all reaches, and its tangents."""
    corners = degrees_from_tangent(np.concatenate([reach.outline for reach in reaches]))
    low, high = corners.min(axis=0), corners.max(axis=0)
    x, y = (np.arange(low[axis], high[axis] + step_deg, step_deg) for axis in (0, 1))
    return x, y, tangent_from_degrees(np.stack(np.meshgrid(x, y), axis=-1))


def seam_axis(seam: Seam, /) -> int:
    """Return 0 where channels lie side by side (or there is one), 1 where they lie one above the other."""
    return int(np.argmax(np.ptp([reach.middle for reach in seam.reaches], axis=0)))


def fitting_size(size_px: tuple[int, int], seams: Iterable[Seam], /) -> tuple[int, int]:
    """Return a size meant for channels side by side, turned upright where a field is higher than wide."""
    reaches = [reach for seam in seams for reach in seam.reaches]
    wide, high = np.ptp(degrees_from_tangent(np.concatenate([reach.outline for reach in reaches])), axis=0)
    return size_px if wide >= high else (size_px[1], size_px[0])


def shared_light(seam: Seam, tangent: FloatArray, /) -> "np.ma.MaskedArray[Any, np.dtype[np.float64]]":
    """Return the blend weight of the first channel, masked where not all serve a direction."""
    return np.ma.masked_where(~seam.served(tangent).all(axis=0), seam.weights(tangent)[0])


def draw_lit(axes: "Axes", seam: Seam, pupil_mm: FloatArray, colour: str, /, *, outlines: bool) -> None:
    """Draw what no channel lights from a pupil (3,), mm, hatched in `colour`; with `outlines` also what each
    channel does light.
    """
    found = lit_map(seam.lights, pupil_mm)
    x, y = np.moveaxis(degrees_from_tangent(tangent_from_plane_deg(found.plane_deg)), -1, 0)
    if outlines:
        for place, depth in enumerate(found.depth_deg):
            own = CHANNEL_COLOURS[place % len(CHANNEL_COLOURS)]
            axes.contour(x, y, depth, levels=[0.0], colors=[own], linewidths=[2.0])
    if found.gap.any():
        areas = axes.contourf(
            x, y, found.gap.astype(float), levels=[0.5, 1.5], colors="none", hatches=["///"]
        )
        areas.set_edgecolor(colour)
        areas.set_linewidth(1.2)


def draw_outline(axes: "Axes", reach: ChannelReach, number: int, /, *, linewidth: float) -> str:
    """Draw the outline of a channel, the `number`th, and return its colour."""
    colour = CHANNEL_COLOURS[number % len(CHANNEL_COLOURS)]
    x, y = degrees_from_tangent(np.vstack([reach.outline, reach.outline[:1]])).T
    axes.plot(x, y, color=colour, linewidth=linewidth)
    return colour
