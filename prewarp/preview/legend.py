"""Colours that stand for numbers, the same on the GPU, on the CPU and in the legend."""

import numpy as np

from prewarp.checks import FloatArray

SEAM_ERROR_ALPHA = 0.8
# Ends that a scale of seam error may have, arcmin.
_ENDS_ARCMIN = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0)
# Linear light: cividis (Nunez, Anderton and Renslow 2018), as in figures; lighter all the way, and alike for
# red-green colour blindness. See `shaders/false_colour.glsl`.
_STOPS = np.array(
    [
        (0.000, 0.016, 0.076),
        (0.002, 0.033, 0.163),
        (0.036, 0.060, 0.151),
        (0.078, 0.095, 0.151),
        (0.134, 0.141, 0.163),
        (0.204, 0.201, 0.188),
        (0.298, 0.272, 0.186),
        (0.425, 0.366, 0.166),
        (0.580, 0.478, 0.133),
        (0.781, 0.623, 0.084),
        (0.990, 0.806, 0.039),
    ]
)
# One tint per channel, linear light; neighbours differ in hue and stay apart for red-green colour blindness.
TINTS = ((0.90, 0.36, 0.02), (0.03, 0.28, 0.90), (0.45, 0.45, 0.45), (0.60, 0.05, 0.45))


def false_colour(share: FloatArray, /) -> FloatArray:
    """Return light (..., 3) for shares (...) of the scale, clipped to 0 to 1; as `prewarp_false_colour`."""
    place, stops = np.clip(share, 0.0, 1.0) * (len(_STOPS) - 1.0), np.arange(float(len(_STOPS)))
    return np.stack([np.interp(place, stops, _STOPS[:, plane]) for plane in range(3)], axis=-1)


def scale_end(largest_arcmin: float, /) -> float:
    """Return the end of a scale that a largest seam error fits, arcmin; the last one for what fits none."""
    return next((end for end in _ENDS_ARCMIN if largest_arcmin <= end), _ENDS_ARCMIN[-1])


def tint(place: int, /) -> tuple[float, float, float]:
    """Return the tint of the channel at a place in its eye, linear light."""
    return TINTS[place % len(TINTS)]
