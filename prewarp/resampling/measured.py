"""The same contrasts, measured: gratings drawn as pixels, sampled by plain array code, and compared."""

import numpy as np

from prewarp.checks import FloatArray, require_range
from prewarp.resampling.contrast import keys_kernel, require_filter

PANEL_PX = 200
STARTS = 64
_MARGIN_PX = 64


def measured_contrast(
    filter_name: str, scale: float, /, *, cycles_per_panel_px: float = 0.5
) -> tuple[float, float]:
    """Return (mean, worst) contrast kept of a grating; see `kept_contrast` for the meaning.

    A sine and a cosine grating are drawn as content pixels (each the value at its centre) and sampled by a
    row of panel pixels from several starting points; their quadrature gives the gain of each panel pixel.

    Raises
    ------
    ShapeError
        The filter is unknown, or scale is outside 0.1 to 64.
    """
    require_range(scale, "scale", 0.1, 64.0, unit="content px per panel px")
    require_filter(filter_name)
    frequency = cycles_per_panel_px / scale
    if frequency > 0.5:
        return 0.0, 0.0
    # Offsets repeat with the pixels that are read: for mip levels those of the coarser one.
    period = 2.0 ** (np.floor(np.log2(max(scale, 1.0))) + 1.0) if filter_name == "mipmap" else 1.0
    # A whole number of pixels of every mip level.
    count = int(np.ceil((scale * PANEL_PX + period + 4 * _MARGIN_PX) / 128.0)) * 128
    centre = np.arange(count) + 0.5
    gratings = [np.cos(2.0 * np.pi * frequency * centre), np.sin(2.0 * np.pi * frequency * centre)]
    gains = []
    for start in np.arange(STARTS) / STARTS * period:
        place = 2 * _MARGIN_PX + start + scale * np.arange(PANEL_PX)
        real, imaginary = (_sampled(filter_name, grating, place, scale) for grating in gratings)
        gains.append((real + 1j * imaginary) * np.exp(-2j * np.pi * frequency * place))
    gain = np.concatenate(gains)
    return float(np.abs(gain.mean())), float(np.abs(gain).min())


def _sampled(filter_name: str, row: FloatArray, place: FloatArray, scale: float) -> FloatArray:
    if filter_name == "bilinear":
        return _bilinear(row, place)
    if filter_name == "bicubic":
        first = np.floor(place - 0.5).astype(int)
        around = first[:, None] + np.arange(-1, 3)
        return np.asarray(np.sum(keys_kernel(place[:, None] - 0.5 - around) * row[around], axis=1))
    share, lower = np.modf(max(np.log2(scale), 0.0))
    fine, coarse = (_bilinear(_level(row, n), place / 2.0**n) for n in (int(lower), int(lower) + 1))
    return np.asarray((1.0 - share) * fine + share * coarse)


def _bilinear(row: FloatArray, place: FloatArray) -> FloatArray:
    return np.interp(place, np.arange(len(row)) + 0.5, row)


def _level(row: FloatArray, level: int) -> FloatArray:
    """Return a row halved `level` times, each pixel the mean of two."""
    for _ in range(level):
        row = row.reshape(-1, 2).mean(axis=1)
    return row
