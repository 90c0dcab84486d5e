"""A table over the pupil as a sum of few modes, which is what a GPU sums per node."""

from dataclasses import dataclass

import numpy as np

from prewarp.checks import FloatArray


@dataclass(frozen=True)
class Modes:
    """A table as few modes: coefficients_j = sum_m mix[m, j] pattern_m, so a node sums modes instead of pupil functions.

    `pattern` (modes, rows, columns, k, 2) float array; `mix` (modes, pupil functions) float array.
    """

    pattern: FloatArray
    mix: FloatArray


def modes_of(coefficients: FloatArray, scale: FloatArray, /, *, tolerance: float) -> Modes:
    """Return the fewest modes that stay within a tolerance at every node for every pupil (singular value decomposition).

    Parameters
    ----------
    coefficients : (pupil functions, rows, columns, k, 2) float array
        Of Chebyshev functions of the pupil, each at most 1 in size.
    scale : (k,) float array
        What each of the vectors is multiplied by before they are compared with the tolerance.
    tolerance : float
        Largest error, in scaled units.

    References
    ----------
    Design's section 5. The bound sum_j |error_j| holds because |Q_j| <= 1 in the eye box (derived here).
    """
    scaled = coefficients * np.asarray(scale)[:, None]
    matrix = scaled.reshape(len(scaled), -1)
    # The small side first: at most some 45 pupil functions against 10^5 values.
    left, size, right = np.linalg.svd(matrix, full_matrices=False)
    for count in range(1, len(size) + 1):
        rest = left[:, count:] * size[count:]
        if count == len(size) or np.abs(rest @ right[count:]).sum(axis=0).max() <= tolerance:
            break
    pattern = right[:count].reshape(count, *coefficients.shape[1:]) * size[:count, None, None, None, None]
    return Modes(pattern / np.asarray(scale)[:, None], left[:, :count].T)
