"""The samples nearest to a suspect, without the suspect itself."""

import numpy as np
from scipy.spatial import cKDTree

from prewarp.checks import FloatArray, IntArray


def nearest_others(place: FloatArray, suspect: IntArray, count: int, /) -> IntArray:
    """Return the numbers (s, k) of the points nearest to each suspect (s,) among places (n, axes).

    k is `count`, or n - 1 where that is less. A repeat of a suspect may come before it: what is left out is
    the suspect's own number.
    """
    _, near = cKDTree(place).query(place[suspect], k=min(count + 1, len(place)))
    near = np.asarray(near)
    own = near == suspect[:, None]
    own[~own.any(axis=1), -1] = True
    result: IntArray = near[~own].reshape(len(suspect), -1)
    return result
