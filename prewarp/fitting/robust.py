"""Robust scale and weights of two-component residuals (iteratively reweighted least squares, IRLS)."""

import numpy as np

from prewarp.checks import BoolArray, FloatArray

# Median and 95th percentile of the length of a 2D normal vector of unit sigma: sqrt(2 ln 2), sqrt(2 ln 20).
RAYLEIGH_MEDIAN = 1.1774100225154747
RAYLEIGH_P95 = 2.447746830680816
# Weight 1 up to FULL sigmas, falling to 0 at ZERO sigmas (a three-part redescending weight). A good point lies beyond FULL
# with probability exp(-FULL^2 / 2) = 3e-4 and beyond OUTLIER with 4e-6.
FULL, OUTLIER, ZERO = 4.0, 5.0, 6.0


def robust_scale(length: FloatArray, /) -> float:
    """Return sigma per component from residual lengths (n,): the larger of what the median and what the 95th percentile say.

    The second keeps the scale honest where the residual is a smooth misfit with long tails rather than noise; it
    stands up to just under 5 % of outliers.
    """
    if length.size == 0:
        return 0.0
    median, high = np.quantile(length, [0.5, 0.95])
    return float(max(median / RAYLEIGH_MEDIAN, high / RAYLEIGH_P95))


def redescending_weight(length: FloatArray, sigma: FloatArray | float, /) -> FloatArray:
    """Return weights in [0, 1] for residual lengths (n,): 1 below FULL sigma, cosine descent, 0 beyond ZERO sigma."""
    ratio = length / np.maximum(sigma, 1e-300)
    part = np.clip((ratio - FULL) / (ZERO - FULL), 0.0, 1.0)
    return 0.5 + 0.5 * np.cos(np.pi * part)


def is_outlier(length: FloatArray, sigma: FloatArray | float, /, *, least: float) -> BoolArray:
    """Return which residuals lie beyond OUTLIER sigma and are longer than `least`."""
    return (length > OUTLIER * np.asarray(sigma)) & (length > least)
