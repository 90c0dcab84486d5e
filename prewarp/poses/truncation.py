"""How large the columns of the next pupil degree may be, guessed from those of the degrees below.

A field of pupil degree m takes what it lacks for turns of the camera. So columns of degree m + 1 are there,
pulled toward zero as far as the sizes below allow: power falls off with the degree in optics, odd and even
degrees apart (nearly aligned optics have hardly any even ones). So the next degree as a whole is taken to be
no larger than the highest one fitted, nor than degree m - 1 after another fall like that from m - 3 to it
(assumed, not measured; the pull is a normal prior of that size, shared evenly).
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
    The power of a degree is at least what its noise alone would be: nothing smaller can be told from zero.
    """
    highest = int(order.max())
    if highest == 0:
        return np.zeros(len(order))
    own = order == highest
    noise = np.array([noise_px**2 * float(variance[order == degree].sum()) for degree in range(highest)])
    square = np.array([float(np.sum(coefficients[order == degree] ** 2)) for degree in range(highest)])
    power = np.maximum(square - noise, noise)
    size = power[-1]
    # Degree 0 is the picture itself: nothing falls from it.
    if highest > 4:
        size = max(min(size, power[-2] ** 2 / power[-4]), noise[-1])
    return np.where(own, noise_px**2 * own.sum() / size, 0.0)
