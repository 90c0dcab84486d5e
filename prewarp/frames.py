"""Frames and units: the one implementation of the conventions.

=================  ==========  ===================================================================
quantity           symbol      convention
=================  ==========  ===================================================================
panel pixel        u, v        px; origin at the top-left corner of the active area; the first
                               pixel's centre is (0.5, 0.5); v runs down
viewing direction  tx, ty      tangents X/Z, Y/Z; +x to the wearer's right, +y up, +z forward
direction cosine   qx, qy      X/R, Y/R with R = sqrt(X^2 + Y^2 + Z^2); |q| < 1 looks forward
pupil position     x, y, z     mm from the eye-box centre, same axes; +z is toward the optics
angular error                  angle between unit vectors, arcmin; never a difference of tangents
image vergence     D           dioptres, 1/L; 0 is at infinity
=================  ==========  ===================================================================

Last axis is the vector, all others are batch.
"""

import numpy as np

from prewarp.checks import FloatArray

ARCMIN_PER_RADIAN = 180.0 * 60.0 / np.pi
MM_PER_M = 1000.0


def degrees_from_tangent(tangent: FloatArray, /) -> FloatArray:
    """Return atan of each tangent, in degrees: the `dir_x_deg`, `dir_y_deg` that people read."""
    return np.degrees(np.arctan(tangent))


def tangent_from_degrees(degrees: FloatArray, /) -> FloatArray:
    """Return the tangent of each angle given in degrees; inverse of `degrees_from_tangent`."""
    return np.tan(np.radians(degrees))


def cosine_from_tangent(tangent: FloatArray, /) -> FloatArray:
    """Return direction cosines q = t / sqrt(1 + |t|^2), shape (..., 2)."""
    return tangent / np.sqrt(1.0 + _squared_length(tangent))


def tangent_from_cosine(cosine: FloatArray, /) -> FloatArray:
    """Return tangents t = q / sqrt(1 - |q|^2), shape (..., 2); NaN where |q| >= 1 (not forward)."""
    squared = 1.0 - _squared_length(cosine)
    return cosine / np.sqrt(np.where(squared > 0.0, squared, np.nan))


def _squared_length(vector: FloatArray) -> FloatArray:
    """Return |v|^2 of vectors (..., 2), shape (..., 1)."""
    x, y = vector[..., :1], vector[..., 1:]
    return x * x + y * y


def unit_from_tangent(tangent: FloatArray, /) -> FloatArray:
    """Return unit vectors (..., 3) that look along tangents (..., 2)."""
    ones = np.ones((*tangent.shape[:-1], 1))
    vector = np.concatenate([tangent, ones], axis=-1)
    result: FloatArray = vector / np.linalg.norm(vector, axis=-1, keepdims=True)
    return result


def arcmin_between(tangent: FloatArray, other: FloatArray, /) -> FloatArray:
    """Return the angle between two viewing directions, arcmin, shape (...).

    Computed as atan2(|a x b|, a . b) of the vectors (tx, ty, 1): exact for tiny and for large angles.
    """
    ax, ay = tangent[..., 0], tangent[..., 1]
    bx, by = other[..., 0], other[..., 1]
    cross = np.sqrt((ay - by) ** 2 + (bx - ax) ** 2 + (ax * by - ay * bx) ** 2)
    return np.arctan2(cross, 1.0 + ax * bx + ay * by) * ARCMIN_PER_RADIAN


def arcmin_step(tangent: FloatArray, other: FloatArray, /) -> FloatArray:
    """Return the step between directions, (..., 2) arcmin, right and up at the middle of the two."""
    step = unit_from_tangent(other) - unit_from_tangent(tangent)
    chord = np.linalg.norm(step, axis=-1, keepdims=True)
    # The chord becomes the angle; both agree to first order, so a zero step needs no division.
    stretch = np.where(
        chord > 1e-9, 2.0 * np.arcsin(np.minimum(chord / 2.0, 1.0)) / np.where(chord > 1e-9, chord, 1.0), 1.0
    )
    axes = sight_axes(0.5 * (tangent + other))
    result: FloatArray = np.einsum("...ij,...j->...i", axes, step * stretch) * ARCMIN_PER_RADIAN
    return result


