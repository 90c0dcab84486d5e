"""Motions that all shots of a capture may share, and smooth patterns of surfaces that no mode holds."""

import numpy as np

from prewarp.chebyshev import derivatives_1d, exponents_of_degree, products, values_1d
from prewarp.checks import FloatArray

# Lowest and highest degree of patterns, and their amplitude.
RIPPLE_DEGREES, RIPPLE_UM = (3, 6), 0.05
# Shifts along x, y, z, mm; turns about them, arcmin; scale.
MOTIONS = ("shift x", "shift y", "shift z", "turn x", "turn y", "turn z", "scale")


def motion_columns(place_mm: FloatArray, /) -> FloatArray:
    """Return offset and turn (n, 6), mm and radians, of shots at (n, 3) when all move by a step of each of
    seven motions (n, 6, 7): 1 mm along each axis, 1 arcmin about each, all places farther out by 1.
    """
    result = np.zeros((len(place_mm), 6, len(MOTIONS)))
    arcmin = np.radians(1.0 / 60.0)
    for axis, direction in enumerate(np.eye(3)):
        result[:, axis, axis] = 1.0
        result[:, :3, 3 + axis] = arcmin * np.cross(direction, place_mm)
        result[:, 3 + axis, 3 + axis] = arcmin
    result[:, :3, 6] = place_mm
    return result


def ripples(place_mm: FloatArray, tangent: FloatArray, distance_mm: float, /) -> tuple[FloatArray, list[int]]:
    """Return what smooth patterns on a surface do to direction cosines (t, 2, n), and their degrees.

    `place_mm` (n, 2) where rays cross z = 0, `tangent` (n, 2); the surface stands `distance_mm` ahead of the
    eye. Chebyshev functions of where rays cross it, as wavefronts of amplitude `RIPPLE_UM`: their gradients.
    """
    crossed = place_mm + distance_mm * tangent
    low, high = crossed.min(axis=0), crossed.max(axis=0)
    half = 0.5 * (high - low)
    x, y = ((crossed - 0.5 * (low + high)) / half).T
    most = RIPPLE_DEGREES[1]
    by_x = products(derivatives_1d(x, most) / half[0], values_1d(y, most), most)
    by_y = products(values_1d(x, most), derivatives_1d(y, most) / half[1], most)
    degree = exponents_of_degree(most).sum(axis=1)
    kept = degree >= RIPPLE_DEGREES[0]
    mm = 1e-3 * RIPPLE_UM
    return mm * np.stack([by_x[kept], by_y[kept]], axis=1), degree[kept].tolist()
