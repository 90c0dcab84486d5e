"""Figures of a channel's focus over its whole panel, for tables and JSON."""

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import FloatArray
from prewarp.field import common_motion, motion_not_known
from prewarp.field.border import inside_convex
from prewarp.focus.certainty import focus_sigma
from prewarp.focus.wavefront import focus_of_panel
from prewarp.frames import curvature_from_slope

if TYPE_CHECKING:
    from prewarp.field import Field, FieldSet

_NODES = 33


def channel_focus(
    fields: "FieldSet", channel: str, /, *, pupil_mm: ArrayLike, colour: str | None = None
) -> dict[str, Any]:
    """Return image vergence and astigmatism over the captured part of a panel; units are in the keys.

    `image_vergence` is along the ray, from the pupil to the virtual image: what the eye focuses at.
    `image_vergence_axial` is straight ahead, along +z: the same everywhere for a flat image that faces the
    eye.
    `sigma` is the 1-sigma of the image vergence from noise alone (`focus_sigma`), None where the fit does not
    say. `curl` is what no wavefront has, RMS: a quality figure. `unknown_focus` where the capture does not
    show every motion of the pupil.
    """
    if motion_not_known(fields, [channel], "image vergence") is not None:
        return unknown_focus(fields, channel, pupil_mm=pupil_mm, colour=colour)
    colour = fields.colours[0] if colour is None else colour
    field = fields.field(channel, colour)
    pixel = _panel_points(field)
    focus = focus_of_panel(field, pixel, pupil_mm=pupil_mm)
    sigma = focus_sigma(fields, channel, colour, pixel)[focus.valid]
    return {
        "channel": channel,
        **_spread("image_vergence", focus.dioptres[focus.valid]),
        **_spread("image_vergence_axial", focus.axial_dioptres[focus.valid]),
        "image_vergence_sigma_dioptres": float(np.sqrt(np.mean(sigma**2)))
        if np.isfinite(sigma).all()
        else None,
        "astigmatism_median_dioptres": float(np.median(focus.astigmatism_dioptres[focus.valid])),
        "astigmatism_p95_dioptres": float(np.quantile(focus.astigmatism_dioptres[focus.valid], 0.95)),
        "curl_rms_dioptres": float(np.sqrt(np.mean(focus.curl_dioptres[focus.valid] ** 2))),
    }


def _spread(name: str, dioptres: FloatArray) -> dict[str, float]:
    return {
        f"{name}_mean_dioptres": float(dioptres.mean()),
        f"{name}_p05_dioptres": float(np.quantile(dioptres, 0.05)),
        f"{name}_p95_dioptres": float(np.quantile(dioptres, 0.95)),
    }


# Figures of `channel_focus` that need every motion of the pupil.
_UNKNOWN = (
    *(
        f"{name}_{figure}_dioptres"
        for name in ("image_vergence", "image_vergence_axial")
        for figure in ("mean", "p05", "p95")
    ),
    "image_vergence_sigma_dioptres",
    "astigmatism_median_dioptres",
    "astigmatism_p95_dioptres",
    "curl_rms_dioptres",
)


def unknown_focus(
    fields: "FieldSet", channel: str, /, *, pupil_mm: ArrayLike, colour: str | None = None
) -> dict[str, Any]:
    """Return the keys of `channel_focus`, all None, for a capture that does not show every motion.

    A line of pupil positions shows the curvature along it: `vergence_along_dioptres` is the mean over the
    panel of the wavefront's curvature in that direction, `vergence_along` the direction in x, y. None for a
    single position.
    """
    motion = common_motion(fields, [channel])
    figures: dict[str, Any] = {
        "channel": channel,
        **dict.fromkeys(_UNKNOWN),
        "vergence_along_dioptres": None,
        "vergence_along": None,
    }
    if motion is not None:
        field = fields.field(channel, fields.colours[0] if colour is None else colour)
        pixel = _panel_points(field)
        tangent = field.forward(pixel, pupil_mm=pupil_mm)
        curvature = curvature_from_slope(tangent, field.pupil_jacobian(pixel, pupil_mm=pupil_mm))
        along = np.einsum("i,nij,j->n", motion, curvature, motion)
        figures["vergence_along_dioptres"] = float(np.nanmean(along))
        figures["vergence_along"] = motion.tolist()
    return figures


def unknown_step(channels: tuple[str, str], /) -> dict[str, Any]:
    """Return the keys of `FocusStep.as_dict`, None where the capture does not show them."""
    return {
        "channels": list(channels),
        "directions": 0,
        "image_vergence_dioptres": None,
        "focus_step_mean_dioptres": None,
        "focus_step_rms_dioptres": None,
        "focus_step_max_dioptres": None,
        "focus_step_sigma_dioptres": None,
        "warp_mends_it": False,
    }


def _panel_points(field: "Field") -> FloatArray:
    """Return points (n, 2), px, spread over the captured part of a panel."""
    width, height = field.panel_size_px
    u, v = np.meshgrid(np.linspace(0.0, width, _NODES), np.linspace(0.0, height, _NODES))
    pixel = np.stack([u.ravel(), v.ravel()], axis=-1)
    return pixel[inside_convex(pixel, field.border_pixel, slack=1e-6)]
