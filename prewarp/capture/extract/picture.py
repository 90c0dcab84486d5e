"""The expected picture of a dot: a disc under the local map, blurred, with its slopes; exact in the blur.

A disc of the panel is an ellipse in the photograph. Cut into chords, the blurred ellipse is a sum over chords
of (Gaussian across) x (difference of two error functions along), each a function of one axis alone: all
pictures and all their derivatives are small matrix products. Pixels integrate over their area, which to
fourth order is a blur of variance 1/12 px^2 more.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from prewarp.checks import FloatArray

# Pictures are of single precision, sums over them of double.
PictureArray = NDArray[np.floating[Any]]

PIXEL_VARIANCE = 1.0 / 12.0
# Chords a blur width; the sum over chords converges faster than any power of it.
_CHORDS_A_BLUR = 1.6
_LEAST_CHORDS = 8
_NOTHING = 1e-18
_ROOT_TWO_PI = float(np.sqrt(2.0 * np.pi))


@dataclass(frozen=True)
class Pictures:
    """Pictures of n dots on windows of (rows, columns) pixels, surface brightness 1.

    `slope[(a, b)]` (n, rows, columns) is the picture derived a times along x and b times along y. `x`, `y`
    (n, 1, columns), (n, rows, 1): pixel centres from the dot's centre, px. `variance` (n,) px^2, of the blur
    with the pixel's.
    """

    slope: dict[tuple[int, int], PictureArray]
    x: PictureArray
    y: PictureArray
    variance: PictureArray

    @property
    def disc(self) -> PictureArray:
        """The picture itself."""
        return self.slope[0, 0]

    def times_x(self, a: int, b: int) -> PictureArray:
        """Return what x times the sharp (a, b) derivative becomes by the blur: (x + s^2 d/dx)."""
        return self.x * self.slope[a, b] + self.variance[:, None, None] * self.slope[a + 1, b]

    def times_y(self, a: int, b: int) -> PictureArray:
        """Return what y times the sharp (a, b) derivative becomes by the blur: (y + s^2 d/dy)."""
        return self.y * self.slope[a, b] + self.variance[:, None, None] * self.slope[a, b + 1]

    def dilation(self) -> PictureArray:
        """Return the change of the picture when the sharp disc grows, by relative growth."""
        return -(self.times_x(1, 0) + self.times_y(0, 1))

    def bent(self, second: FloatArray) -> PictureArray:
        """Return the change of the picture by a map that bends: points at u move by second[:, i] (x^2, xy,
        y^2).

        The light of a point goes along with it and the brightness stays, so the change is -q . grad, with q
        taken before the blur. `second` (n, 2, 3): movement along x and y in px, per px^2 of the photograph.
        """
        result = np.zeros_like(self.disc)
        factor = second.astype(self.disc.dtype)
        for axis in (0, 1):
            a, b = (1, 0) if axis == 0 else (0, 1)
            for term, (i, j) in enumerate(((2, 0), (1, 1), (0, 2))):
                result -= factor[:, axis, term, None, None] * self._times(i, j, a, b)
        return result

    def _times(self, i: int, j: int, a: int, b: int) -> PictureArray:
        """Return (x + s^2 d/dx)^i (y + s^2 d/dy)^j of the (a, b) derivative, i + j = 2."""
        s = self.variance[:, None, None]
        p = self.slope
        if i == 1:
            return (
                self.x * self.y * p[a, b]
                + s * (self.x * p[a, b + 1] + self.y * p[a + 1, b])
                + s * s * p[a + 1, b + 1]
            )
        if i == 2:
            return (self.x**2 + s) * p[a, b] + 2.0 * s * self.x * p[a + 1, b] + s * s * p[a + 2, b]
        return (self.y**2 + s) * p[a, b] + 2.0 * s * self.y * p[a, b + 1] + s * s * p[a, b + 2]


def disc_pictures(
    offset: FloatArray,
    half: int,
    matrix: FloatArray,
    radius: FloatArray,
    variance: FloatArray,
    order: int = 3,
) -> Pictures:
    """Return the pictures of discs on windows of (2 half + 1)^2 pixels.

    Parameters
    ----------
    offset : (n, 2) float array
        Centre of the dot from the centre of the window's middle pixel, px.
    half : int
        Pixels from the middle to the edge of a window.
    matrix : (n, 2, 2) float array
        Photograph px per panel px at each dot.
    radius : (n,) float array
        Radius on the panel, px.
    variance : (n,) float array
        Of the blur, that of the pixel included, px^2.
    order : int
        Highest derivative, at most 3.
    """
    shape = np.einsum("nij,nkj->nik", matrix, matrix) * (radius**2)[:, None, None]
    tall = np.sqrt(shape[:, 1, 1])
    lean = shape[:, 0, 1] / shape[:, 1, 1]
    wide = np.sqrt(np.maximum(shape[:, 0, 0] - lean * shape[:, 0, 1], 1e-12))
    blur = np.sqrt(variance)
    count = max(_LEAST_CHORDS, int(np.ceil(np.pi * _CHORDS_A_BLUR * float(np.max(tall / blur)))))
    angle = (np.arange(count) + 0.5) / count * np.pi - np.pi / 2.0
    height = tall[:, None] * np.sin(angle)
    length = wide[:, None] * np.cos(angle)
    weight = tall[:, None] * np.cos(angle) * (np.pi / count)

    step = np.arange(-half, half + 1.0)
    x, y = step - offset[:, :1], step - offset[:, 1:]
    along = x[:, None, :] - (lean[:, None] * height)[..., None]
    right = (along + length[..., None]) / blur[:, None, None]
    left = (along - length[..., None]) / blur[:, None, None]
    across = (y[:, None, :] - height[..., None]) / blur[:, None, None]
    in_x = [_single(one) for one in _edges(right, left, blur, order)]
    in_y = [_single(one) for one in _bells(across, blur, weight, order)]
    slope = {
        (a, b): np.matmul(in_y[b].transpose(0, 2, 1), in_x[a])
        for a in range(order + 1)
        for b in range(order + 1 - a)
    }
    return Pictures(slope, _single(x[:, None, :]), _single(y[:, :, None]), _single(variance))


def _single(values: FloatArray) -> PictureArray:
    """Return values in single precision: pictures are right to 1e-6 of their light, and half as large."""
    single: PictureArray = values.astype(np.float32)
    # Products of smaller numbers leave the normal range, where processors take many times as long.
    single[np.abs(single) < _NOTHING] = 0.0
    return single


def _edges(right: FloatArray, left: FloatArray, blur: FloatArray, order: int) -> list[FloatArray]:
    """Return a chord's light along x and its derivatives, each (n, chords, columns)."""
    result = [ndtr(right) - ndtr(left)]
    bell = [np.exp(-0.5 * t * t) / _ROOT_TWO_PI for t in (right, left)]
    for power, factor in enumerate((_one, _first, _second)[:order]):
        scale = blur[:, None, None] ** -(power + 1)
        result.append((factor(right) * bell[0] - factor(left) * bell[1]) * scale)
    return result


def _bells(t: FloatArray, blur: FloatArray, weight: FloatArray, order: int) -> list[FloatArray]:
    """Return a chord's light along y, times the chord's share, and its derivatives."""
    bell = np.exp(-0.5 * t * t) / _ROOT_TWO_PI * weight[..., None]
    return [
        factor(t) * bell * blur[:, None, None] ** -(power + 1)
        for power, factor in enumerate((_one, _first, _second, _third)[: order + 1])
    ]


def _one(t: FloatArray) -> FloatArray:
    return np.ones_like(t)


def _first(t: FloatArray) -> FloatArray:
    return -t


def _second(t: FloatArray) -> FloatArray:
    return t * t - 1.0


def _third(t: FloatArray) -> FloatArray:
    return t * (3.0 - t * t)
