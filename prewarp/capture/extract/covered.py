"""What is wrong with single dots: covered in part, dead columns through them, off their neighbours."""

import numpy as np

from prewarp.capture.extract.centroids import Fitted
from prewarp.capture.extract.near import nearest
from prewarp.capture.extract.picture import PictureArray
from prewarp.capture.extract.windows import Windows
from prewarp.checks import BoolArray, FloatArray

_SECTORS = 8
_SECTOR_SIGMA = 6.0
_SECTOR_SHARE = 0.04
_DEAD_SHARE = 0.8
_DEAD_PIXELS = 6
_OFF_SIGMA = 6.0
_OFF_PX = 0.03
_MOST_ODD = 2


def covered_dots(fitted: Fitted, variance: PictureArray, reach: FloatArray) -> BoolArray:
    """Return which dots (n,) lack light on a side, or have too much there, more than dots do in general.

    The residual is summed over eight sectors; what all dots have in common in a sector is no cover.
    """
    n, side, _ = fitted.left.shape
    half = side // 2
    step = np.arange(side) - half
    x = step[None, None, :] - fitted.offset[:, 0, None, None]
    y = step[None, :, None] - fitted.offset[:, 1, None, None]
    inside = fitted.inside & (x**2 + y**2 <= ((reach + 1.0) ** 2)[:, None, None])
    sector = (np.floor((np.arctan2(y, x) / (2.0 * np.pi) + 0.5) * _SECTORS).astype(int)) % _SECTORS
    key = (sector + _SECTORS * np.arange(n)[:, None, None])[inside]
    disc = np.maximum(fitted.model - fitted.background[:, None, None], 0.0)
    left, noise, light = (
        np.bincount(key, part[inside], n * _SECTORS).reshape(n, _SECTORS)
        for part in (fitted.left, variance, disc)
    )
    share = left / np.maximum(light, 1e-9)
    share = share - np.median(share, axis=0)
    spread = 1.4826 * np.median(np.abs(share - np.median(share, axis=0)), axis=0)
    sigma = np.hypot(np.sqrt(noise) / np.maximum(light, 1e-9), spread)
    covered: BoolArray = np.any(
        (np.abs(share) > _SECTOR_SIGMA * sigma) & (np.abs(share) > _SECTOR_SHARE), axis=1
    )
    return covered


def dead_lines(
    fitted: Fitted, own: FloatArray, windows: Windows, known: tuple[list[int], list[int]]
) -> tuple[list[int], list[int]]:
    """Return columns and rows of the sensor that stay dark where dots lie on them, with those known."""
    disc = fitted.model - fitted.background[:, None, None]
    bright = fitted.inside & (disc > 0.4 * fitted.light[:, None, None])
    dark = bright & (own - fitted.background[:, None, None] < 0.3 * disc)
    step = np.arange(-windows.half, windows.half + 1)
    found = []
    for axis, shape in ((0, (1, 1, -1)), (1, (1, -1, 1))):
        line = np.broadcast_to(windows.middle[:, axis, None, None] + step.reshape(shape), bright.shape)
        size = int(line.max()) + 2
        lit = np.bincount(line[bright].clip(0), minlength=size)
        dead = np.bincount(line[dark].clip(0), minlength=size)
        found.append([int(k) for k in np.flatnonzero((lit >= _DEAD_PIXELS) & (dead > _DEAD_SHARE * lit))])
    return sorted({*known[0], *found[0]}), sorted({*known[1], *found[1]})


def on_lines(windows: Windows, columns: list[int], rows: list[int]) -> BoolArray:
    """Return which pixels (n, side, side) lie on these columns and rows."""
    step = np.arange(-windows.half, windows.half + 1)
    across = np.isin(windows.middle[:, 0, None] + step, columns)
    down = np.isin(windows.middle[:, 1, None] + step, rows)
    result: BoolArray = across[:, None, :] | down[:, :, None]
    return result


def odd_pixels(fitted: Fitted, variance: PictureArray) -> BoolArray:
    """Return single pixels (n, side, side) far off what is expected, at most two a dot; of more none."""
    noise = np.sqrt(variance)
    odd = fitted.inside & (np.abs(fitted.left) > np.maximum(8.0 * noise, 0.2 * fitted.light[:, None, None]))
    few = odd.sum(axis=(1, 2)) <= _MOST_ODD
    result: BoolArray = odd & few[:, None, None]
    return result


def off_neighbours(
    panel: FloatArray, place: FloatArray, expected: FloatArray, sigma: FloatArray, matrix: FloatArray
) -> BoolArray:
    """Return which dots (n,) lie off what the dots around them say, by more than noise and unevenness.

    `expected` (n, 2) by the smooth map: what is left of it in the twelve dots around each predicts its own.
    """
    if len(panel) < 16:
        return np.zeros(len(panel), dtype=bool)
    left = place - expected
    near = nearest(panel, panel, 13)[1][:, 1:]
    own = np.hypot(*(left - np.median(left[near], axis=1)).T)
    around = np.median(own[near], axis=1)
    scale = np.sqrt(np.minimum(sigma, _OFF_PX) ** 2 + (around / 1.18) ** 2)
    off: BoolArray = (own > _OFF_SIGMA * scale) & (own > _OFF_PX)
    return off
