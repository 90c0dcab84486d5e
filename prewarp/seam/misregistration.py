"""Seam error: what is seen when the pupil is at e while the tracker says e'."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import BoolArray, FloatArray, as_pupil, as_tangent
from prewarp.frames import arcmin_between, arcmin_step

if TYPE_CHECKING:
    from prewarp.field import Field


@dataclass(frozen=True)
class SeamErrorResult:
    """Where two channels show one content direction, and how far apart.

    Parameters
    ----------
    shown : (2, ..., 2) float array
        Direction that each channel shows, tangents; NaN where that channel cannot show the content.
    vector_arcmin : (..., 2) float array
        From the first channel's picture to the second's: to the right and up, at right angles to the line of
        sight.
    error_arcmin : (...) float array
        Angle between the two directions; NaN where not `valid`.
    valid : (...) bool array
        True where both channels show the content.
    """

    shown: FloatArray
    vector_arcmin: FloatArray
    error_arcmin: FloatArray
    valid: BoolArray


def seam_error(
    field_a: "Field",
    field_b: "Field",
    tangent: ArrayLike,
    /,
    *,
    pupil_mm: ArrayLike,
    tracked_pupil_mm: ArrayLike,
) -> SeamErrorResult:
    """Find where two channels show content meant for a direction, for a pupil not where it is tracked.

    Content at t is drawn at the panel point f_c^-1(t, e') and is seen at f_c(f_c^-1(t, e'), e). Exact within
    the fields; no linearisation. Two channels whose images lie in one plane agree for any e and e'.

    Parameters
    ----------
    field_a, field_b : Field
        The two channels (or two colours of one channel).
    tangent : (..., 2) float array
        Content directions, tangents, eye frame.
    pupil_mm, tracked_pupil_mm : (..., 3) float array
        True and tracked pupil, mm; leading axes broadcast with those of `tangent`.

    Returns
    -------
    SeamErrorResult

    Raises
    ------
    ShapeError
        Last axis is not 2 (`tangent`) or 3 (pupils).
    """
    tangent = as_tangent(tangent)
    pupil, tracked = as_pupil(pupil_mm), as_pupil(tracked_pupil_mm, "tracked_pupil_mm")
    shown, seen_by = [], []
    for field in (field_a, field_b):
        found = field.inverse(tangent, pupil_mm=tracked)
        on_panel = np.where(found.valid[..., None], found.pixel, np.asarray(field.panel_size_px) / 2.0)
        seen = field.forward(on_panel, pupil_mm=pupil)
        shown.append(np.where(found.valid[..., None], seen, np.nan))
        seen_by.append(found.valid & np.all(np.isfinite(seen), axis=-1))
    first, second = np.broadcast_arrays(*shown)
    return SeamErrorResult(
        np.stack([first, second]),
        arcmin_step(first, second),
        arcmin_between(first, second),
        seen_by[0] & seen_by[1],
    )
