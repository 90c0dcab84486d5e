"""Light of dots over a view: what lies evenly around them, flicker from frame to frame, change across a
dot.
"""

import numpy as np

from prewarp.capture.extract.near import nearest
from prewarp.capture.extract.smooth import SmoothMap, best_map, fit_map
from prewarp.capture.extract.windows import Windows
from prewarp.checks import BoolArray, FloatArray

_AROUND = 12
_LIGHT_DEGREE, _NEARLY = 6, 1.15


def stray_light(stack: np.ndarray, place: FloatArray) -> np.ndarray:
    """Return light (n, frames) that lies evenly around dots: rims of windows, smoothed over the
    photograph.
    """
    rim = np.concatenate(
        [stack[:, :, 0], stack[:, :, -1], stack[:, :, 1:-1, 0], stack[:, :, 1:-1, -1]], axis=2
    )
    level: np.ndarray = np.median(rim, axis=2)
    x, y = ((place - place.mean(axis=0)) / np.maximum(np.ptp(place, axis=0), 1.0)).T
    design = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    result = np.empty_like(level)
    for frame, values in enumerate(level.T):
        weight = np.ones(len(values))
        for _ in range(4):
            root = np.sqrt(weight)
            found = np.linalg.lstsq(design * root[:, None], values * root, rcond=None)[0]
            left = values - design @ found
            weight = 1.0 / (1.0 + (left / (2.0 * float(np.median(np.abs(left))) + 1e-3)) ** 2)
        result[:, frame] = design @ found
    return result


def flicker_of(stack: np.ndarray, lit: FloatArray, windows: Windows) -> FloatArray:
    """Return the light of each frame (frames,) relative to its exposure, by the middles of lit dots."""
    middle, reach = windows.half, max(1, windows.half // 6)
    core = stack[:, :, middle - reach : middle + reach + 1, middle - reach : middle + reach + 1].mean(
        axis=(2, 3)
    )
    on = lit > 0.0
    level = np.where(on, core / np.where(on, lit, 1.0), np.nan)
    fine = np.isfinite(level).sum(axis=1) >= 2
    if not fine.any():
        return np.ones(lit.shape[1])
    ratio = level[fine] / np.nanmedian(level[fine], axis=1, keepdims=True)
    with np.errstate(invalid="ignore"):
        found = np.array([np.nanmedian(one) if np.isfinite(one).any() else 1.0 for one in ratio.T])
    result: FloatArray = np.where((found > 0.5) & (found < 2.0), found, 1.0)
    return result


def brightness(stack: np.ndarray, lit: FloatArray, dark: BoolArray) -> FloatArray:
    """Return the light of dots (n,) at their middles, for exposure 1, over what is there in frames `dark`."""
    middle = stack.shape[2] // 2
    core = stack[:, :, middle - 1 : middle + 2, middle - 1 : middle + 2].mean(axis=(2, 3))
    on = lit > 0.0
    light = np.sum(np.where(on, core, 0.0), axis=1) / np.maximum(lit.sum(axis=1), 1e-9)
    light = light - np.sum(np.where(dark, core, 0.0), axis=1) / np.maximum(dark.sum(axis=1), 1)
    result: FloatArray = np.maximum(light, 1e-3)
    return result


def light_gradient(place: FloatArray, bright: FloatArray, trusted: BoolArray) -> FloatArray:
    """Return the relative change of light a px (n, 2): of a smooth function over all dots, and of a plane
    through what it leaves of the logarithms around each.
    """
    good = np.flatnonzero(trusted)
    if len(good) < 2 * _AROUND:
        return np.zeros_like(place)
    logarithm = np.log(np.maximum(bright, 1e-3))
    smooth = _simplest_light(place[good], logarithm[good])
    rest = logarithm - smooth(place)[:, 0]
    near = good[nearest(place[good], place, _AROUND)[1]]
    off = place[near] - place[:, None]
    size = np.abs(off).max(axis=(1, 2))[:, None]
    design = np.concatenate([np.ones((*near.shape, 1)), off / size[..., None]], axis=2)
    value = rest[near]
    weight = np.ones(near.shape)
    for _ in range(4):
        weighted = (design * weight[..., None]).transpose(0, 2, 1)
        normal = weighted @ design + 1e-6 * np.eye(3)
        found = np.linalg.solve(normal, weighted @ value[..., None])
        left = value - (design @ found)[..., 0]
        scale = 2.0 * np.median(np.abs(left), axis=1, keepdims=True) + 1e-4
        weight = 1.0 / (1.0 + (left / scale) ** 2)
    gradient: FloatArray = smooth.slopes(place)[:, 0] + found[:, 1:, 0] / size
    return gradient


def _simplest_light(place: FloatArray, logarithm: FloatArray) -> SmoothMap:
    """Return the function of the lowest degree that follows light nearly as well as the highest does.

    A higher one would take noise for slopes, most of all at the rim.
    """
    both = np.stack([logarithm] * 2, axis=1)
    best = best_map(place, both, _LIGHT_DEGREE)
    least = float(np.median(np.abs(logarithm - best(place)[:, 0])))
    for degree in range(best.degree):
        simpler = fit_map(place, both, degree)
        if float(np.median(np.abs(logarithm - simpler(place)[:, 0]))) < _NEARLY * least + 1e-5:
            return simpler
    return best
