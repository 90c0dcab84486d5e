"""How wrong a prediction may be by terms that no captured position shows, between the positions and beyond.

Functions that the fit ties to rounder ones may be off their tie, and those of the next degree are not shown
at all (`prewarp.fitting.unseen`). Beside a line of positions the first pupil degree that a fit has not grows
as its Chebyshev polynomial does, |T_k(1 + d)| at a distance d (in half widths) outside. Away from a single
position motion itself is not shown: it may be that of an image at `NEAREST_M`, taken for two sigmas.
"""

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import FloatArray, as_pixel, as_pupil
from prewarp.field.captured import Captured
from prewarp.field.field import Field
from prewarp.field.fieldset import FieldSet
from prewarp.field.pupils_needed import term_sizes_px
from prewarp.fitting.chebyshev import exponents_up_to
from prewarp.pupils.needed import SLOWEST

# Nearest image distance that is reckoned with where a capture shows no motion at all: near-eye displays set
# theirs from there to infinity (common practice).
NEAREST_M = 0.33
# Longest distance outside, in half widths, for which the growth is formed: nothing is known further out.
FARTHEST = 8.0


def beyond_sigma_px(
    fields: FieldSet,
    channel: str,
    colour: str,
    tangent: ArrayLike,
    pixel: ArrayLike,
    /,
    *,
    pupil_mm: ArrayLike,
) -> FloatArray:
    """Return the 1-sigma length of what terms not shown may add to predictions, px (n,).

    Parameters
    ----------
    fields : FieldSet
    channel, colour : str
    tangent : (n, 2) array
        Directions, tangents, eye frame.
    pixel : (n, 2) array
        Panel points predicted for them, px.
    pupil_mm : (n, 3) array
        Pupil positions, mm.

    Notes
    -----
    0 at the captured positions, and everywhere where they show more than the fit has taken: what that leaves
    out is in `prediction_sigma`. NaN where the panel point is not known.
    """
    pixel, pupil = as_pixel(pixel), as_pupil(pupil_mm)
    outside = fields.outside_mm(channel, tangent, pupil_mm=pupil)
    captured = fields.captured.get(channel)
    if captured is None:
        return np.zeros(len(outside))
    field = fields.field(channel, colour)
    rows = np.flatnonzero(np.isfinite(pixel).all(axis=1))
    sigma = np.full(len(outside), np.nan)
    sigma[rows] = _unseen_px(field, captured, pixel[rows], pupil[rows])
    if not captured.motions.size:
        sigma[rows] = _unseen_motion_px(field, pixel[rows], pupil[rows]) * outside[rows]
        return sigma
    terms = term_sizes_px(field)
    if len(captured.motions) == 2 or len(terms) < 2:
        return sigma
    fall = terms[-1] / terms[-2] if len(terms) == 2 else np.sqrt(terms[-1] / max(terms[-3], 1e-300))
    fall = min(float(fall), SLOWEST)
    next_px = float(max(terms[-1], terms[-2] * fall)) * fall
    away = 1.0 + np.minimum(outside[rows] / max(field.expansion.frame.half_mm), FARTHEST)
    # Inside, T_k has the RMS 1 / sqrt 2.
    grown = np.sqrt(2.0) * next_px * np.cosh(len(terms) * np.arccosh(away))
    sigma[rows] = np.hypot(sigma[rows], np.where(outside[rows] > 0.0, grown, 0.0))
    return sigma


def _unseen_px(field: Field, captured: Captured, pixel: FloatArray, pupil_mm: FloatArray) -> FloatArray:
    """Return what the pupil functions that are tied may add to panel points, px (n,), 1-sigma length."""
    expansion, mount = field.expansion, field.mount
    if len(captured.unseen) == 0:
        return np.zeros(len(pixel))
    own = mount.pupil_inward(pupil_mm)
    tangent = mount.inward(field.forward(pixel, pupil_mm=pupil_mm))
    reference = own[:, :2] - own[:, 2:] * np.nan_to_num(tangent)
    degree = exponents_up_to(captured.unseen.shape[1] - 1)[-1].sum()
    scalar = expansion.frame.values(reference, int(degree))
    off = np.einsum("mjc,jn->nmc", captured.unseen, scalar)
    _, slope = expansion.values_and_jacobian(pixel, reference)
    to_panel = np.linalg.inv(np.moveaxis(slope, -1, 0))
    moved = np.einsum("nij,nmj->nmi", to_panel, off)
    return np.asarray(np.sqrt(np.sum(moved**2, axis=(1, 2))))


def _unseen_motion_px(field: Field, pixel: FloatArray, pupil_mm: FloatArray) -> FloatArray:
    """Return how far panel points may move per mm of pupil where a capture shows no motion, px (n,)."""
    panel = field.jacobian(pixel, pupil_mm=pupil_mm)
    turn = np.broadcast_to(np.eye(2) / (1000.0 * NEAREST_M), panel.shape)
    return np.asarray(0.5 * np.linalg.norm(np.linalg.solve(panel, turn), ord=2, axis=(-2, -1)))
