"""The length that 95 % of steps stay under, the noise of the capture taken out, and how sure it is."""

import numpy as np
from scipy import special

from prewarp.checks import FloatArray, IntArray

SHARE = 0.95
# Noise that is added, in multiples of the variance that is there; draws of each.
_ADDED = np.array([0.5, 1.0, 1.5, 2.0])
_DRAWS, _SEED = 6, 11
_MOST_NUMBERS = 400_000


def length_without_noise(step: FloatArray, sigma: FloatArray | float, /, *, share: float = SHARE) -> float:
    """Return the length that a share of steps (n, 2) stays under once noise, `sigma` per axis, is taken out.

    Notes
    -----
    Simulation and extrapolation (J. R. Cook, L. A. Stefanski, J. Am. Stat. Assoc. 89 (1994) 1314, from
    memory): more noise is added in known amounts, and the squared length is continued to none at all. For
    noise alone the squared length is a straight line that ends at 0. Where steps are long and all alike some
    of the noise stays, so the figure errs to the large side; it is never larger than that of the steps as
    they are.
    """
    whole = float(np.quantile(np.linalg.norm(step, axis=1), share))
    if not np.any(np.asarray(sigma) > 0.0) or len(step) == 0:
        return whole
    random = np.random.default_rng(_SEED)
    if len(step) > _MOST_NUMBERS:
        some = random.choice(len(step), _MOST_NUMBERS, replace=False)
        step, sigma = step[some], sigma if np.ndim(sigma) == 0 else np.asarray(sigma)[some]
    per_axis = np.broadcast_to(np.asarray(sigma, dtype=float), (len(step),))[:, None]
    squares = [whole**2]
    for added in _ADDED:
        drawn = []
        for _ in range(_DRAWS):
            noisy = step + np.sqrt(added) * per_axis * random.standard_normal(step.shape)
            drawn.append(float(np.quantile(np.linalg.norm(noisy, axis=1), share)) ** 2)
        squares.append(float(np.mean(drawn)))
    line = np.polynomial.Polynomial.fit(np.concatenate([[0.0], _ADDED]), squares, 2)
    return float(np.sqrt(np.clip(line(-1.0), 0.0, whole**2)))


def lengths_by_shot(step: FloatArray, shot: IntArray, /, *, share: float = SHARE) -> FloatArray:
    """Return the length that a share of steps (n, 2) stays under, of every shot that has some."""
    length = np.linalg.norm(step, axis=1)
    return np.array([np.quantile(length[shot == one], share) for one in np.unique(shot)])


def sigma_of_mean(values: FloatArray, count: int, /) -> float | None:
    """Return how sure the mean of values of `count` shots is, whose spread `values` (k,) show.

    Twice it holds the truth with 95 %: with few values the spread itself is unsure (Student), so it is
    widened by t / 2. None with a single value.
    """
    if len(values) < 2 or count < 1:
        return None
    widened = max(float(special.stdtrit(len(values) - 1, 0.975)) / 2.0, 1.0)
    return float(widened * np.std(values, ddof=1) / np.sqrt(count))


def rms_without_noise(step: FloatArray, sigma: float, /) -> float:
    """Return the root mean square of steps (n, 2), noise of `sigma` per axis taken out."""
    square = float(np.mean(np.sum(step**2, axis=1))) - 2.0 * sigma**2
    return float(np.sqrt(max(square, 0.0)))
