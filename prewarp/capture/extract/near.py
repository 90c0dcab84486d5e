"""Nearest points, with shapes that do not depend on how many are asked for."""

from typing import cast

import numpy as np
from scipy.spatial import cKDTree

from prewarp.checks import FloatArray, IntArray


def nearest(points: FloatArray, wanted: FloatArray, count: int = 1, /) -> tuple[FloatArray, IntArray]:
    """Return distances and places in `points` (n, 2) of the `count` nearest to each of `wanted` (m, 2),
    (m, count).

    Where there are fewer points, fewer are returned.
    """
    count = min(count, len(points))
    distance, index = cKDTree(points).query(wanted, k=np.arange(1, count + 1))
    return cast(FloatArray, distance), cast(IntArray, index)


def spacing_of(points: FloatArray, /) -> float:
    """Return the middle distance of points (n, 2) to their nearest others."""
    return float(np.median(nearest(points, points, 2)[0][:, 1]))
