"""How large the columns of the next pupil degree may be, guessed from those of the degrees below.

A field of pupil degree m takes what it lacks for turns of the camera. So columns of degree m + 1 are there,
pulled toward zero as far as the size of degree m allows: power falls off with the degree in optics, so the
next degree as a whole is taken to be no larger than the highest one fitted (assumed, not measured; the pull
is a normal prior of that size, shared evenly).
"""

import numpy as np

from prewarp.checks import FloatArray, IntArray


def next_degree_pull(
    coefficients: FloatArray, variance: FloatArray, order: IntArray, noise_px: float, /
) -> FloatArray:
    """Return the pull (m,) of each column toward zero: 0 but for columns of the highest pupil degree.

    Parameters
    ----------
    coefficients, variance : (m,) float arrays
        Of the field, and what noise of 1 px leaves in them.
    order : (m,) int array
        Degree over the pupil of each column.
    noise_px : float
        Noise of a sample per axis.

    Notes
    -----
    The power of degree m is at least what its noise alone would be: nothing smaller can be told from zero.
    """
    highest = int(order.max())
    own, last = order == highest, order == highest - 1
    if not own.any() or not last.any():
        return np.zeros(len(order))
    noise = noise_px**2 * float(variance[last].sum())
    power = max(float(np.sum(coefficients[last] ** 2)) - noise, noise)
    return np.where(own, noise_px**2 * own.sum() / power, 0.0)
