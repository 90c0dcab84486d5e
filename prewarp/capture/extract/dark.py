"""Dark frames: the black level as it is, and hot pixels; extraction works without, and says so."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from prewarp.capture.extract.frames import Sensor, readable
from prewarp.capture.plan import Photograph

_HOT_SIGMA = 10.0
_MOST_TOLD = 200


def dark_level(
    rows: list[Photograph],
    read: Callable[[Photograph], np.ndarray],
    sensor: Sensor,
    findings: list[str],
) -> tuple[Sensor, dict[str, Any]]:
    """Return the sensor with the black level of its dark frames, and figures for the report.

    Hot pixels are counted and listed here; where a window holds one, the dot's code takes it out, since it
    does not change with the code.
    """
    for row, values in readable(rows, read, findings):
        codes = sensor.codes(values[::3, ::3])
        level = float(np.median(codes))
        spread = 1.4826 * float(np.median(np.abs(codes - level)))
        limit = level + max(_HOT_SIGMA * spread, 4.0)
        hot = np.argwhere(sensor.codes(values) > limit)
        figures = {
            "file": row.file,
            "black_code": round(sensor.black + level, 3),
            "noise_codes": round(spread, 3),
            "hot_pixels": len(hot),
            "hot_pixels_xy": [[int(x), int(y)] for y, x in hot[:_MOST_TOLD]],
        }
        return replace(sensor, black=sensor.black + level), figures
    return sensor, {"file": None, "why": "no dark frame: the black level is the camera file's"}
