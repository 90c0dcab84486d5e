"""What the values of a camera's files mean: black, full scale, and where its bits sit."""

from dataclasses import dataclass

import numpy as np

from prewarp.checks import IntArray

_VALUES = 1 << 16
_DEPTHS = (8, 10, 12, 14, 16)
_MOST_SHIFT = 8
# The highest value is full scale where so many pixels have it, and so many times more than have those below.
_SATURATED, _PILED, _BELOW = 30, 10.0, 16
_OUTLYING = 5.0


@dataclass(frozen=True)
class Levels:
    """What was found: `shift_bits`; `full_scale`, code, and whether saturated pixels show it; `black` and its
    sigma, codes, None without dark frames; `saturated` share of pixels at full scale.
    """

    shift_bits: int
    full_scale: float
    full_scale_shown: bool
    black: float | None
    black_sigma: float | None
    saturated: float


class ValueCount:
    """Counts the values of photographs and dark frames, file by file."""

    def __init__(self) -> None:
        self._count: IntArray = np.zeros(_VALUES, dtype=np.int64)
        self._dark: list[tuple[float, float]] = []
        self._wide = False

    def add(self, values: np.ndarray, /) -> None:
        """Count a photograph (height, width), uint8 or uint16."""
        self._wide |= values.dtype != np.uint8
        self._count += np.bincount(values.ravel(), minlength=_VALUES)

    def add_dark(self, values: np.ndarray, /) -> None:
        """Count a dark frame."""
        self.add(values)
        flat = values.ravel().astype(np.float64)
        middle = float(np.median(flat))
        spread = 1.4826 * float(np.median(np.abs(flat - middle)))
        # Hot pixels are no black.
        near = flat[np.abs(flat - middle) <= _OUTLYING * max(spread, 1.0)]
        self._dark.append((float(near.mean()), float(near.std() / np.sqrt(len(near)))))

    def levels(self) -> Levels:
        """Return what the values counted mean."""
        present = np.flatnonzero(self._count)
        union = int(np.bitwise_or.reduce(present)) if len(present) else 0
        shift = 0
        while self._wide and union and shift < _MOST_SHIFT and not union >> shift & 1:
            shift += 1
        codes = self._count.reshape(-1, 1 << shift).sum(axis=1)
        top = int(present[-1]) >> shift if len(present) else 0
        below = codes[max(top - _BELOW, 0) : top]
        shown = codes[top] >= _SATURATED and codes[top] >= _PILED * (below.mean() if len(below) else 0.0)
        container = 16 - shift if self._wide else 8
        depth = container if shift else next(bits for bits in _DEPTHS if top < 1 << bits)
        full_scale = float(top) if shown else float((1 << depth) - 1)
        black, sigma = self._black(float(1 << shift))
        return Levels(shift, full_scale, bool(shown), black, sigma, float(codes[top] / max(codes.sum(), 1)))

    def _black(self, step: float) -> tuple[float | None, float | None]:
        if not self._dark:
            return None, None
        mean, own = np.array(self._dark).T / step
        spread = float(mean.std(ddof=1)) if len(mean) > 1 else 0.0
        return float(mean.mean()), float(np.hypot(spread, float(own.mean())) / np.sqrt(len(mean)))