def sight_axes(tangent: FloatArray, /) -> FloatArray:
    """Return unit vectors (..., 2, 3) right (level) and up, at right angles to directions (..., 2)."""
    forward = unit_from_tangent(tangent)
    level = np.stack([np.ones(tangent.shape[:-1]), np.zeros(tangent.shape[:-1]), -tangent[..., 0]], axis=-1)
    right = level / np.linalg.norm(level, axis=-1, keepdims=True)
    return np.stack([right, np.cross(forward, right)], axis=-2)


def curvature_from_slope(tangent: FloatArray, slope: FloatArray, /) -> FloatArray:
    """Return the wavefront's curvature (..., 2, 2), dioptres, on the axes across the ray (`sight_axes`).

    Parameters
    ----------
    tangent : (..., 2) float array
        Directions, tangents.
    slope : (..., 2, 2) float array
        d(tx, ty)/d(x, y) at a fixed panel point, per mm, rows tx, ty.

    Notes
    -----
    A pupil moved by dp across the ray (in the plane at right angles to it) sees the direction turned by -K
    dp, K the curvature matrix. With A (2, 2) the x and y columns of the unit vectors right and up across the
    ray, a pupil step (dx, dy) in the plane z = 0 is A (dx, dy) across the ray, and the direction turns by A J
    (dx, dy) / sqrt(1 + |t|^2), so K = -A J A^-1 / sqrt(1 + |t|^2) (derived here). For a point image this is
    exactly 1/L times the unit matrix, L the distance along the ray; half its trace is the image distance in
    dioptres.
    """
    across = sight_axes(tangent)[..., :2]
    length = np.sqrt(1.0 + np.sum(tangent * tangent, axis=-1))[..., None, None]
    result: FloatArray = -MM_PER_M * across @ slope @ np.linalg.inv(across) / length
    return result


def reference_pupil(tangent: FloatArray, pupil_mm: FloatArray, /) -> FloatArray:
    """Return where the ray through `pupil_mm` (..., 3) along `tangent` (..., 2) crosses z = 0, (..., 2) mm.

    A ray does not bend between two pupil positions on it: (x - z tx, y - z ty).
    """
    return pupil_mm[..., :2] - pupil_mm[..., 2:] * tangent


def turned_tangent(tangent: FloatArray, turn_rad: FloatArray, /) -> FloatArray:
    """Return directions turned about axes through the eye.

    Parameters
    ----------
    tangent : (..., 2) float array
        Directions, tangents.
    turn_rad : (..., 3) float array
        Rotation vectors, radians: length the angle, direction the axis. Turned about x a direction moves
        down, about y to the right; about z it turns so that what is on the right moves up.

    Returns
    -------
    (..., 2) float array
        Tangents; NaN where the turned direction does not look forward.

    Notes
    -----
    Rodrigues' formula: s cos w + (k x s) sin w + k (k . s)(1 - cos w), with k w = `turn_rad`. Exact.
    """
    vector = np.concatenate([tangent, np.ones((*tangent.shape[:-1], 1))], axis=-1)
    turn, vector = np.broadcast_arrays(turn_rad, vector)
    angle = np.linalg.norm(turn, axis=-1, keepdims=True)
    # sin w / w and (1 - cos w) / w^2, finite at 0.
    first = np.sinc(angle / np.pi)
    second = 0.5 * np.sinc(angle / (2.0 * np.pi)) ** 2
    along = np.sum(turn * vector, axis=-1, keepdims=True)
    moved = np.cos(angle) * vector + first * np.cross(turn, vector) + second * along * turn
    result: FloatArray = moved[..., :2] / np.where(moved[..., 2:] > 0.0, moved[..., 2:], np.nan)
    return result
