"""One channel: pupil position and viewing direction to panel pixel."""

from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import BoolArray, FloatArray, IntArray, as_pupil, as_tangent
from prewarp.frames import unit_from_tangent
from prewarp.module import Panel
from prewarp.trace.design import DesignChannel, PanelPlace
from prewarp.trace.rays import CAUSES, MISSED, OFF_PANEL, trace_rays
from prewarp.trace.surfaces import Shape


@dataclass(frozen=True)
class TraceResult:
    """Panel points of a batch of rays.

    `pixel` (..., 2) px, panel frame, NaN where not valid; `valid` (...); `luminance` (...) relative, linear,
    NaN where not valid; `cause` (...) codes into `rays.CAUSES`; `surface` (...) number of the failing surface
    from 1 (the panel is one more than the surfaces), 0 where valid; `labels` the names that these numbers
    stand for.
    """

    pixel: FloatArray
    valid: BoolArray
    luminance: FloatArray
    cause: IntArray
    surface: IntArray
    labels: tuple[str, ...]

    def failures(self) -> dict[str, int]:
        """Return how many rays failed, by "surface 3 (front): missed", most frequent first."""
        failed = ~self.valid
        pairs = Counter(zip(self.surface[failed].tolist(), self.cause[failed].tolist(), strict=True))
        return {
            f"surface {number} ({self.labels[number - 1]}): {CAUSES[cause]}": count
            for (number, cause), count in pairs.most_common()
        }


def trace_channel(
    design: DesignChannel, panel: Panel, tangent: ArrayLike, /, *, pupil_mm: ArrayLike, wavelength_nm: float
) -> TraceResult:
    """Trace from pupil positions along viewing directions to the panel.

    Parameters
    ----------
    design : DesignChannel
        The optics.
    panel : Panel
        Size and pitch of the panel.
    tangent : (..., 2) array
        Viewing directions (tx, ty), tangents, eye frame.
    pupil_mm : (..., 3) array
        Pupil positions, mm from the eye-box centre. Leading axes broadcast with those of `tangent`.
    wavelength_nm : float
        Wavelength.

    Returns
    -------
    TraceResult
        A ray that fails is not valid and names its surface; nothing is raised for it.

    Raises
    ------
    ShapeError
        Last axis is not 2 (`tangent`) or 3 (`pupil_mm`).

    Notes
    -----
    `luminance` is cos(angle between ray and panel normal) ** `emission_power`: what the panel sends in that
    direction relative to its normal. Radiance is kept along a ray (common practice); coatings and vignetting
    are not modelled.
    """
    start, heading = as_pupil(pupil_mm), unit_from_tangent(as_tangent(tangent))
    places = design.places()
    rays = trace_rays(design.surfaces, places, start, heading, wavelength_nm=wavelength_nm)
    vertex, axes = places[-1]
    direction = rays.direction @ axes
    met = Shape().meet((rays.point - vertex) @ axes, direction)
    pixel = pixel_from_panel_mm(met, design.panel, panel)
    cause, surface = rays.cause, rays.surface
    last = len(design.surfaces) + 1
    inside = np.all((pixel >= 0.0) & (pixel <= np.asarray(panel.size_px)), axis=-1)
    for fails, code in ((np.isnan(met[..., 0]), MISSED), (~inside, OFF_PANEL)):
        fresh = fails & (cause == 0)
        cause[fresh] = code
        surface[fresh] = last
    valid = cause == 0
    return TraceResult(
        pixel=np.where(valid[..., None], pixel, np.nan),
        valid=valid,
        luminance=np.where(valid, np.abs(direction[..., 2]) ** design.emission_power, np.nan),
        cause=cause,
        surface=surface,
        labels=(*(element.label for element in design.surfaces), "panel"),
    )


def pixel_from_panel_mm(point: FloatArray, place: PanelPlace, panel: Panel, /) -> FloatArray:
    """Return pixels (..., 2) of points (..., 2 or more) in the panel's own frame, mm from its centre."""
    signs = np.array([-1.0 if place.flip_u else 1.0, 1.0 if place.flip_v else -1.0])
    return np.asarray(panel.size_px) / 2.0 + signs * point[..., :2] * (1e3 / panel.pitch_um)
