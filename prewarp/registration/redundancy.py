"""What few pairs can say of themselves: which of them is wrong, and what rests on a single one.

A scale taken from the pairs that agree best is too small where there are few, and throws out good ones. So a
pair is judged by the others alone, at a level that says how often a good one may be lost.
"""

from dataclasses import dataclass

import numpy as np

from prewarp.checks import BoolArray, FloatArray

# Pairs never agree better than this, whatever their mismatch says; also what identifiability is judged with.
LEAST_NOISE_ARCMIN = 0.02
# Covariance of Student's law is finite from three degrees of freedom on.
LEAST_FREEDOM = 3
# A good pair is left out in one of a thousand registrations.
WRONG_LEVEL = 1e-3
# Share of a parameter that may lie in directions of which the pairs say nothing, and how little counts as
# nothing.
_NULL_SHARE, _NULL_RATIO = 1e-3, 1e-7
# A pair without which a 1-sigma grows by more than this carries the parameter alone.
_ALONE_RATIO = 3.0
# Least eigenvalue of what a pair's residual keeps: below, the pair is needed, and nothing else judges it.
_NEEDED = 1e-6


@dataclass(frozen=True)
class Solution:
    """Least squares over the pairs kept, linear about where it ended.

    Parameters
    ----------
    change : (p,) float array
        Least change of the parameters that is still left.
    inverse : (p, p) float array
        Of J^T J over the pairs kept; parameters in degrees or per cent, mismatch in arcmin.
    unknown : (p,) bool array
        True where a part of the parameter lies in directions of which the pairs say nothing.
    freedom : int
        Degrees of freedom: two numbers a pair kept, less what they decide.
    squares : float
        Sum of squared mismatch over the pairs kept, arcmin^2.
    """

    change: FloatArray
    inverse: FloatArray
    unknown: BoolArray
    freedom: int
    squares: float

    @property
    def noise_arcmin(self) -> float:
        """1-sigma of a pair per axis; not a number without a degree of freedom."""
        return float(np.sqrt(self.squares / self.freedom)) if self.freedom > 0 else np.nan


def solve(slopes: FloatArray, mismatch: FloatArray, weight: FloatArray, /) -> Solution:
    """Return weighted least squares of slopes (n, 2, p) to mismatch (n, 2), weights (n,)."""
    root = np.sqrt(weight)[:, None]
    matrix = (slopes * root[..., None]).reshape(-1, slopes.shape[-1])
    _, values, axes = np.linalg.svd(matrix, full_matrices=False)
    good = values > _NULL_RATIO * max(values[0], 1e-300)
    gain = np.where(good, 1.0 / np.where(good, values, 1.0), 0.0)
    inverse = (axes.T * gain**2) @ axes
    # A matrix with fewer rows than columns has directions beyond those of `axes`: what is missing of 1 is
    # undecided.
    undecided = 1.0 - np.sum(axes[good] ** 2, axis=0)
    weighed = (mismatch * root).ravel()
    return Solution(
        inverse @ (matrix.T @ weighed),
        inverse,
        undecided > _NULL_SHARE,
        2 * int(np.count_nonzero(weight)) - int(good.sum()),
        float(weighed @ weighed),
    )


def chances(solution: Solution, slopes: FloatArray, mismatch: FloatArray, kept: BoolArray, /) -> FloatArray:
    """Return how often a good pair (n,) would lie as far from what the other pairs kept say.

    Parameters
    ----------
    solution : Solution
        Of the pairs kept, unit weights.
    slopes, mismatch : (n, 2, p), (n, 2) float arrays
    kept : (n,) bool array

    Notes
    -----
    A residual r of a pair kept is judged by r^T (1 - H)^-1 r, H = J N J^T, against the squares that are left
    without it: an F law of 2 and f - 2 degrees of freedom. One of a pair left out by r^T (1 + H)^-1 r: 2
    and f. 1 where nothing else judges a pair.

    References
    ----------
    Externally studentised residuals, for two components: R. D. Cook, S. Weisberg, Residuals and Influence in
    Regression (1982), from memory.
    """
    # Slow to import; other commands start without it.
    from scipy.stats import f as f_law

    leverage = np.einsum("nip,pq,njq->nij", slopes, solution.inverse, slopes)
    spread = np.eye(2) + np.where(kept, -1.0, 1.0)[:, None, None] * leverage
    judged = np.linalg.eigvalsh(spread)[:, 0] > _NEEDED
    spread = np.where(judged[:, None, None], spread, np.eye(2))
    square = np.einsum("ni,nij,nj->n", mismatch, np.linalg.inv(spread), mismatch)
    freedom = solution.freedom - 2 * kept
    left = np.maximum(solution.squares - np.where(kept, square, 0.0), 0.0)
    judged &= freedom > 0
    freedom = np.maximum(freedom, 1)
    noise = np.maximum(left / freedom, LEAST_NOISE_ARCMIN**2)
    return np.where(judged, f_law.sf(square / 2.0 / noise, 2, freedom), 1.0)


def alone(slopes: FloatArray, kept: BoolArray, weakest: FloatArray, noise_arcmin: float, /) -> FloatArray:
    """Return, for each parameter (p,), the number of the pair without which it would not be fixed; or -1.

    `slopes` (n, 2, p); `weakest` (p,) the largest 1-sigma that counts as fixed.
    """
    own = np.flatnonzero(kept)
    blocks = np.einsum("nip,niq->npq", slopes[own], slopes[own])
    whole = blocks.sum(axis=0)
    scale = np.sqrt(np.maximum(np.diagonal(whole), 1e-300))
    values, axes = np.linalg.eigh((whole - blocks) / scale[:, None] / scale)
    good = values > _NULL_RATIO * np.maximum(values[:, -1:], 1e-300)
    gain = np.where(good, 1.0 / np.where(good, values, 1.0), 0.0)
    sigma = noise_arcmin * np.sqrt(np.einsum("nk,npk->np", gain, axes**2)) / scale
    undecided = 1.0 - np.einsum("nk,npk->np", good.astype(float), axes**2)
    sigma = np.where(undecided > _NULL_SHARE, np.inf, sigma)
    full = noise_arcmin * np.sqrt(np.diagonal(np.linalg.pinv(whole / scale[:, None] / scale))) / scale
    worst = np.argmax(sigma, axis=0)
    largest = sigma[worst, np.arange(len(scale))]
    return np.where((largest > weakest) & (largest > _ALONE_RATIO * full), own[worst], -1)
