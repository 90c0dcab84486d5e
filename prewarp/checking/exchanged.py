"""Two pupil positions whose photographs were exchanged: each is off as if taken at the other's place.

Each hides the other from a test of single shots, since a polynomial over the other positions is bent by it.
Here both are left out at once; and they must be off by opposite shifts that a step from one to the other
explains.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

from prewarp.checks import FloatArray, IntArray

_CHANCE = 1e-4
_FEWEST_FREEDOM = 3  # positions beyond terms and the two
_OPPOSITE = 0.3  # of their length, what the two shifts may fail to cancel by


@dataclass(frozen=True, eq=False)
class Exchange:
    """Groups (2,) that look exchanged, and how far each is off the others (2, 2), px."""

    groups: IntArray
    shift_px: FloatArray
    leverage: FloatArray


def find_exchange(
    groups: IntArray, shift: FloatArray, terms: FloatArray, *, least_px: float
) -> Exchange | None:
    """Return the two shots of one channel and colour that are off most surely, by opposite shifts.

    Parameters
    ----------
    groups : (k,) int array
    shift : (k, 2) float array
        Middle shift of each, px.
    terms : (k, p) float array
        Terms of their positions.
    least_px : float
        Shorter shifts do no harm.
    """
    count, size = terms.shape
    freedom = count - size - 2
    if freedom < _FEWEST_FREEDOM:
        return None
    rest = np.eye(count) - terms @ np.linalg.pinv(terms)
    left = rest @ shift
    first, second = np.triu_indices(count, 1)
    own = np.stack([rest[first, first], rest[first, second], rest[second, second]])
    determinant = own[0] * own[2] - own[1] ** 2
    usable = determinant > 1e-3
    first, second, own, determinant = first[usable], second[usable], own[:, usable], determinant[usable]
    if not len(first):
        return None
    a = (own[2][:, None] * left[first] - own[1][:, None] * left[second]) / determinant[:, None]
    b = (own[0][:, None] * left[second] - own[1][:, None] * left[first]) / determinant[:, None]
    explained = np.sum(a * left[first] + b * left[second], axis=1)
    best = int(np.argmax(explained))
    others = max(float(np.sum(left**2)) - float(explained[best]), 1e-300)
    ratio = float(explained[best]) / 4.0 / (others / (2.0 * freedom))
    chance = float(special.fdtrc(4, 2 * freedom, ratio))
    lengths = np.hypot(*a[best]), np.hypot(*b[best])
    opposite = np.hypot(*(a[best] + b[best])) <= _OPPOSITE * 0.5 * sum(lengths)
    if chance > _CHANCE / len(first) or min(lengths) < least_px or not opposite:
        return None
    places = np.array([first[best], second[best]])
    leverage = 1.0 - np.hypot(*left[places].T) / np.array(lengths)
    return Exchange(groups[places], np.stack([a[best], b[best]]), leverage)
