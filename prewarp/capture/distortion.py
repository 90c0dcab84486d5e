"""A lens's distortion: OpenCV's documented model, its slopes, where it folds, and its inverse.

Points are tangents in the camera's frame with y *down* here, as that documentation has them (OpenCV, "Camera
Calibration and 3D Reconstruction", detailed description)::

    x_d = x R + 2 p1 x y + p2 (s + 2 x^2) + s1 s + s2 s^2
    y_d = y R + p1 (s + 2 y^2) + 2 p2 x y + s3 s + s4 s^2
    R = (1 + k1 s + k2 s^2 + k3 s^3) / (1 + k4 s + k5 s^2 + k6 s^3),   s = x^2 + y^2

Coefficients stand in the order k1, k2, p1, p2, k3, k4, k5, k6, s1, s2, s3, s4.
"""

from collections.abc import Sequence

import numpy as np
from numpy.polynomial import Polynomial

from prewarp.checks import BoolArray, FloatArray

Coefficients = Sequence[float] | FloatArray
# How many coefficients a file may hold: none, or as many as that model has at its stages.
COUNTS = (0, 4, 5, 8, 12)
MOST = COUNTS[-1]
_WIDEST_RAD = np.radians(88.0)
_NODES = 2048
_NEWTON_STEPS = 50
_CONVERGED = 1e-14


def padded(coefficients: Coefficients, /) -> FloatArray:
    """Return all twelve coefficients (12,): those left out are 0."""
    full = np.zeros(MOST)
    full[: len(coefficients)] = coefficients
    return full


def distorted(point: FloatArray, coefficients: Coefficients, /) -> FloatArray:
    """Return distorted points (..., 2) of points (..., 2); the formula as it stands, folded or not."""
    x, y = point[..., 0], point[..., 1]
    k1, k2, p1, p2, k3, k4, k5, k6, s1, s2, s3, s4 = padded(coefficients)
    s = x * x + y * y
    ratio = (1.0 + s * (k1 + s * (k2 + s * k3))) / (1.0 + s * (k4 + s * (k5 + s * k6)))
    return np.stack(
        [
            x * ratio + 2.0 * p1 * x * y + p2 * (s + 2.0 * x * x) + s * (s1 + s * s2),
            y * ratio + p1 * (s + 2.0 * y * y) + 2.0 * p2 * x * y + s * (s3 + s * s4),
        ],
        axis=-1,
    )


def point_slopes(point: FloatArray, coefficients: Coefficients, /) -> FloatArray:
    """Return d(x_d, y_d)/d(x, y), (..., 2, 2), rows x_d, y_d."""
    x, y = point[..., 0], point[..., 1]
    k1, k2, p1, p2, k3, k4, k5, k6, s1, s2, s3, s4 = padded(coefficients)
    s = x * x + y * y
    above = 1.0 + s * (k1 + s * (k2 + s * k3))
    below = 1.0 + s * (k4 + s * (k5 + s * k6))
    ratio = above / below
    # d ratio / d s, twice: ds = 2 x dx + 2 y dy.
    steep = 2.0 * (k1 + s * (2.0 * k2 + s * 3.0 * k3) - ratio * (k4 + s * (2.0 * k5 + s * 3.0 * k6))) / below
    prism_x, prism_y = 2.0 * (s1 + 2.0 * s * s2), 2.0 * (s3 + 2.0 * s * s4)
    mixed = x * y * steep + 2.0 * p1 * x + 2.0 * p2 * y
    return np.stack(
        [
            ratio + x * x * steep + 2.0 * p1 * y + 6.0 * p2 * x + prism_x * x,
            mixed + prism_x * y,
            mixed + prism_y * x,
            ratio + y * y * steep + 6.0 * p1 * y + 2.0 * p2 * x + prism_y * y,
        ],
        axis=-1,
    ).reshape(*point.shape[:-1], 2, 2)


def coefficient_slopes(point: FloatArray, coefficients: Coefficients, /) -> FloatArray:
    """Return d(x_d, y_d)/d coefficients, (..., 2, 12), in the order of the module."""
    x, y = point[..., 0], point[..., 1]
    k1, k2, _, _, k3, k4, k5, k6, *_ = padded(coefficients)
    s = x * x + y * y
    above = 1.0 + s * (k1 + s * (k2 + s * k3))
    below = 1.0 + s * (k4 + s * (k5 + s * k6))
    up, down = 1.0 / below, -above / below**2
    zero = np.zeros_like(x)
    rows = []
    for axis, own in ((0, x), (1, y)):
        radial = [own * s * up, own * s**2 * up]
        far = [own * s**3 * up, own * s * down, own * s**2 * down, own * s**3 * down]
        tangential = [2.0 * x * y, s + 2.0 * x * x] if axis == 0 else [s + 2.0 * y * y, 2.0 * x * y]
        prism = [s, s * s, zero, zero] if axis == 0 else [zero, zero, s, s * s]
        rows.append(np.stack([*radial, *tangential, *far, *prism], axis=-1))
    return np.stack(rows, axis=-2)


