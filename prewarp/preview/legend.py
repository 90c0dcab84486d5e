"""Colours that stand for numbers, the same on the GPU, on the CPU and in the legend."""

import numpy as np

from prewarp.checks import FloatArray

# Seam error at the end of the scale; 1 arcmin, the resolution limit of normal vision, is in the middle.
FULL_ARCMIN = 2.0
SEAM_ERROR_ALPHA = 0.8
# Linear light, dark blue, teal, yellow, red: see `shaders/false_colour.glsl`.
_STOPS = np.array(
    [[0.010, 0.016, 0.125], [0.012, 0.242, 0.275], [0.807, 0.604, 0.041], [0.768, 0.027, 0.019]]
)
# One tint per channel, linear light; neighbours differ in hue and stay apart for red-green colour blindness.
TINTS = ((0.90, 0.36, 0.02), (0.03, 0.28, 0.90), (0.45, 0.45, 0.45), (0.60, 0.05, 0.45))


def false_colour(share: FloatArray, /) -> FloatArray:
    """Return light (..., 3) for shares (...) of the scale, clipped to 0 to 1; as `prewarp_false_colour`."""
    place = np.clip(share, 0.0, 1.0) * 3.0
    return np.stack([np.interp(place, np.arange(4.0), _STOPS[:, plane]) for plane in range(3)], axis=-1)


def tint(place: int, /) -> tuple[float, float, float]:
    """Return the tint of the channel at a place in its eye, linear light."""
    return TINTS[place % len(TINTS)]
