"""Sensitivity picture: worst seam error with a fixed correction, and per mm of error of a tracked one."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from prewarp.checks import FloatArray
from prewarp.report.style import figure, figure_bytes, require_any
from prewarp.seam import Overlap, SensitivityMap

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_WIDTH_PX, _HEIGHT_PX = 430, 720
_KINDS = (
    ("fixed_worst_arcmin", "Fixed correction: worst seam error,\npupil anywhere in the eye box", "arcmin"),
    (
        "tracked_worst_arcmin_per_mm",
        "Tracked: worst seam error per mm\nof error of the tracked pupil",
        "arcmin per mm",
    ),
)


@dataclass(frozen=True)
class SensitivityItem:
    """What is drawn of one seam: an overlap and the map over exactly its directions."""

    title: str
    overlap: Overlap
    found: SensitivityMap


def sensitivity_figure(items: Sequence[SensitivityItem], /, *, title: str) -> "Figure":
    """Draw both worst cases of each seam side by side, each kind on one colour scale."""
    require_any(items, "items", "seams")
    values = {kind: [getattr(item.found, kind) for item in items] for kind, _, _ in _KINDS}
    with figure(2 * _WIDTH_PX * len(items), _HEIGHT_PX, title, title_size=15) as drawn:
        parts = drawn.subfigures(1, 2, squeeze=False)[0]
        for part, (kind, heading, unit) in zip(parts, _KINDS, strict=True):
            part.suptitle(heading, fontsize=13)
            all_axes = np.atleast_1d(part.subplots(1, len(items), sharey=True))
            finite = np.concatenate([one[np.isfinite(one)] for one in values[kind]])
            highest = float(np.quantile(finite, 0.99)) if finite.size else 1.0
            for axes, item, one in zip(all_axes, items, values[kind], strict=True):
                mesh = axes.pcolormesh(
                    *item.overlap.axes_deg,
                    np.ma.masked_invalid(item.overlap.spread_out(one)),
                    cmap="cividis",
                    vmin=0.0,
                    vmax=max(highest, 1e-9),
                    shading="nearest",
                )
                _close_in(axes, item.overlap)
                axes.set(xlabel="right, degrees", aspect="equal")
                axes.set_title(f"{item.title}\nmedian {_median(one)}, largest {np.nanmax(one):.2g}")
            all_axes[0].set_ylabel("up, degrees")
            part.colorbar(mesh, ax=list(all_axes), label=unit, extend="max", shrink=0.8, pad=0.02)
        return drawn


def sensitivity_picture(items: Sequence[SensitivityItem], /, *, title: str) -> bytes:
    """Return `sensitivity_figure` as PNG."""
    return figure_bytes(sensitivity_figure(items, title=title))


def _median(values: FloatArray) -> str:
    return f"{np.nanmedian(values):.2g}"


def _close_in(axes: "Axes", overlap: Overlap) -> None:
    """Show the overlap with a degree around it; the lattice covers the whole field."""
    rows, columns = np.nonzero(overlap.inside)
    x, y = overlap.axes_deg
    axes.set(
        xlim=(x[columns.min()] - 1.0, x[columns.max()] + 1.0), ylim=(y[rows.min()] - 1.0, y[rows.max()] + 1.0)
    )
