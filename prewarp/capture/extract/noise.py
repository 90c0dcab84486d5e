"""Noise of the sensor from the photographs themselves: what repeats of one picture differ by (photon
transfer).
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import nnls

from prewarp.checks import BoolArray, FloatArray

_BINS = 24
_LEAST_IN_BIN = 60
# Median of chi^2 over its degrees of freedom k is near (1 - 2/(9k))^3 (Wilson and Hilferty, 1931).
_PIXELS_AT_MOST = 400_000
_LEAST_FREEDOM = 0.2


@dataclass(frozen=True)
class Noise:
    """Variance of a pixel, codes^2: `read` + `shot` times its light in codes above black."""

    read: float
    shot: float

    def variance(self, light: FloatArray) -> FloatArray:
        """Return the variance of pixels of this light."""
        result: FloatArray = self.read + self.shot * np.maximum(light, 0.0)
        return result


def noise_of_repeats(stack: np.ndarray, groups: list[BoolArray]) -> Noise | None:
    """Return the noise by frames that show each window alike; None where none repeat.

    Parameters
    ----------
    stack : (n, frames, side, side) array
        Windows in codes above black.
    groups : list of (n, frames) bool arrays
        Each says which frames show one picture of each window.
    """
    thin = max(1, int(np.ceil(stack[:, 0].size / _PIXELS_AT_MOST * 4)))
    flat = stack[::thin].reshape(len(stack[::thin]), stack.shape[1], -1)
    means, variances = [], []
    for group in groups:
        mine = group[::thin].astype(np.float32)
        count = mine.sum(axis=1)
        fine = count >= 2
        if not fine.any():
            continue
        mine, count, values = mine[fine], count[fine][:, None], flat[fine]
        mean = np.einsum("nf,nfp->np", mine, values, optimize=True) / count
        square = np.einsum("nf,nfp->np", mine, (values - mean[:, None]) ** 2, optimize=True)
        freedom = count - 1.0
        middle = (1.0 - 2.0 / (9.0 * freedom)) ** 3
        means.append(mean.ravel())
        variances.append((square / freedom / middle).ravel())
    if not means:
        return None
    return noise_by_light(np.concatenate(means), np.concatenate(variances))


def noise_of_rest(
    stack: np.ndarray,
    explained: FloatArray,
    moved: FloatArray,
    lit: FloatArray,
    own: FloatArray,
    counts: BoolArray,
) -> Noise | None:
    """Return the noise by what codes and drift leave of the frames; None where they leave too little.

    Parameters
    ----------
    stack : (n, frames, side, side) array
        Windows in codes above black.
    explained : (n, frames, frames) float array
        As `Separated` has it.
    moved : (frames, 2) float array
        How far each frame lies off, px; NaN where not known.
    lit, own : (n, frames), (n, side, side) float arrays
        Exposure where a dot is lit, else 0, and its picture for exposure 1.
    counts : (n, frames) bool array
        Frames that count: not saturated.
    """
    n, frames = lit.shape
    every = max(1, int(np.ceil(n * frames * stack[0, 0].size / _PIXELS_AT_MOST)))
    stack, explained, lit, own = stack[::every], explained[::every], lit[::every], own[::every]
    counts = counts[::every]
    freedom: FloatArray = 1.0 - np.einsum("nff->nf", explained)
    if float(np.median(freedom)) < _LEAST_FREEDOM:
        return None
    down, across = np.gradient(own, axis=(1, 2))
    known: FloatArray = np.where(np.isfinite(moved), moved, 0.0)
    along = np.einsum("nf,fa->nfa", lit, known)
    slide = -np.einsum("nfa,nayx->nfyx", along, np.stack([across, down], axis=1))
    flat = (stack - slide).reshape(len(stack), frames, -1)
    level = explained @ flat
    least: FloatArray = np.maximum(freedom, _LEAST_FREEDOM)
    square = (flat - level) ** 2 / least[:, :, None]
    free: BoolArray = np.asarray(counts & np.greater(freedom, _LEAST_FREEDOM))
    fine = np.broadcast_to(free[:, :, None], square.shape)
    # The median of chi^2 of one degree of freedom is 0.4549.
    return noise_by_light(level[fine], square[fine] / 0.4549)


def noise_by_light(mean: FloatArray, variance: FloatArray) -> Noise:
    """Return the line through medians of variance (k,), codes^2, by light (k,), codes."""
    low, high = np.quantile(mean, (0.02, 0.999))
    edges = low + (high - low) * np.linspace(0.0, 1.0, _BINS + 1) ** 2
    place = np.digitize(mean, edges)
    rows = [
        (np.mean(mean[mine]), np.median(variance[mine]), np.count_nonzero(mine))
        for mine in (place == one for one in range(_BINS + 2))
        if np.count_nonzero(mine) >= _LEAST_IN_BIN
    ]
    level, spread, count = np.array(rows).T
    spread = np.maximum(spread, 1e-3)
    weight = np.sqrt(np.minimum(count, 4000.0)) / spread
    design = np.stack([np.ones_like(level), np.maximum(level, 0.0)], axis=1)
    read, shot = nnls(design * weight[:, None], spread * weight)[0]
    return Noise(max(float(read), 1.0 / 12.0), float(shot))
