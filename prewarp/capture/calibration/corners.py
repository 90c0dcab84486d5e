"""Corners of a chessboard in a photograph: saddles of light, found to a small part of a pixel."""

import numpy as np
from scipy.ndimage import gaussian_filter, map_coordinates, maximum_filter, spline_filter

from prewarp.checks import BoolArray, FloatArray

_SMOOTH_PX = 1.6
_APART_PX = 7
# Least strength of a saddle, as part of what the strongest are.
_STRENGTH = 0.15
_RING_PX = 6.0
_RING_POINTS = 32
_WINDOW_PX = 5
_STEPS = 12
_CONVERGED_PX = 1e-4


def find_corners(light: FloatArray, /) -> FloatArray:
    """Return the places (n, 2), px, where four squares of a chessboard meet, in a photograph (height, width).

    A saddle has Ixy^2 - Ixx Iyy > 0. One counts where light on a ring about it changes sides four times,
    evenly. The place is then that at which all edges around it meet: the point q with sum g g' (q - p) = 0
    over pixels p with gradient g (W. Foerstner and E. Guelch, Proc. ISPRS Intercommission Workshop,
    Interlaken, 1987, from memory).
    """
    along_xx, along_yy = (gaussian_filter(light, _SMOOTH_PX, order=order) for order in ((0, 2), (2, 0)))
    along_xy = gaussian_filter(light, _SMOOTH_PX, order=(1, 1))
    strength = along_xy**2 - along_xx * along_yy
    strongest = float(np.percentile(strength, 99.9))
    peak = (strength == maximum_filter(strength, _APART_PX)) & (strength > _STRENGTH * strongest)
    rim = int(_RING_PX) + _WINDOW_PX
    peak[:rim] = peak[-rim:] = False
    peak[:, :rim] = peak[:, -rim:] = False
    rows, columns = np.nonzero(peak)
    smooth = spline_filter(gaussian_filter(light, 0.7), order=3)
    place: FloatArray = np.stack([columns, rows], axis=-1).astype(np.float64) + 0.5
    place = place[_is_corner(smooth, place)]
    return _refined(light, place)


def _is_corner(smooth: FloatArray, place: FloatArray) -> BoolArray:
    """Return which places (n, 2) have two light and two dark parts of a ring about them, face to face."""
    angle = 2.0 * np.pi * np.arange(_RING_POINTS) / _RING_POINTS
    ring = place[:, None] + _RING_PX * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    light = map_coordinates(smooth, (ring[..., 1] - 0.5, ring[..., 0] - 0.5), order=3, prefilter=False)
    level = 0.5 * (light.max(axis=1) + light.min(axis=1)) if len(light) else np.empty(0)
    above = light > level[:, None]
    changes = np.sum(above != np.roll(above, 1, axis=1), axis=1)
    faces = np.mean(above == np.roll(above, _RING_POINTS // 2, axis=1), axis=1)
    corner: BoolArray = (changes == 4) & (faces > 0.7)
    return corner


def _refined(light: FloatArray, place: FloatArray) -> FloatArray:
    slope_y, slope_x = (gaussian_filter(light, 1.0, order=order) for order in ((1, 0), (0, 1)))
    window = np.arange(-_WINDOW_PX, _WINDOW_PX + 1.0)
    step = np.stack(np.meshgrid(window, window), axis=-1).reshape(-1, 2)
    weight = np.exp(-0.5 * np.sum(step**2, axis=-1) / (0.5 * _WINDOW_PX) ** 2)
    moving = place.copy()
    for _ in range(_STEPS):
        point = moving[:, None] + step
        gx, gy = (
            map_coordinates(one, (point[..., 1] - 0.5, point[..., 0] - 0.5), order=1, mode="nearest")
            for one in (slope_x, slope_y)
        )
        xx, xy, yy = ((weight * a * b).sum(axis=1) for a, b in ((gx, gx), (gx, gy), (gy, gy)))
        across = gx * step[:, 0] + gy * step[:, 1]
        bx, by = (weight * gx * across).sum(axis=1), (weight * gy * across).sum(axis=1)
        turns = xx * yy - xy * xy
        turns = np.where(turns > 0.0, turns, np.nan)
        shift = np.stack([(yy * bx - xy * by) / turns, (xx * by - xy * bx) / turns], axis=-1)
        moving = moving + np.clip(np.nan_to_num(shift), -1.0, 1.0)
        if np.all(np.abs(shift) < _CONVERGED_PX):
            break
    stayed: BoolArray = np.hypot(moving[:, 0] - place[:, 0], moving[:, 1] - place[:, 1]) < 3.0
    refined: FloatArray = moving[stayed]
    return refined
