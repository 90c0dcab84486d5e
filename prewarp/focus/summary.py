"""Figures of a channel's focus over its whole panel, for tables and JSON."""

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import FloatArray
from prewarp.field.border import inside_convex
from prewarp.focus.certainty import focus_sigma
from prewarp.focus.wavefront import focus_of_panel

if TYPE_CHECKING:
    from prewarp.field import FieldSet

_NODES = 33


def channel_focus(
    fields: "FieldSet", channel: str, /, *, pupil_mm: ArrayLike, colour: str | None = None
) -> dict[str, Any]:
    """Return image distance and astigmatism over the captured part of a panel; units are in the keys.

    `image_distance` is along the ray, from the pupil to the virtual image: what the eye focuses at.
    `image_distance_axial` is straight ahead, along +z: the same everywhere for a flat image that faces the
    eye.
    `sigma` is the 1-sigma of the image distance from noise alone (`focus_sigma`), None where the fit does not
    say. `curl` is what no wavefront has, RMS: a quality figure.
    """
    colour = fields.colours[0] if colour is None else colour
    field = fields.field(channel, colour)
    width, height = field.panel_size_px
    u, v = np.meshgrid(np.linspace(0.0, width, _NODES), np.linspace(0.0, height, _NODES))
    pixel = np.stack([u.ravel(), v.ravel()], axis=-1)
    pixel = pixel[inside_convex(pixel, field.border_pixel, slack=1e-6)]
    focus = focus_of_panel(field, pixel, pupil_mm=pupil_mm)
    sigma = focus_sigma(fields, channel, colour, pixel)[focus.valid]
    return {
        "channel": channel,
        **_spread("image_distance", focus.dioptres[focus.valid]),
        **_spread("image_distance_axial", focus.axial_dioptres[focus.valid]),
        "image_distance_sigma_dioptres": float(np.sqrt(np.mean(sigma**2)))
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
