"""What no capture can tell from its own dots: common motions of all shots that the field absorbs.

Seven always: all shots shifted (3), all turned about the eye-box centre (3), all drawn apart (1). The field
then has another origin, is turned as a whole, or has all its dioptres changed by one factor.

In one plane also a wavefront phi(x, y) common to all dots: turns (r_y, -r_x) = grad phi with offsets z = phi,
a plane bent to a surface to which the cameras stay square, go into the field (W + s_z phi, for every dot,
channel and colour alike). With depth they do not: at z the field would have to turn by grad phi(x - z t),
another turn for every dot.
"""

import numpy as np

from prewarp.checks import FloatArray
from prewarp.poses.rays import PER_SHOT

# Exponents (a, b) of wavefronts phi = x^a y^b.
Exponents = list[tuple[int, int]]
SIMILARITY = ("shift x", "shift y", "shift z", "turn x", "turn y", "turn z", "scale")


def similarity_vectors(place_mm: FloatArray, /) -> FloatArray:
    """Return the seven common motions (7, 6 k) of shots at (k, 3) mm: shifts, turns, scale; not normalised.

    A turn w takes d = w x p and r = w; a scale takes d = p.
    """
    count = len(place_mm)
    vectors = np.zeros((7, count, PER_SHOT))
    for axis in range(3):
        vectors[axis, :, axis] = 1.0
        vectors[3 + axis, :, :3] = np.cross(np.eye(3)[axis], place_mm)
        vectors[3 + axis, :, 3 + axis] = 1.0
    vectors[6, :, :3] = place_mm
    return vectors.reshape(7, -1)


def wavefront_exponents(highest: int, /) -> Exponents:
    """Return the exponents (a, b) of phi = x^a y^b of degree 2 .. `highest`."""
    return [(degree - b, b) for degree in range(2, highest + 1) for b in range(degree + 1)]


def wavefront_slopes(x: FloatArray, y: FloatArray, exponents: Exponents, /) -> FloatArray:
    """Return (dphi/dx, dphi/dy) (f, 2, n) of every phi = x^a y^b at points (n,)."""
    return np.array([[_power_slope(x, a) * y**b, x**a * _power_slope(y, b)] for a, b in exponents]).reshape(
        -1, 2, len(x)
    )


def _power_slope(x: FloatArray, exponent: int) -> FloatArray:
    """Return the derivative of x^exponent."""
    return exponent * x ** (exponent - 1) if exponent > 0 else np.zeros_like(x)


def wavefront_heights(x: FloatArray, y: FloatArray, exponents: Exponents, /) -> FloatArray:
    """Return every phi = x^a y^b (f, n) at points (n,)."""
    return np.array([x**a * y**b for a, b in exponents]).reshape(-1, len(x))


def wavefront_vectors(place_mm: FloatArray, highest: int, /) -> FloatArray:
    """Return motions (f, 6 k) by common wavefronts of degree 2 .. `highest` of shots at (k, 3) mm.

    (r_y, -r_x) = grad phi and z = phi, phi = L x'^a y'^b with x' = x / L, y' = y / L, L the farthest label.
    """
    length = max(float(np.abs(place_mm[:, :2]).max()), 1e-9)
    x, y = (place_mm[:, :2] / length).T
    exponents = wavefront_exponents(highest)
    slopes = wavefront_slopes(x, y, exponents)
    vectors = np.zeros((len(slopes), len(x), PER_SHOT))
    vectors[:, :, 4], vectors[:, :, 3] = slopes[:, 0], -slopes[:, 1]
    vectors[:, :, 2] = length * wavefront_heights(x, y, exponents)
    return vectors.reshape(len(slopes), -1)


def orthonormal(vectors: FloatArray, unit: FloatArray, /) -> FloatArray:
    """Return orthonormal rows that span vectors (f, p), after division by the prior's `unit` (p,)."""
    scaled = vectors / unit
    scaled = scaled / np.linalg.norm(scaled, axis=1, keepdims=True)
    _, size, axes = np.linalg.svd(scaled, full_matrices=False)
    result: FloatArray = axes[size > 1e-8 * size[0]]
    return result


def without(matrix: FloatArray, rows: FloatArray, /) -> FloatArray:
    """Return (1 - Q Q^T) matrix (1 - Q Q^T) for orthonormal rows Q^T."""
    half = matrix - rows.T @ (rows @ matrix)
    result: FloatArray = half - (half @ rows.T) @ rows
    return result
