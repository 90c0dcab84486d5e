"""Finding dots in the whole frame: what stands out of its surroundings, in one pass over all pixels."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from prewarp.checks import FloatArray, IntArray

# Pixels are joined two by two until no more than this are left to be searched.
MOST_PIXELS = 6_000_000
_BLOCK = 32
_THRESHOLD_SIGMA = 6.0
# A piece that is brighter than its neighbour by less than this part stays one with it.
_SHARE_OF_PEAK = 0.4
_MOST_PIECES = 40_000
# Dead lines are looked for in so many samples each.
_LINE_SAMPLES = 256
_LINE_SIGMA, _LEAST_LINE, _MOST_LINES = 8.0, 0.25, 64


@dataclass(frozen=True)
class Blobs:
    """Pieces of light: `place` (n, 2) px (first pixel's centre 0.5), `area` (n,) px, `light` (n,) codes; in a
    frame of `shape` (rows, columns) with `dead` columns and rows.
    """

    place: FloatArray
    area: FloatArray
    light: FloatArray
    shape: tuple[int, int]
    dead: tuple[list[int], list[int]]

    def __len__(self) -> int:
        return len(self.place)

    def take(self, index: IntArray) -> "Blobs":
        """Return some of them."""
        return Blobs(self.place[index], self.area[index], self.light[index], self.shape, self.dead)


def find_blobs(frame: np.ndarray, /) -> Blobs:
    """Return the pieces of light of a frame (rows, columns).

    Background and noise are those of blocks of 32 x 32 pixels, from their darker half, smoothed over 3 x 3
    blocks. What exceeds them by six sigma is a piece; pieces that touch are told apart at 0.4 of their peak.
    """
    joined = _joined(frame)
    factor = frame.shape[1] // joined.shape[1]
    background, sigma = _surroundings(joined)
    over = joined > background + _THRESHOLD_SIGMA * sigma
    labels, count = ndimage.label(over)
    size = (frame.shape[0], frame.shape[1])
    dead = _dead_lines(frame)
    if count == 0:
        return Blobs(np.zeros((0, 2)), np.zeros(0), np.zeros(0), size, dead)
    inside = np.flatnonzero(labels)
    label = labels.ravel()[inside]
    light = joined.ravel()[inside] - background.ravel()[inside]
    peak = np.zeros(count + 1, dtype=np.float32)
    np.maximum.at(peak, label, light)
    kept = light > _SHARE_OF_PEAK * peak[label]
    core = np.zeros(joined.size, dtype=bool)
    core[inside[kept]] = True
    labels, count = ndimage.label(core.reshape(joined.shape), structure=np.ones((3, 3)))
    label, light, inside = labels.ravel()[inside[kept]], light[kept], inside[kept]
    rows, columns = np.divmod(inside, joined.shape[1])
    total = np.bincount(label, light, count + 1)[1:]
    x = np.bincount(label, light * (columns + 0.5), count + 1)[1:] / total
    y = np.bincount(label, light * (rows + 0.5), count + 1)[1:] / total
    area = np.bincount(label, minlength=count + 1)[1:] * float(factor * factor)
    place: FloatArray = np.stack([x, y], axis=1).astype(np.float64) * factor
    blobs = Blobs(place, area.astype(np.float64), total.astype(np.float64), size, dead)
    if count > _MOST_PIECES:
        return blobs.take(np.sort(np.argsort(-total, kind="stable")[:_MOST_PIECES]))
    return blobs


def _dead_lines(frame: np.ndarray) -> tuple[list[int], list[int]]:
    """Return columns and rows whose middle value lies far off that of the lines beside them."""
    found = []
    for axis in (0, 1):
        every = max(1, frame.shape[axis] // _LINE_SAMPLES)
        thin = frame[::every] if axis == 0 else frame[:, ::every]
        level = np.median(thin.astype(np.float32), axis=axis)
        off = level - ndimage.median_filter(level, 7, mode="nearest")
        spread = 1.4826 * float(np.median(np.abs(off)))
        around = ndimage.median_filter(np.abs(off), 31, mode="nearest") * 1.4826
        far = np.abs(off) > _LINE_SIGMA * np.maximum(np.maximum(spread, around), _LEAST_LINE)
        found.append([int(k) for k in np.flatnonzero(far)] if np.count_nonzero(far) <= _MOST_LINES else [])
    return found[0], found[1]


def _joined(frame: np.ndarray) -> np.ndarray:
    """Return the frame as float32, pixels averaged two by two while there are too many."""
    result = frame
    while result.size > MOST_PIXELS:
        rows, columns = (length // 2 * 2 for length in result.shape)
        kind = np.uint32 if result.dtype.kind == "u" else np.float32
        summed = result[0:rows:2, 0:columns:2].astype(kind)
        for down, across in ((0, 1), (1, 0), (1, 1)):
            summed += result[down:rows:2, across:columns:2]
        result = summed
    joined: np.ndarray = result.astype(np.float32)
    return joined


def _surroundings(frame: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return background and noise (rows, columns) from the darker half of blocks."""
    rows, columns = frame.shape
    down, across = max(rows // _BLOCK, 1), max(columns // _BLOCK, 1)
    high, wide = rows // down, columns // across
    thin = 2 if min(high, wide) >= _BLOCK else 1
    blocks = frame[: down * high, : across * wide].reshape(down, high, across, wide)[:, ::thin, :, ::thin]
    blocks = blocks.transpose(0, 2, 1, 3).reshape(down, across, -1)
    count = blocks.shape[2]
    low, middle = count // 10, int(count * 0.35)
    ordered = np.partition(blocks, (low, middle), axis=2)
    # Of a normal distribution: 10 % lie below -1.2816 sigma, 35 % below -0.3853.
    sigma = (ordered[..., middle] - ordered[..., low]) / (1.2816 - 0.3853)
    background = ordered[..., middle] + 0.3853 * sigma
    sigma = np.maximum(sigma, np.median(sigma) * 0.5)
    sigma = np.maximum(ndimage.median_filter(sigma, 3, mode="nearest"), 0.5)
    background = ndimage.median_filter(background, 3, mode="nearest")
    row = np.minimum(np.arange(rows) // high, down - 1)
    column = np.minimum(np.arange(columns) // wide, across - 1)
    return background[np.ix_(row, column)], sigma[np.ix_(row, column)]
