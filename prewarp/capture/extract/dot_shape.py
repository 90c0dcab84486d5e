"""What the map from panel to photograph says of each dot's picture."""

import numpy as np

from prewarp.capture.extract.centroids import DotShape
from prewarp.capture.extract.smooth import SmoothMap
from prewarp.checks import FloatArray


def dot_shape(
    map_: SmoothMap, panel: FloatArray, radius: FloatArray, place: FloatArray, gradient: FloatArray
) -> DotShape:
    """Return what a map says of the pictures of dots (n, 2) of the panel at places (n, 2) of the
    photograph.
    """
    matrix = map_.slopes(panel)
    back = np.linalg.inv(matrix)
    half = map_.second(panel)
    form = np.empty((len(panel), 2, 2, 2))
    form[..., 0, 0], form[..., 1, 1] = half[..., 0], half[..., 2]
    form[..., 0, 1] = form[..., 1, 0] = half[..., 1] / 2.0
    form = np.einsum("nai,nkab,nbj->nkij", back, form, back)
    second = np.stack([form[..., 0, 0], 2.0 * form[..., 0, 1], form[..., 1, 1]], axis=-1)
    low, high = place.min(axis=0), place.max(axis=0)
    field_ = (place - (low + high) / 2.0) / np.maximum((high - low) / 2.0, 1.0)
    return DotShape(matrix, radius, second, gradient, field_)


def area_of(matrix: FloatArray) -> FloatArray:
    """Return photograph px^2 per panel px^2 (n,) by matrices (n, 2, 2)."""
    area: FloatArray = np.abs(np.linalg.det(matrix))
    return area
