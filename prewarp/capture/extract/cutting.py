"""Windows of all photographs of a view around the pieces of light that its whole frame shows."""

from dataclasses import dataclass

import numpy as np

from prewarp.capture.codes import FRAMES
from prewarp.capture.extract.finding import Blobs, find_blobs
from prewarp.capture.extract.frames import CODE, WHOLE, Frame, Sensor, readable
from prewarp.capture.extract.reading import dot_light
from prewarp.capture.extract.windows import Windows, crop, windows_around
from prewarp.checks import BoolArray, FloatArray, IntArray

MOST_HALF = 40
LEAST_CODES = FRAMES - 2


@dataclass(frozen=True)
class Cut:
    """Windows of all frames that could be read, in the values of the files."""

    frames: list[Frame]
    values: np.ndarray
    sensor: Sensor
    saturated: BoolArray
    windows: Windows

    def without(self, index: int) -> "Cut":
        """Return it without one frame."""
        keep = [k for k in range(len(self.frames)) if k != index]
        frames = [self.frames[k] for k in keep]
        return Cut(frames, self.values[:, keep], self.sensor, self.saturated[:, keep], self.windows)


def first_blobs(frames: list[Frame], findings: list[str]) -> tuple[Blobs | None, Frame | None, list[Frame]]:
    """Return pieces of light of the longest whole frame that can be read, that frame, and frames left.

    Where no whole frame can be read, the brightest value of each pixel over the code frames stands for it.
    """
    left = list(frames)
    wholes = sorted((one for one in frames if one.kind == WHOLE), key=lambda one: -one.exposure_ms)
    for one in wholes:
        values = _values_of(one, left, findings)
        if values is not None:
            return find_blobs(values), one, left
    most: np.ndarray | None = None
    for one in list(left):
        values = _values_of(one, left, findings)
        if values is not None:
            most = values.copy() if most is None else np.maximum(most, values)
    if most is None:
        return None, None, left
    return find_blobs(most), None, left


def _values_of(one: Frame, left: list[Frame], findings: list[str]) -> np.ndarray | None:
    """Return what a frame holds; one that cannot be read is told of and taken out of `left`."""
    for _, values in readable([one], lambda it: it.read(), findings):
        return values
    left[:] = [other for other in left if other is not one]
    return None


def radius_of(blobs: Blobs) -> float:
    """Return the radius of a large dot, px."""
    bright = blobs.light > np.quantile(blobs.light, 0.5)
    return float(np.sqrt(np.quantile(blobs.area[bright], 0.8) / np.pi))


def half_of(blobs: Blobs) -> int:
    """Return how far windows reach from their middles, px."""
    return half_around(radius_of(blobs))


def half_around(radius_px: float) -> int:
    """Return how far windows of dots of a radius reach from their middles, px."""
    return int(min(np.ceil(1.25 * radius_px + 6.0), MOST_HALF))


def cut_all(frames: list[Frame], blobs: Blobs, sensor: Sensor, findings: list[str]) -> Cut:
    """Return the windows of all frames; those that cannot be read are told of and left out."""
    windows = windows_around(blobs.place, half_of(blobs), blobs.shape)
    kept, cuts = [], []
    for one, values in readable(frames, lambda it: it.read(), findings):
        cuts.append(windows.cut(values))
        kept.append(one)
        del values
    raw = np.stack(cuts, axis=1)
    reach = max(2, windows.half - 5)
    over = np.asarray(crop(raw, reach) >= sensor.saturated, dtype=bool).reshape(
        -1, len(kept), 2 * reach + 1, 2 * reach + 1
    )
    # A pixel that is full in every code frame is hot, not bright.
    coded = [one.kind == CODE for one in kept]
    if np.count_nonzero(coded) >= LEAST_CODES:
        hot: BoolArray = np.all(over[:, coded], axis=1, keepdims=True)
        over = over & ~hot
    saturated: BoolArray = np.any(over, axis=(2, 3))
    return Cut(kept, raw, sensor, saturated, windows)


def light_in_codes(cut: Cut, columns: IntArray, radius: float) -> FloatArray:
    """Return the light (n, 13) of each place in each code frame, 0 where there is none."""
    light = np.zeros((len(cut.values), FRAMES))
    for step in np.flatnonzero(columns >= 0):
        light[:, step] = dot_light(cut.sensor.codes(cut.values[:, columns[step]]), max(1.0, 0.8 * radius))
    return light
