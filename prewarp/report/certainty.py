"""Certainty picture: how sure each channel's fit is over its panel."""

from typing import TYPE_CHECKING

import numpy as np

from prewarp.checks import FloatArray
from prewarp.field import FieldSet, prediction_sigma
from prewarp.points import lattice_points
from prewarp.report.style import figure, require_any

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_WIDTH_PX, _HEIGHT_PX = 620, 620
# Points along each side of the panel; pupil positions along x and y, from edge to edge of what was captured.
_POINTS, _PUPILS = 33, 3


def certainty_figure(fields: FieldSet, /, *, title: str = "") -> "Figure":
    """Draw, per channel, the 1-sigma of the fitted panel point over the panel, px; needs no grid.

    Each point is the root mean square over pupil positions, first colour (`field.prediction_sigma`).

    Raises
    ------
    ShapeError
        The fit holds no reports.
    """
    require_any(fields.reports, "reports", "channels")
    maps = [_map(fields, report.channel, report.colours[0]) for report in fields.reports]
    with figure(_WIDTH_PX * len(maps), _HEIGHT_PX, title) as drawn:
        row = drawn.subplots(1, len(maps), squeeze=False)[0]
        for axes, report, (u, v, sigma) in zip(row, fields.reports, maps, strict=True):
            mesh = axes.pcolormesh(
                u,
                v,
                sigma,
                cmap="cividis",
                vmin=0.0,
                vmax=max(float(one.max()) for _, _, one in maps),
                shading="gouraud",
            )
            axes.set(
                xlim=(0, u[-1]), ylim=(v[-1], 0), aspect="equal", xlabel="panel u, px", ylabel="panel v, px"
            )
            axes.set_title(
                f"channel '{report.channel}', {report.colours[0]}: "
                f"median {np.median(sigma):.2g} px, largest {sigma.max():.2g}\n"
                f"residual {report.rms_px[0]:.3g} px RMS"
            )
        drawn.colorbar(
            mesh, ax=list(row), label="1-sigma of the panel point: noise and model, px", shrink=0.8
        )
        return drawn


def _map(fields: FieldSet, channel: str, colour: str) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return u, v and the 1-sigma length (rows index v), root mean square over captured pupils."""
    width, height = fields.field(channel, colour).panel_size_px
    u, v = np.linspace(0.0, width, _POINTS), np.linspace(0.0, height, _POINTS)
    x, y = (np.linspace(low, high, _PUPILS) for low, high in fields.pupil_box_mm.T[:2])
    pupils = lattice_points(x, y, np.zeros(1))
    sigma = prediction_sigma(fields, channel, colour, lattice_points(u, v), pupil_mm=pupils[:, None])
    return u, v, np.sqrt(np.mean(sigma**2, axis=0)).reshape(_POINTS, _POINTS)
