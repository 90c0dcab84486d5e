"""Distortion picture: where a lattice of panel points is seen, and how that moves with the pupil."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

import numpy as np

from prewarp.checks import FloatArray
from prewarp.field import FieldSet
from prewarp.field.field import Field
from prewarp.frames import degrees_from_tangent
from prewarp.report.style import CHANNEL_COLOURS, INK, figure, require_any

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_WIDTH_PX, _HEIGHT_PX = 1000, 620
_LINES, _POINTS = 9, 49
_STYLES: "tuple[Literal['solid', 'dashed', 'dashdot', 'dotted'], ...]" = (
    "solid",
    "dashed",
    "dashdot",
    "dotted",
)


def distortion_figure(
    fields: FieldSet, channels: Sequence[str], /, *, pupil_mm: FloatArray, title: str = ""
) -> "Figure":
    """Draw lines of each panel, evenly spread over what was captured, as they are seen without correction.

    Coloured lines: pupil at the eye-box centre, reference colour. Thin dark lines: from `pupil_mm` (3,).

    Raises
    ------
    ShapeError
        No channels.
    """
    from matplotlib.lines import Line2D

    require_any(channels, "channels", "channels")
    with figure(_WIDTH_PX, _HEIGHT_PX, title) as drawn:
        axes = drawn.subplots()
        handles = []
        for place, name in enumerate(channels):
            colour, style = CHANNEL_COLOURS[place % len(CHANNEL_COLOURS)], _STYLES[place % len(_STYLES)]
            field = fields.field(name, fields.colours[0])
            for pupil, ink, width in ((pupil_mm, INK, 0.7), (np.zeros(3), colour, 1.8)):
                for line in _lines(field, pupil):
                    axes.plot(
                        *line.T, color=ink, linewidth=width, linestyle=style if width > 1.0 else "solid"
                    )
            handles.append(Line2D([], [], color=colour, linewidth=1.8, linestyle=style, label=f"'{name}'"))
        told = ", ".join(f"{value:g}" for value in pupil_mm)
        handles.append(Line2D([], [], color=INK, linewidth=0.7, label=f"pupil at ({told}) mm"))
        drawn.legend(handles=handles, loc="outside lower center", ncols=len(handles))
        axes.set(
            aspect="equal",
            xlabel="horizontal field angle dir_x, degrees",
            ylabel="vertical field angle dir_y, degrees",
        )
        return drawn


def _lines(field: Field, pupil_mm: FloatArray) -> list[FloatArray]:
    """Return lines (n, 2), degrees, along u and along v of the captured part of a panel; NaN beyond it."""
    low, high = field.border_pixel.min(axis=0), field.border_pixel.max(axis=0)
    even, fine = (np.linspace(0.0, 1.0, count) for count in (_LINES, _POINTS))
    found = []
    for first, second in ((even, fine), (fine, even)):
        share = np.stack(np.meshgrid(first, second, indexing="ij"), axis=-1)
        pixel = low + share * (high - low)
        tangent = field.forward(pixel, pupil_mm=pupil_mm)
        outside = field.depth_px(pixel, pupil_mm=pupil_mm) < -1e-6
        degrees = degrees_from_tangent(np.where(outside[..., None], np.nan, tangent))
        found += list(degrees if len(first) == _LINES else degrees.swapaxes(0, 1))
    return found