def fold_radius(coefficients: Coefficients, /) -> float:
    """Return the tangent at which the radial part turns back or has a pole; infinite where it never does.

    Beyond it one pixel would be seen in two directions: nothing is said of it.
    """
    k1, k2, _, _, k3, k4, k5, k6, *_ = padded(coefficients)
    above, below = Polynomial([1.0, k1, k2, k3]), Polynomial([1.0, k4, k5, k6])
    s = Polynomial([0.0, 1.0])
    # d(r R)/dr times the square of the denominator.
    slope = above * below + 2.0 * s * (above.deriv() * below - above * below.deriv())
    # Several roots may be one that rounding has split, so that its halves are no longer real.
    roots = np.concatenate([one.trim().roots() for one in (slope, below)]).astype(complex)
    real = roots.real[(np.abs(roots.imag) < 1e-7 * (1.0 + np.abs(roots))) & (roots.real > 0.0)]
    return float(np.sqrt(real.min())) if len(real) else float("inf")


def single_valued(point: FloatArray, coefficients: Coefficients, /) -> BoolArray:
    """Return where (...) points lie before the fold: the map keeps its sense, and is its own only branch."""
    slopes = point_slopes(point, coefficients)
    turns = slopes[..., 0, 0] * slopes[..., 1, 1] - slopes[..., 0, 1] * slopes[..., 1, 0]
    return (np.hypot(point[..., 0], point[..., 1]) < fold_radius(coefficients)) & (turns > 0.0)


def undistorted(wanted: FloatArray, coefficients: Coefficients, /) -> FloatArray:
    """Return points (..., 2) whose distorted points are `wanted` (..., 2); NaN where the model has none.

    Newton's method from a table of the radial part, which is monotone up to the fold. A point counts only
    where the map, put to it again, gives what was wanted within rounding and keeps its sense.
    """
    if not np.any(padded(coefficients)):
        return np.array(wanted, dtype=np.float64)
    limit = fold_radius(coefficients)
    length = np.hypot(wanted[..., 0], wanted[..., 1])
    table = np.tan(np.linspace(0.0, min(_WIDEST_RAD, float(np.arctan(limit))), _NODES))
    reached = distorted(np.stack([table, np.zeros_like(table)], axis=-1), _radial_alone(coefficients))[:, 0]
    rises = np.isfinite(reached) & (np.maximum.accumulate(np.nan_to_num(reached, nan=-1.0)) == reached)
    start = np.interp(length, reached[rises], table[rises])
    point = wanted * np.where(length > 0.0, start / np.where(length > 0.0, length, 1.0), 1.0)[..., None]
    with np.errstate(all="ignore"):
        for _ in range(_NEWTON_STEPS):
            missing = wanted - distorted(point, coefficients)
            slopes = point_slopes(point, coefficients)
            turns = slopes[..., 0, 0] * slopes[..., 1, 1] - slopes[..., 0, 1] * slopes[..., 1, 0]
            step = (
                np.stack(
                    [
                        slopes[..., 1, 1] * missing[..., 0] - slopes[..., 0, 1] * missing[..., 1],
                        slopes[..., 0, 0] * missing[..., 1] - slopes[..., 1, 0] * missing[..., 0],
                    ],
                    axis=-1,
                )
                / turns[..., None]
            )
            point = _kept_inside(point, point + step, limit)
            if not np.any(np.abs(step) > _CONVERGED * (1.0 + np.abs(point))):
                break
        error = np.abs(distorted(point, coefficients) - wanted).max(axis=-1)
        fine = (error <= 1e-13 * (1.0 + length)) & single_valued(point, coefficients)
    return np.where(fine[..., None], point, np.nan)


def _radial_alone(coefficients: Coefficients) -> FloatArray:
    radial = padded(coefficients)
    radial[[2, 3, 8, 9, 10, 11]] = 0.0
    return radial


def _kept_inside(before: FloatArray, after: FloatArray, limit: float) -> FloatArray:
    """Return `after`; where it has passed the fold, a point half-way from `before` to it instead."""
    if not np.isfinite(limit):
        return after
    length = np.hypot(after[..., 0], after[..., 1])
    kept = 0.5 * (np.hypot(before[..., 0], before[..., 1]) + limit)
    factor = np.where(length >= limit, kept / np.where(length > 0.0, length, 1.0), 1.0)
    return after * factor[..., None]
