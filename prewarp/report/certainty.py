"""Certainty picture: how sure each channel's fit is over its panel, as far as noise goes."""

from typing import TYPE_CHECKING

import numpy as np

from prewarp.field import FieldSet
from prewarp.fitting.certainty import map_nodes
from prewarp.report.style import figure, require_any

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_WIDTH_PX, _HEIGHT_PX = 620, 620


def certainty_figure(fields: FieldSet, /, *, title: str = "") -> "Figure":
    """Draw, per channel, the 1-sigma of the fitted panel point over the panel, px; needs no grid.

    Each point is the root mean square over the pupil positions of `ChannelReport.certainty_px`, first colour.
    Noise alone: what the model cannot follow is not in it.

    Raises
    ------
    ShapeError
        The fit holds no reports.
    """
    require_any(fields.reports, "reports", "channels")
    maps = [np.sqrt(np.mean(report.certainty_px[0].astype(float) ** 2, axis=0)) for report in fields.reports]
    with figure(_WIDTH_PX * len(maps), _HEIGHT_PX, title) as drawn:
        row = drawn.subplots(1, len(maps), squeeze=False)[0]
        for axes, report, sigma in zip(row, fields.reports, maps, strict=True):
            width, height = fields.field(report.channel, report.colours[0]).panel_size_px
            mesh = axes.pcolormesh(
                *map_nodes((width, height)),
                sigma,
                cmap="cividis",
                vmin=0.0,
                vmax=max(float(one.max()) for one in maps),
                shading="gouraud",
            )
            axes.set(
                xlim=(0, width), ylim=(height, 0), aspect="equal", xlabel="panel u, px", ylabel="panel v, px"
            )
            axes.set_title(
                f"channel '{report.channel}', {report.colours[0]}: "
                f"median {np.median(sigma):.2g} px, largest {sigma.max():.2g}\n"
                f"residual {report.rms_px[0]:.3g} px RMS"
            )
        drawn.colorbar(
            mesh, ax=list(row), label="1-sigma of the panel point from noise alone, px", shrink=0.8
        )
        return drawn
