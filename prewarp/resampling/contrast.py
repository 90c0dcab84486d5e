"""What contrast the sampling of content keeps, in closed form.

What a filter does to a sine grating follows from its kernel h: sampled at an offset t (0 to 1) between
content pixels a grating of f cycles per content px keeps `G(t, f) = sum_n h(t - n) exp(2 pi i f (n - t))`;
over all offsets its mean is the Fourier transform of the kernel.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from prewarp.checks import FloatArray, nearest_name
from prewarp.errors import ShapeError

ComplexArray = NDArray[np.complex128]

FILTERS = ("bilinear", "bicubic", "mipmap")
# Free parameter of the bicubic kernel: R. G. Keys, IEEE Trans. ASSP 29 (1981) 1153; -1/2 is third-order
# exact.
KEYS_A = -0.5
_PHASES = 256


def require_filter(name: str, /) -> None:
    """Raise `ShapeError` where a filter is none of `FILTERS`."""
    if name not in FILTERS:
        known = ", ".join(FILTERS)
        raise ShapeError(f"filter is {name!r}; expected one of {known}.{nearest_name(str(name), FILTERS)}")


def kept_contrast(
    filter_name: str, scale: ArrayLike, /, *, cycles_per_panel_px: float = 0.5
) -> tuple[FloatArray, FloatArray]:
    """Return the contrast that sampling keeps of a grating drawn with full contrast in the content.

    Parameters
    ----------
    filter_name : str
        "bilinear", "bicubic" (Keys, a = -1/2) or "mipmap" (box-filtered levels, bilinear in and between
        them).
    scale : (...) float array
        Content px per panel px.
    cycles_per_panel_px : float
        The grating's frequency on the panel; 0.5 is the finest that the panel can show (Nyquist).

    Returns
    -------
    mean, worst : (...) float arrays
        Mean over all offsets of the panel's pixels against the content's, and the least over them; both 0
        where the content cannot hold the grating (more than half a cycle per content px).

    References
    ----------
    Bilinear: mean sinc(f)^2, worst cos(pi f). Bicubic: Keys 1981, equation of the kernel; its transform is
    derived here. Box-filtered levels: the mean of 2^l samples keeps sin(pi f 2^l) / (2^l sin(pi f)).
    """
    scale = np.asarray(scale, dtype=float)
    frequency = cycles_per_panel_px / scale
    offsets = np.arange(_PHASES) / _PHASES
    gain = _gain(filter_name, frequency[..., None], scale[..., None], offsets)
    held = frequency <= 0.5 + 1e-12
    mean = np.where(held, np.abs(gain.mean(axis=-1)), 0.0)
    return mean, np.where(held, np.abs(gain).min(axis=-1), 0.0)


def folded_contrast(filter_name: str, scale: ArrayLike, /) -> FloatArray:
    """Return the contrast (...) with which the content's finest grating comes back as a false, coarser one.

    For scale above 1 the frequency taken is that of the panel's pixels, 1 / scale cycles per content px, or
    the content's own finest, 0.5, where that is less: it folds to the coarsest pattern. 0 for scale 1 and
    below.
    """
    scale = np.asarray(scale, dtype=float)
    frequency = np.minimum(1.0 / scale, 0.5)
    offsets = np.arange(_PHASES) / _PHASES
    gain = _gain(filter_name, frequency[..., None], scale[..., None], offsets)
    return np.where(scale > 1.0, np.abs(gain.mean(axis=-1)), 0.0)


def _gain(filter_name: str, f: FloatArray, scale: FloatArray, offset: FloatArray) -> ComplexArray:
    """Return the complex gain of a grating at offsets from the content's first pixel of each coarse pair."""
    require_filter(filter_name)
    if filter_name == "bilinear":
        return _bilinear_gain(offset, f)
    if filter_name == "bicubic":
        near = (-1, 0, 1, 2)
        gains = [keys_kernel(offset - n) * np.exp(2j * np.pi * f * (n - offset)) for n in near]
        return np.asarray(np.sum(gains, axis=0))
    level = np.log2(np.maximum(scale, 1.0))
    lower = np.floor(level)
    share = level - lower
    # An offset over the coarser level's pixel, so that the finer one's phases go with it.
    place = offset * 2.0 ** (lower + 1.0)
    return (1.0 - share) * _level_gain(place, f, 2.0**lower) + share * _level_gain(
        place, f, 2.0 ** (lower + 1.0)
    )


def _level_gain(place: FloatArray, f: FloatArray, size: FloatArray) -> ComplexArray:
    """Gain of a box-filtered level, `size` content px per texel, `place` content px from a texel's edge."""
    box = np.sinc(f * size) / np.sinc(f)
    t = place / size - 0.5
    return box * _bilinear_gain(t - np.floor(t), f * size)


def _bilinear_gain(t: FloatArray, f: FloatArray) -> ComplexArray:
    before, after = np.exp(-2j * np.pi * f * t), np.exp(2j * np.pi * f * (1.0 - t))
    return np.asarray((1.0 - t) * before + t * after)


def keys_kernel(x: ArrayLike, /) -> FloatArray:
    """Return Keys' cubic convolution kernel with a = -1/2 at distances (...), content px."""
    d = np.abs(np.asarray(x, dtype=float))
    near = ((KEYS_A + 2.0) * d - (KEYS_A + 3.0)) * d * d + 1.0
    far = KEYS_A * (((d - 5.0) * d + 8.0) * d - 4.0)
    return np.where(d <= 1.0, near, np.where(d < 2.0, far, 0.0))
