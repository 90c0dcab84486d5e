"""Small windows of frames, cut out around known places."""

from dataclasses import dataclass

import numpy as np

from prewarp.checks import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class Windows:
    """Where n windows of (2 half + 1)^2 pixels lie: `middle` (n, 2), column and row of their middle
    pixels.
    """

    middle: IntArray
    half: int
    rows: int
    columns: int

    @property
    def side(self) -> int:
        """Pixels along a side."""
        return 2 * self.half + 1

    @property
    def centre(self) -> FloatArray:
        """Centres of the middle pixels (n, 2), px."""
        centre: FloatArray = np.asarray(self.middle, dtype=np.float64) + 0.5
        return centre

    def index(self) -> IntArray:
        """Return places in a flat frame (n, side, side); those outside are moved to the edge."""
        step = np.arange(-self.half, self.half + 1)
        column = np.clip(self.middle[:, 0, None] + step, 0, self.columns - 1)
        row = np.clip(self.middle[:, 1, None] + step, 0, self.rows - 1)
        index: IntArray = (row[:, :, None] * self.columns + column[:, None, :]).astype(np.int64)
        return index

    def outside(self) -> BoolArray:
        """Return which pixels (n, side, side) lie outside the frame."""
        step = np.arange(-self.half, self.half + 1)
        column, row = self.middle[:, 0, None] + step, self.middle[:, 1, None] + step
        off = (column < 0) | (column >= self.columns)
        below = (row < 0) | (row >= self.rows)
        return np.asarray(below[:, :, None] | off[:, None, :])

    def cut(self, frame: np.ndarray) -> np.ndarray:
        """Return the windows of a frame (n, side, side), in its own type."""
        views = np.lib.stride_tricks.sliding_window_view(frame, (self.side, self.side))
        row, column = (self.middle[:, axis] - self.half for axis in (1, 0))
        whole = (row >= 0) & (row < views.shape[0]) & (column >= 0) & (column < views.shape[1])
        cut = np.empty((len(row), self.side, self.side), dtype=frame.dtype)
        for k in np.flatnonzero(whole):
            cut[k] = views[row[k], column[k]]
        beyond = np.flatnonzero(~whole)
        if len(beyond):
            cut[beyond] = frame.ravel()[self.take(beyond).index()]
        return cut

    def take(self, index: IntArray) -> "Windows":
        """Return some of them."""
        return Windows(self.middle[index], self.half, self.rows, self.columns)

    def cropped(self, half: int) -> "Windows":
        """Return windows of the same middles, smaller."""
        return Windows(self.middle, half, self.rows, self.columns)


def windows_around(place: FloatArray, half: int, shape: tuple[int, int]) -> Windows:
    """Return windows around places (n, 2), px, in frames of (rows, columns)."""
    return Windows(np.floor(place).astype(np.int64), half, *shape)


def crop(stack: np.ndarray, half: int) -> np.ndarray:
    """Return the middles (..., 2 half + 1, 2 half + 1) of windows (..., side, side)."""
    off = stack.shape[-1] // 2 - half
    cropped: np.ndarray = stack[..., off : stack.shape[-2] - off, off : stack.shape[-1] - off]
    return np.ascontiguousarray(cropped)
