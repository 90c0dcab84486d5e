"""Even pictures: luminance where the dots are, banding, and how light follows the levels of a ramp."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy import ndimage

from prewarp.capture.extract.frames import Sensor, readable
from prewarp.capture.extract.measure import FOUND, Measured
from prewarp.capture.extract.windows import windows_around
from prewarp.capture.plan import Photograph
from prewarp.checks import FloatArray

_HALF = 3
# Of the pixels at the dots.
_MOST_SATURATED = 0.001
_SMOOTH_PX = 41
_CUT_PX = 400


@dataclass(frozen=True)
class Flat:
    """`light` (n,) codes per ms at each dot, or None; `figures` for the report."""

    light: FloatArray | None
    figures: dict[str, Any] = field(default_factory=dict)


def flat_figures(
    rows: list[Photograph],
    read: Callable[[Photograph], np.ndarray],
    sensor: Sensor,
    measured: Measured,
    findings: list[str],
) -> Flat:
    """Return the light of even pictures where the dots are; of several exposures the longest not saturated.

    Banding: what is left of the mean of rows, and of columns, of the middle of the field after smoothing over
    41 px, RMS in percent of the light.
    """
    longest_first = sorted(rows, key=lambda one: -one.exposure_ms)
    for row, values in readable(longest_first, read, findings):
        cut = _at_dots(values, measured)
        if _is_saturated(cut, sensor):
            continue
        light = sensor.codes(cut).mean(axis=(1, 2), dtype=np.float64) / row.exposure_ms
        return Flat(
            light, {"flat": row.file, "banding_percent": banding_percent(sensor.codes(values), measured)}
        )
    if rows:
        findings.append(
            f"{rows[0].file} and {len(rows) - 1} more flats: saturated or not readable; luminance is "
            "that of the dots. Shorten the exposure."
        )
    return Flat(None)


def banding_percent(codes: np.ndarray, measured: Measured) -> dict[str, float] | None:
    """Return RMS banding of rows and of columns, percent, in the middle of the field; None if it is too
    small.
    """
    good = measured.place[measured.state == FOUND]
    if len(good) < 4:
        return None
    low, high = np.quantile(good, 0.25, axis=0).astype(int), np.quantile(good, 0.75, axis=0).astype(int)
    middle = (low + high) // 2
    low, high = np.maximum(low, middle - _CUT_PX), np.minimum(high, middle + _CUT_PX)
    part = codes[low[1] : high[1], low[0] : high[0]]
    if min(part.shape) < 2 * _SMOOTH_PX:
        return None
    result = {}
    for name, axis in (("rows", 1), ("columns", 0)):
        line = part.mean(axis=axis, dtype=np.float64)
        smooth = ndimage.uniform_filter1d(ndimage.uniform_filter1d(line, _SMOOTH_PX), _SMOOTH_PX)
        inner = slice(_SMOOTH_PX // 2, -(_SMOOTH_PX // 2))
        result[name] = round(100.0 * float(np.std((line - smooth)[inner]) / max(np.mean(line), 1e-9)), 4)
    return result


def ramp_figures(
    rows: list[Photograph],
    read: Callable[[Photograph], np.ndarray],
    sensor: Sensor,
    measured: Measured,
    findings: list[str],
) -> dict[str, Any]:
    """Return the light of each step of a ramp, relative to the brightest that is not saturated."""
    light: dict[int, float] = {}
    for row, values in readable(rows, read, findings):
        cut = _at_dots(values, measured)
        if _is_saturated(cut, sensor):
            continue
        light[row.step] = max(light.get(row.step, 0.0), float(np.median(sensor.codes(cut))) / row.exposure_ms)
    if not light:
        return {}
    most = max(max(light.values()), 1e-12)
    return {"ramp": {str(step): round(value / most, 6) for step, value in sorted(light.items())}}


def _at_dots(values: np.ndarray, measured: Measured) -> np.ndarray:
    """Return small windows of a photograph where the dots are."""
    return windows_around(measured.place, _HALF, (values.shape[0], values.shape[1])).cut(values)


def _is_saturated(cut: np.ndarray, sensor: Sensor) -> bool:
    return bool(np.mean(cut >= sensor.saturated) > _MOST_SATURATED)
