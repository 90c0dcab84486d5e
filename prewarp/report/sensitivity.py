"""Sensitivity picture: worst seam error with a fixed correction, per mm of error of a tracked one, and the
split of panels out of step per rate of turn, where time is known.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from prewarp.checks import FloatArray
from prewarp.report.style import figure, figure_bytes, require_any
from prewarp.seam import Overlap, SeamTiming, SensitivityMap

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
_STEP = (
    "out_of_step",
    "Panels out of step: split per rate\nof a turn about the worst axis",
    "arcmin per deg/s",
)


@dataclass(frozen=True)
class SensitivityItem:
    """What is drawn of one seam: an overlap, and map and times over exactly its directions."""

    title: str
    overlap: Overlap
    found: SensitivityMap
    timing: SeamTiming | None = None

    def values(self, kind: str, /) -> FloatArray:
        """Return what is drawn of a kind, (n,); NaN where it is not known."""
        if kind != _STEP[0]:
            return np.asarray(getattr(self.found, kind))
        directions = len(self.overlap.tangent)
        return np.full(directions, np.nan) if self.timing is None else self.timing.worst_axis


def sensitivity_figure(items: Sequence[SensitivityItem], /, *, title: str) -> "Figure":
    """Draw the worst cases of each seam side by side, each kind on one colour scale."""
    require_any(items, "items", "seams")
    kinds = (*_KINDS, _STEP) if any(item.timing is not None for item in items) else _KINDS
    values = {kind: [item.values(kind) for item in items] for kind, _, _ in kinds}
    # Overlaps of channels one above the other are wide: their kinds stand one above the other as well.
    stacked = all(item.overlap.is_wide for item in items)
    long = _WIDTH_PX * len(kinds)
    size = (_HEIGHT_PX * len(items), long) if stacked else (long * len(items), _HEIGHT_PX)
    with figure(*size, title, title_size=15) as drawn:
        parts = drawn.subfigures(*((len(kinds), 1) if stacked else (1, len(kinds))), squeeze=False).ravel()
        for part, (kind, heading, unit) in zip(parts, kinds, strict=True):
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
                axes.set(xlabel="horizontal field angle, degrees", aspect="equal")
                axes.set_title(f"{item.title}\n{_told(one)}")
            all_axes[0].set_ylabel("vertical field angle, degrees")
            part.colorbar(mesh, ax=list(all_axes), label=unit, extend="max", shrink=0.8, pad=0.02)
        return drawn


def sensitivity_picture(items: Sequence[SensitivityItem], /, *, title: str) -> bytes:
    """Return `sensitivity_figure` as PNG."""
    return figure_bytes(sensitivity_figure(items, title=title))


def _told(values: FloatArray) -> str:
    if not np.isfinite(values).any():
        return "not known"
    return f"median {np.nanmedian(values):.2g}, largest {np.nanmax(values):.2g}"


def _close_in(axes: "Axes", overlap: Overlap) -> None:
    """Show the overlap with a degree around it; the lattice covers the whole field."""
    rows, columns = np.nonzero(overlap.inside)
    x, y = overlap.axes_deg
    axes.set(
        xlim=(x[columns.min()] - 1.0, x[columns.max()] + 1.0), ylim=(y[rows.min()] - 1.0, y[rows.max()] + 1.0)
    )
