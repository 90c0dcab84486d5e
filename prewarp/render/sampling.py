"""Bilinear sampling of linear-light planes, fast in plain numpy.

Two texels side by side are stored as one complex number, so that one gather fetches both: two gathers a
sample instead of four, and real and imaginary part are blended across rows by one multiplication.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class SamplingPlane:
    """One colour of a picture, ready for sampling.

    Parameters
    ----------
    pairs : (padded height * padded width,) complex64 array
        Texel and its right neighbour, with a border one texel wide.
    size_px : (int, int)
        Width and height of the picture without the border.
    """

    pairs: NDArray[np.complex64]
    size_px: tuple[int, int]

    def sample(self, u: NDArray[np.float32], v: NDArray[np.float32], /) -> NDArray[np.float32]:
        """Return values at points (n,), (n,), px; the first texel's centre is (0.5, 0.5).

        Points more than half a texel outside the picture take the border's value.
        """
        width, height = self.size_px
        # In the padded plane texel centres have whole coordinates; the last pair starts one before the end.
        x = np.clip(u + np.float32(0.5), np.float32(0.0), np.float32(width + 1))
        y = np.clip(v + np.float32(0.5), np.float32(0.0), np.float32(height + 1))
        column = np.minimum(x.astype(np.int32), width)
        row = np.minimum(y.astype(np.int32), height)
        x -= column
        y -= row
        index = (row * np.int32(width + 2) + column).astype(np.intp)
        upper = self.pairs.take(index, mode="clip")
        index += width + 2
        lower = self.pairs.take(index, mode="clip")
        lower -= upper
        lower *= y
        upper += lower
        left = np.ascontiguousarray(upper.real)
        x *= upper.imag - left
        left += x
        return left


def sampling_plane(linear: NDArray[np.float32], /, *, border: str) -> SamplingPlane:
    """Prepare a plane (height, width) of linear light; `border` is "black", or "edge" to repeat the rim."""
    height, width = linear.shape
    pairs = np.zeros((height + 2, width + 2), dtype=np.complex64)
    parts = pairs.view(np.float32).reshape(height + 2, width + 2, 2)
    own = parts[:, :, 0]
    own[1:-1, 1:-1] = linear
    if border == "edge":
        own[1:-1, 0], own[1:-1, -1] = linear[:, 0], linear[:, -1]
        own[0], own[-1] = own[1], own[-2]
    parts[:, :-1, 1] = own[:, 1:]
    return SamplingPlane(pairs.reshape(-1), (width, height))
