"""How sure a prediction is: the 1-sigma length at any panel point and pupil, from what a fit stores."""

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import FloatArray, as_pixel, as_pupil
from prewarp.field.fieldset import FieldSet
from prewarp.fitting.certainty import sigma_between
from prewarp.frames import reference_pupil


def prediction_sigma(
    fields: FieldSet, channel: str, colour: str, pixel: ArrayLike, /, *, pupil_mm: ArrayLike
) -> FloatArray:
    """Return the 1-sigma length sqrt(su^2 + sv^2) of a predicted panel point, px.

    Noise of the capture, and what the choice of the model left out. A registered channel's turn is taken as
    exact.

    Parameters
    ----------
    fields : FieldSet
    channel, colour : str
    pixel : (..., 2) array
        Panel points, px.
    pupil_mm : (..., 3) array
        Pupil position, mm from the eye-box centre. Leading axes broadcast with those of `pixel`.

    Returns
    -------
    (...) float array
        NaN where it is not known: more than one spacing of the captured pupils outside them, more than 3 % of
        the panel off it, or a fit that holds no such map.

    Raises
    ------
    FitError
        The fit has no such channel or colour.
    ShapeError
        Last axis is not 2 (`pixel`) or 3 (`pupil_mm`), or the leading axes do not broadcast.
    """
    pixel, pupil_mm = as_pixel(pixel), as_pupil(pupil_mm)
    field = fields.field(channel, colour)
    tangent = field.forward(pixel, pupil_mm=pupil_mm)
    report = next((one for one in fields.reports if one.channel == channel), None)
    if report is None:
        return np.full(tangent.shape[:-1], np.nan)
    if not field.mount.is_identity:
        tangent, pupil_mm = field.mount.inward(tangent), field.mount.pupil_inward(pupil_mm)
    shape = tangent.shape[:-1]
    reference = reference_pupil(tangent, np.broadcast_to(pupil_mm, (*shape, 3)))
    found = sigma_between(
        report.certainty_px[report.colours.index(colour)],
        report.certainty_pupil_mm,
        field.panel_size_px,
        np.broadcast_to(pixel, (*shape, 2)).reshape(-1, 2),
        reference.reshape(-1, 2),
    )
    return found.reshape(shape)
