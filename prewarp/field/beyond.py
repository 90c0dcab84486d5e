"""How wrong a prediction may be beyond what was captured: the terms that no captured position shows.

Outside the captured pupils the first pupil degree that a fit has not grows as its Chebyshev polynomial does,
|T_k(1 + d)| at a distance d (in half widths) outside. Across a line of positions, or away from a single one,
motion itself is not shown: it may be as large as the one that is, or as that of an image at `NEAREST_M`,
taken for two sigmas.
"""

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import FloatArray, as_pixel, as_pupil
from prewarp.field.fieldset import FieldSet
from prewarp.field.pupils_needed import SLOWEST, term_sizes_px

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
    """Return the 1-sigma length of what terms not shown may add to predictions, px (n,); 0 inside.

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
    """
    pixel, pupil = as_pixel(pixel), as_pupil(pupil_mm)
    outside = fields.outside_mm(channel, tangent, pupil_mm=pupil)
    sigma = np.zeros(len(outside))
    rows = np.flatnonzero(outside > 0.0)
    captured = fields.captured.get(channel)
    if captured is None or rows.size == 0:
        return sigma
    field = fields.field(channel, colour)
    if not captured.shows_motion:
        return _unseen_motion_px(fields, channel, colour, pixel, pupil, outside)
    terms = term_sizes_px(field)
    fall = np.sqrt(terms[-1] / max(terms[-3], 1e-300)) if len(terms) > 2 else terms[-1] / terms[-2]
    next_px = float(max(terms[-1], terms[-2] * min(fall, SLOWEST)) * min(fall, SLOWEST))
    away = 1.0 + np.minimum(outside[rows] / max(field.expansion.frame.half_mm), FARTHEST)
    degree = len(terms)
    # Inside, T_k has the RMS 1 / sqrt 2.
    sigma[rows] = np.sqrt(2.0) * next_px * np.cosh(degree * np.arccosh(away))
    return sigma


def _unseen_motion_px(
    fields: FieldSet, channel: str, colour: str, pixel: FloatArray, pupil: FloatArray, outside_mm: FloatArray
) -> FloatArray:
    """Return how far panel points may move for pupils `outside_mm` away, in directions that are not shown."""
    field, captured = fields.field(channel, colour), fields.captured[channel]
    known = np.isfinite(pixel).all(axis=1)
    safe = np.where(known[:, None], pixel, np.array(field.panel_size_px) / 2.0)
    panel = field.jacobian(safe, pupil_mm=pupil)
    if len(captured.motions):
        slope = field.pupil_jacobian(safe, pupil_mm=pupil) @ captured.motions[0]
        per_mm = np.linalg.norm(np.linalg.solve(panel, slope[..., None])[..., 0], axis=-1)
    else:
        turn = np.eye(2) / (1000.0 * NEAREST_M)
        per_mm = np.linalg.norm(
            np.linalg.solve(panel, np.broadcast_to(turn, panel.shape)), ord=2, axis=(-2, -1)
        )
    return np.where(known, 0.5 * per_mm * outside_mm, np.nan)
