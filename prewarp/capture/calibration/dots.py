"""Dots of a board in a photograph: connected spots lighter or darker than what is around them."""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import find_objects, gaussian_filter, label, uniform_filter
from scipy.spatial import KDTree

from prewarp.checks import FloatArray, IntArray

_SMOOTH_PX = 1.0
# A spot is darker or lighter than its surroundings by this part of what the strongest are.
_CONTRAST = 0.35
_LEAST_AREA_PX = 6
# Share of its box that a spot fills: pi / 4 for an ellipse along the axes, less for one along a diagonal.
_FILL = (0.45, 0.97)
_LONGEST = 4.0
# Light beyond this many radii of a spot and this many px more is no longer its own.
_WINDOW_RADII, _WINDOW_PX = 1.3, 3.5


@dataclass(frozen=True)
class Spots:
    """Spots found: `place` (n, 2) px, centroid of their light; `radius_px` (n,) of a disc of their area."""

    place: FloatArray
    radius_px: FloatArray


def find_dots(light: FloatArray, /, *, dark: bool) -> Spots:
    """Return the dots of a photograph (height, width); `dark`: darker than the board."""
    contrast = gaussian_filter(light, _SMOOTH_PX) * (-1.0 if dark else 1.0)
    size = max(15, min(light.shape) // 8)
    contrast -= uniform_filter(contrast, size)
    strongest = float(np.percentile(contrast, 99.0))
    if not strongest > 0.0:
        return Spots(np.empty((0, 2)), np.empty(0))
    labels, _ = label(contrast > _CONTRAST * strongest)
    rough, radius = [], []
    height, width = light.shape
    for number, box in enumerate(find_objects(labels), 1):
        rows, columns = box[0].stop - box[0].start, box[1].stop - box[1].start
        if not max(rows, columns) < _LONGEST * min(rows, columns):
            continue
        if box[0].start == 0 or box[1].start == 0 or box[0].stop == height or box[1].stop == width:
            continue
        inside = labels[box] == number
        area = int(inside.sum())
        if area < _LEAST_AREA_PX or not _FILL[0] <= area / (rows * columns) <= _FILL[1]:
            continue
        row, column = np.nonzero(inside)
        rough.append((box[1].start + column.mean() + 0.5, box[0].start + row.mean() + 0.5))
        radius.append(np.sqrt(area / np.pi))
    if len(rough) < 2:
        return Spots(np.empty((0, 2)), np.empty(0))
    return _refined(light, np.array(rough), np.array(radius), dark)


def _refined(light: FloatArray, place: FloatArray, radius: FloatArray, dark: bool) -> Spots:
    nearest = np.asarray(KDTree(place).query(place, k=2)[0])[:, 1]
    refined, area = np.full_like(place, np.nan), np.full(len(place), np.nan)
    for index, (x, y) in enumerate(place):
        reach = min(_WINDOW_RADII * radius[index] + _WINDOW_PX, 0.5 * nearest[index])
        # Twice: the window follows the dot that it is to hold.
        for _ in range(2):
            found = _centroid(light, x, y, reach, dark)
            if found is None:
                break
            x, y, area[index] = found
            refined[index] = x, y
    known = np.isfinite(refined[:, 0])
    return Spots(refined[known], np.sqrt(area[known] / np.pi))


def _centroid(
    light: FloatArray, x: float, y: float, reach: float, dark: bool
) -> tuple[float, float, float] | None:
    """Return centroid and area of what differs from a round window's rim; None beside the picture."""
    rim = reach + 1.5
    left, top, right, bottom = int(x - rim), int(y - rim), int(x + rim) + 1, int(y + rim) + 1
    if left < 0 or top < 0 or right > light.shape[1] or bottom > light.shape[0]:
        return None
    part = light[top:bottom, left:right]
    columns, rows = np.arange(left, right) + 0.5, np.arange(top, bottom)[:, None] + 0.5
    off = np.hypot(columns - x, rows - y)
    around = float(np.median(part[(off > reach - 0.5) & (off <= rim)]))
    # A window whose rim cuts pixels in part keeps the centroid even.
    weight = np.clip(reach - off + 0.5, 0.0, 1.0) * (part - around) * (-1.0 if dark else 1.0)
    total, strongest = float(weight.sum()), float(weight.max())
    if not total > 0.0:
        return None
    return float((weight * columns).sum() / total), float((weight * rows).sum() / total), total / strongest


def of_like_size(spots: Spots, /) -> IntArray:
    """Return the numbers of spots that are as large as most: specks and frames are not."""
    if len(spots.radius_px) == 0:
        return np.empty(0, dtype=np.int64)
    usual = float(np.median(spots.radius_px))
    return np.flatnonzero((spots.radius_px > 0.5 * usual) & (spots.radius_px < 2.0 * usual))
