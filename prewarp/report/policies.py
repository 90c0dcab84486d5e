"""Blend-policy picture: fixed seam beside the one that follows the pupil, and gaps, from several pupils."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from prewarp.checks import FloatArray
from prewarp.report.reaches import degree_lattice, draw_lit, fitting_size, shared_light
from prewarp.report.style import BLUE, INK, ORANGE, figure, figure_bytes, require_any
from prewarp.seam import PolicyFigures, Seam

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D

_WIDTH_PX, _HEIGHT_PX = 760, 640
_STEP_DEG = 0.25


@dataclass(frozen=True)
class PolicyView:
    """One policy: its `figures`, `pupils_mm` (k, 3) and its `seams` from there."""

    figures: PolicyFigures
    pupils_mm: FloatArray
    seams: tuple[Seam, ...]


def policies_figure(views: Sequence[PolicyView], /, *, title: str = "") -> "Figure":
    """Draw, per policy, the blend from several pupil positions, and its figures.

    Raises
    ------
    ShapeError
        No policies.
    """
    require_any(views, "views", "policies")
    width, height = fitting_size((_WIDTH_PX, _HEIGHT_PX), [seam for view in views for seam in view.seams])
    with figure(width * len(views), height, title) as drawn:
        axes = np.atleast_1d(drawn.subplots(1, len(views), sharex=True, sharey=True))
        for one, view in zip(axes, views, strict=True):
            handles = _draw(one, view)
        drawn.legend(
            handles=handles,
            loc="outside lower center",
            ncols=len(handles) + 1,
            title="outlines: what each channel lights; grey: blend weight of the first channel, to 0.1, 0.5, "
            "0.9, 1\nline of equal blend weights, and gaps (hatched), for the",
            frameon=False,
        )
        return drawn


def policies_picture(views: Sequence[PolicyView], /, *, title: str = "") -> bytes:
    """Return `policies_figure` as PNG."""
    return figure_bytes(policies_figure(views, title=title))


def _draw(axes: "Axes", view: PolicyView) -> "list[Line2D]":
    """Draw one policy; return what stands for its lines in a legend."""
    from matplotlib.lines import Line2D

    styles: tuple[Literal["solid"], Literal["dashed"], Literal["dotted"]] = ("solid", "dashed", "dotted")
    colours = (INK, BLUE, ORANGE)
    x, y, tangent = degree_lattice((reach for seam in view.seams for reach in seam.reaches), _STEP_DEG)
    handles: list[Line2D] = []
    moved = int(np.argmax(np.ptp(view.pupils_mm, axis=0)))
    for number, (pupil, seam) in enumerate(zip(view.pupils_mm, view.seams, strict=True)):
        style, colour = styles[number % 3], colours[number % 3]
        share = shared_light(seam, tangent)
        if number == 0:
            axes.contourf(x, y, share, levels=[0.001, 0.1, 0.5, 0.9, 0.999], cmap="Greys", alpha=0.35)
        draw_lit(axes, seam, pupil, colour, outlines=number == 0)
        if share.count():
            axes.contour(x, y, share, levels=[0.5], colors=[colour], linestyles=[style], linewidths=[2.2])
        label = f"pupil at {'xyz'[moved]} = {pupil[moved]:g} mm"
        handles.append(Line2D([], [], color=colour, linestyle=style, linewidth=2.2, label=label))
    found = view.figures
    axes.set_title(
        f"{found.policy}: crawl {found.crawl_p95_arcmin_per_mm:.1f} arcmin per mm, "
        f"{found.overlap_used_percent:.0f} % of the overlap used\n"
        f"field lost at most {found.field_lost_percent:.2f} %, blend gradient "
        f"{100.0 * found.gradient_p95_per_deg:.2g} % per degree (p95)"
    )
    axes.set(xlabel="horizontal field angle, degrees", ylabel="vertical field angle, degrees", aspect="equal")
    axes.margins(y=0.12)
    axes.label_outer()
    return handles
