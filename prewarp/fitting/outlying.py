"""Which samples lie off what their neighbours say; a smooth misfit is not taken for bad points.

Where residuals have longer tails than noise gives, the model does not follow the samples everywhere, most of
all at a steep rim. There a sample is judged by how far it is from the median residual of its neighbours (same
region of the panel, same quarter of the eye box, all colours), and by their scatter; what stands out there
must stand out of the surface through its nearest neighbours as well.
"""

from collections.abc import Iterator

import numpy as np

from prewarp.checks import BoolArray, FloatArray, IntArray
from prewarp.fitting.samples import Samples
from prewarp.fitting.standing import stands_out
from prewarp.robust import (
    FULL,
    RAYLEIGH_MEDIAN,
    is_outlier,
    medians_by,
    redescending_weight,
    sigma_of_lengths,
    sigma_with_tails,
)

# Residuals below a few of this are never held against a sample. Pixels.
LEAST_SIGMA_PX = 0.005
# A shorter residual is never called an outlier, however small the noise. Pixels.
LEAST_OUTLIER_PX = 0.05
# Scale by the 95th percentile over scale by the median from which tails count as long (noise: 1).
LONG_TAILS = 1.15
# Samples wished for in a neighbourhood, and panel regions across at most.
NEIGHBOURS = 16
MOST_REGIONS = 24
# With fewer samples in a neighbourhood a wider one is asked: a median of so many stands up to three outliers.
FEWEST_NEIGHBOURS = 8


def colour_scales(samples: Samples, length: FloatArray, /) -> FloatArray:
    """Return the robust noise per axis of each colour from residual lengths (n,), px."""
    return np.array([sigma_with_tails(length[samples.colour == colour]) for colour in range(samples.colours)])


def robust_weight(samples: Samples, rest_px: FloatArray, /) -> FloatArray:
    """Return weights (n,) in [0, 1] for residuals (2, n) px."""
    return redescending_weight(*_deviation_and_sigma(samples, rest_px))


def outlying(samples: Samples, rest_px: FloatArray, /) -> BoolArray:
    """Return which samples (n,) are outliers, for residuals (2, n) px."""
    return is_outlier(*_deviation_and_sigma(samples, rest_px), least=LEAST_OUTLIER_PX)


def _deviation_and_sigma(samples: Samples, rest_px: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return how far each sample is off (n,), px, and the noise per axis to hold that against (n,), px."""
    length = np.hypot(*rest_px)
    sigma = np.maximum(colour_scales(samples, length), LEAST_SIGMA_PX)
    if np.all(sigma <= LONG_TAILS * sigma_of_lengths(length)):
        return length, sigma[samples.colour]
    deviation, local = _from_neighbours(samples, rest_px)
    sigma = np.maximum(colour_scales(samples, deviation), LEAST_SIGMA_PX)
    by_sample = np.maximum(sigma[samples.colour], local / RAYLEIGH_MEDIAN)
    suspect = np.flatnonzero(deviation > FULL * by_sample)
    smooth = suspect[~stands_out(samples, rest_px, suspect, by_sample[suspect])]
    deviation[smooth] = np.minimum(deviation[smooth], by_sample[smooth])
    return deviation, by_sample


def _from_neighbours(samples: Samples, rest_px: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return how far each sample is off its neighbours' median (n,), px, and the median of that (n,).

    A sample with few neighbours is judged by those of a wider neighbourhood: alone, it would be its own
    judge.
    """
    deviation, local = np.empty(samples.count), np.empty(samples.count)
    asked = np.ones(samples.count, dtype=bool)
    for key, is_widest in _neighbourhoods(samples):
        around = np.flatnonzero(np.isin(key, np.unique(key[asked])))
        _, place = np.unique(key[around], return_inverse=True)
        off = np.hypot(*(axis - medians_by(place, axis)[place] for axis in rest_px[:, around]))
        enough = (np.bincount(place) >= FEWEST_NEIGHBOURS)[place] | is_widest
        settled = asked[around] & enough
        deviation[around[settled]] = off[settled]
        local[around[settled]] = medians_by(place, off)[place][settled]
        asked[around[settled]] = False
        if not asked.any():
            break
    return deviation, local


def _neighbourhoods(samples: Samples) -> Iterator[tuple[IntArray, bool]]:
    """Yield numbers (n,), equal for neighbours, and whether all are neighbours now; wider and wider."""
    across = int(np.clip(np.sqrt(samples.count / (4 * NEIGHBOURS)), 4, MOST_REGIONS))
    half = np.array(samples.half_px)
    place = (samples.pixel - np.array(samples.panel_size_px) / 2.0 + half) / (2.0 * half)
    quarter = (samples.reference_mm > np.array(samples.frame.centre_mm)).astype(np.int64) @ np.array([2, 1])
    while across > 0:
        region = np.clip(np.floor(place * across), 0, across - 1).astype(np.int64)
        yield (region[:, 0] * across + region[:, 1]) * 4 + quarter, False
        quarter, across = np.zeros_like(quarter), across // 2
    yield quarter, True
