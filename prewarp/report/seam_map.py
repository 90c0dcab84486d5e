"""Reach-and-seam map: what each channel shows, the blend between them, how far pictures come apart."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from prewarp.checks import FloatArray
from prewarp.frames import degrees_from_tangent
from prewarp.report.reaches import degree_lattice, draw_outline, fitting_size, seam_axis, shared_light
from prewarp.report.style import INK, figure, figure_bytes, require_any, text_colour
from prewarp.seam import Seam

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.collections import QuadMesh
    from matplotlib.figure import Figure

_WIDTH_PX, _HEIGHT_PX = 880, 640
# Pitch of the lattice on which the hand-over is drawn, degrees.
_BLEND_STEP_DEG = 0.5


@dataclass(frozen=True)
class SeamMap:
    """One module: `error_arcmin` (rows, columns) on `axes_deg` (x, y), NaN outside the overlap."""

    title: str
    seam: Seam
    axes_deg: tuple[FloatArray, FloatArray]
    error_arcmin: FloatArray


def seam_map_figure(maps: Sequence[SeamMap], /, *, title: str, error_label: str) -> "Figure":
    """Draw seam maps side by side on one colour scale.

    Outlines are what a channel shows from the whole eye box; the dashed line is where both give half of the
    light, dotted lines where one gives a tenth; colour is the seam error.
    """
    from matplotlib.lines import Line2D

    require_any(maps, "maps", "modules")
    finite = np.concatenate([m.error_arcmin[np.isfinite(m.error_arcmin)] for m in maps])
    highest = float(np.quantile(finite, 0.99)) if finite.size else 1.0
    width, height = fitting_size((_WIDTH_PX, _HEIGHT_PX), [m.seam for m in maps])
    with figure(width * len(maps), height, title, title_size=15) as drawn:
        axes = np.atleast_1d(drawn.subplots(1, len(maps), sharex=True, sharey=True))
        meshes = [_draw(*pair, highest) for pair in zip(axes, maps, strict=True)]
        drawn.legend(
            handles=[
                Line2D(
                    [],
                    [],
                    color=INK,
                    linestyle="dashed",
                    linewidth=2.0,
                    label="blend weights 0.5 and 0.5",
                ),
                Line2D(
                    [],
                    [],
                    color=INK,
                    linestyle="dotted",
                    linewidth=1.6,
                    label="blend weights 0.1 and 0.9",
                ),
            ],
            loc="outside lower center",
            ncols=2,
            frameon=False,
        )
        drawn.colorbar(meshes[-1], ax=list(axes), label=error_label, extend="max", shrink=0.8, pad=0.01)
        return drawn


def seam_map_picture(maps: Sequence[SeamMap], /, *, title: str, error_label: str) -> bytes:
    """Return `seam_map_figure` as PNG."""
    return figure_bytes(seam_map_figure(maps, title=title, error_label=error_label))


def seam_figure(seam: Seam, /, *, title: str = "") -> "Figure":
    """Draw one seam as `seam_map_figure` does; colour is the larger blend weight, per cent."""
    x, y, tangent = degree_lattice(seam.reaches, _BLEND_STEP_DEG)
    shared = seam.served(tangent).sum(axis=0) > 1
    share = np.where(shared, 100.0 * seam.weights(tangent).max(axis=0), np.nan)
    told = f"feather {seam.feather_deg:.3g} degrees" if shared.any() else "one channel: no seam"
    label = "larger blend weight, per cent"
    return seam_map_figure([SeamMap(told, seam, (x, y), share)], title=title, error_label=label)


def _draw(axes: "Axes", item: SeamMap, highest: float) -> "QuadMesh":
    x, y = item.axes_deg
    mesh = axes.pcolormesh(
        x,
        y,
        np.ma.masked_invalid(item.error_arcmin),
        cmap="cividis",
        vmin=0.0,
        vmax=max(highest, 1e-6),
        shading="nearest",
    )
    for number, reach in enumerate(item.seam.reaches):
        colour = draw_outline(axes, reach, number, linewidth=2.5)
        # On the side away from the seam, where nothing else is drawn.
        along = seam_axis(item.seam)
        across = degrees_from_tangent(reach.outline[:, along])
        others = np.mean([other.middle for other in item.seam.reaches], axis=0)
        side = np.sign(reach.middle[along] - others[along] or 1.0)
        far = across.max() if side > 0 else across.min()
        place = float(far - side * 0.3 * np.ptp(across))
        right, up = (place, 0.0) if along == 0 else (0.0, place)
        axes.text(
            right,
            up,
            f"{reach.channel}\nchannel",
            color=text_colour(colour),
            fontsize=15,
            fontweight="bold",
            ha="center",
            va="center",
        )
    _draw_hand_over(axes, item.seam)
    axes.set(xlabel="horizontal field angle, degrees", aspect="equal")
    axes.set_title(item.title, pad=10)
    axes.set_ylabel("vertical field angle, degrees")
    axes.label_outer()
    return mesh


def _draw_hand_over(axes: "Axes", seam: Seam) -> None:
    if len(seam.channels) < 2:
        return
    x, y, tangent = degree_lattice(seam.reaches, _BLEND_STEP_DEG)
    axes.contour(
        x,
        y,
        shared_light(seam, tangent),
        levels=[0.1, 0.5, 0.9],
        colors=["white", "white", "white"],
        linestyles=["dotted", "dashed", "dotted"],
        linewidths=[1.6, 2.0, 1.6],
    )
