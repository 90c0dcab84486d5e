"""What samples leave open of a luminance map: noise, and what its model is too simple to follow.

A map has the simplest model that cross-validation allows, and its own error follows from no residual of it.
So the logarithm of luminance is taken here as a random function: every term T_a(u) T_b(v) T_c(x) T_d(y), well
past the degrees of the map, has a coefficient of mean 0 and a variance that falls off with its degree,

    scale * panel_fall^(2 (a + b)) * pupil_fall^(2 (c + d)).

Scale and falls are those under which the samples are most likely, together with their noise and a gain of
each pupil position's own (exposure, lamp), which no map should follow. What the samples then say of a place
has a mean and a spread, with terms in it that no sample decides. At pupil positions left out the spread is
held against the samples there, and widened where it was too small.

References
----------
C. E. Rasmussen, C. K. I. Williams, Gaussian Processes for Machine Learning (2006), sections 2.2 and 5.4.1,
from memory: posterior, and choice of hyperparameters by marginal likelihood.
"""

from dataclasses import dataclass

import numpy as np

from prewarp.chebyshev import chebyshev_terms
from prewarp.checks import FloatArray, IntArray
from prewarp.cores import one_blas_thread
from prewarp.photometry.samples import LightSamples

# Degrees: a + b, c + d, and (a + b) + 2 (c + d) are at most these.
PANEL_DEGREE, PUPIL_DEGREE, JOINT_DEGREE = 8, 4, 10
# Variance of the constant term over that of the noise: free.
_FREE = 1e8
# Pupil positions beyond the captured ones are followed to here, in half ranges: by then all is open anyway.
_FARTHEST = 2.0
MOST_SAMPLES = 20_000
# A gain per pupil position is looked for where there are so many positions, and so many samples of each.
_POSITIONS, _PER_POSITION = (2, 400), 5
FOLDS = 5
# Cells of the panel, each way, over which samples left out are averaged before they judge the spread.
_CELLS = 3
_CHUNK = 4096
# Pupil positions that spread less than this across their line, in half ranges, lie on it.
_LEAST_SPREAD = 1e-3
_FALLS = (0.02, 0.95)
# Usual settings: how much terms change the logarithm of light, what each degree takes off that, and the
# variance of a gain over the noise's. `_OPEN`: how far their logarithms may usually be off, 1-sigma.
_USUAL_SPREAD, _USUAL_FALL, _USUAL_GAIN = 0.5, 0.3, 1e-2
_OPEN = np.array([3.0, 0.7, 0.7, 5.0])
# Samples that a simulation made without noise are given this much, a share of the brightest.
_LEAST_NOISE = 1e-4


@dataclass(frozen=True, eq=False)
class LightCertainty:
    """What the samples say of the logarithm of luminance.

    Parameters
    ----------
    exponents : (k, 4) int array
        Degrees in u, v, x, y, normalised as the samples are.
    mean : (k,) float array
        Coefficients.
    root : (k, m) float array
        A root of their covariance, widened already.
    noise_percent : float
        1-sigma of a sample, as a share of a luminance that weighs as the brightest do.
    gain_percent : float
        1-sigma of the gain of a pupil position; 0 where none was looked for.
    widened : float
        By how much samples at pupil positions left out widened the spread, 1 or more; not a number where
        there are too few positions to leave any out.
    spans : bool
        Whether pupil positions spread over an area; along a line or at a point nothing is known beside it.
    """

    exponents: IntArray
    mean: FloatArray
    root: FloatArray
    noise_percent: float
    gain_percent: float
    widened: float
    spans: bool

    def log_light(self, place: FloatArray, /, *, draws: int, random: np.random.Generator) -> FloatArray:
        """Return draws (draws, n) of the logarithm of luminance at normalised places (4, n)."""
        if not self.spans:
            return np.full((draws, place.shape[1]), np.nan)
        coefficients = self.mean + random.standard_normal((draws, self.root.shape[1])) @ self.root.T
        return np.asarray(coefficients @ _basis(place, self.exponents))


@dataclass(frozen=True)
class _Sums:
    """Weighted sums over samples: `matrix` (m, m), `side` (m,), `square`, `count`."""

    matrix: FloatArray
    side: FloatArray
    square: float
    count: int

    def plus(self, other: "_Sums", sign: float = 1.0) -> "_Sums":
        return _Sums(
            self.matrix + sign * other.matrix,
            self.side + sign * other.side,
            self.square + sign * other.square,
            self.count + int(sign) * other.count,
        )


def light_certainty(
    samples: LightSamples, level: FloatArray, /, *, panel_degree: int, pupil_degree: int
) -> LightCertainty:
    """Work out what samples leave open of a map.

    Parameters
    ----------
    samples : LightSamples
        Those that the map was made from.
    level : (n,) float array
        The map there: noise is even in light, so samples weigh by its square.
    panel_degree, pupil_degree : int
        Of the map; its terms are all among those looked at.
    """
    exponents = _exponents(panel_degree, pupil_degree)
    part = _some(len(samples.light))
    place, position, level = samples.place[:, part], samples.position[part], level[part]
    _, position = np.unique(position, return_inverse=True)
    positions = int(position.max()) + 1
    gains = (
        positions
        if _POSITIONS[0] <= positions <= _POSITIONS[1] and len(part) >= _PER_POSITION * positions
        else 0
    )
    # Weights are 1 for the brightest, so the noise is a share of it.
    weight = (level / level.max()) ** 2
    wanted = np.log(level) + (samples.light[part] - level) / level
    fold = np.random.default_rng(1).permutation(positions)[position] % FOLDS
    folds = [np.flatnonzero(fold == k) for k in range(FOLDS)]
    with one_blas_thread():
        sums = [
            _sums(place[:, own], exponents, position[own], gains, weight[own], wanted[own]) for own in folds
        ]
        whole = sums[0]
        for one in sums[1:]:
            whole = whole.plus(one)
        rest = float(np.sum(weight * (wanted - np.log(level)) ** 2)) / len(part)
        variance = _likeliest(whole, exponents, gains, max(rest, _LEAST_NOISE**2))
        mean, root, noise = _posterior(whole, variance)
        widened = np.nan
        if positions >= FOLDS:
            squared = [
                _misses(
                    _posterior(whole.plus(left, -1.0), variance),
                    variance[-1] if gains else 0.0,
                    exponents,
                    place[:, own],
                    position[own],
                    weight[own],
                    wanted[own],
                )
                for left, own in zip(sums, folds, strict=True)
            ]
            widened = max(1.0, float(np.sqrt(np.mean(np.concatenate(squared)))))
    count = len(exponents)
    return LightCertainty(
        exponents,
        mean[:count],
        root[:count] * (1.0 if np.isnan(widened) else widened),
        100.0 * noise,
        100.0 * noise * float(np.sqrt(variance[-1])) if gains else 0.0,
        widened,
        _spans(place[2:]),
    )


def _spans(pupil: FloatArray) -> bool:
    """Return whether pupil positions (2, n), normalised, spread over an area."""
    apart = pupil - pupil.mean(axis=1, keepdims=True)
    return bool(np.linalg.eigvalsh(apart @ apart.T / apart.shape[1])[0] > _LEAST_SPREAD**2)


def _exponents(panel_degree: int, pupil_degree: int) -> IntArray:
    """Return (k, 4) degrees of all terms, the constant first."""
    panel, pupil = max(PANEL_DEGREE, panel_degree), max(PUPIL_DEGREE, pupil_degree)
    lattice = np.stack(
        np.meshgrid(*(np.arange(n + 1) for n in (panel, panel, pupil, pupil)), indexing="ij"), -1
    )
    every = lattice.reshape(-1, 4)
    own, other = every[:, :2].sum(axis=1), every[:, 2:].sum(axis=1)
    wider = (own <= PANEL_DEGREE) & (other <= PUPIL_DEGREE) & (own + 2 * other <= JOINT_DEGREE)
    kept: IntArray = every[wider | ((own <= panel_degree) & (other <= pupil_degree))]
    return kept


def _some(count: int) -> IntArray:
    if count <= MOST_SAMPLES:
        return np.arange(count)
    return np.sort(np.random.default_rng(0).permutation(count)[:MOST_SAMPLES])


def _basis(place: FloatArray, exponents: IntArray) -> FloatArray:
    """Return the terms (k, n) at normalised places (4, n)."""
    held = place.copy()
    held[2:] = np.clip(held[2:], -_FARTHEST, _FARTHEST)
    return np.ascontiguousarray(chebyshev_terms(held.T, exponents).T)


def _sums(
    place: FloatArray,
    exponents: IntArray,
    position: IntArray,
    gains: int,
    weight: FloatArray,
    wanted: FloatArray,
) -> _Sums:
    count = len(exponents)
    matrix, side = np.zeros((count + gains, count + gains)), np.zeros(count + gains)
    for first in range(0, len(weight), _CHUNK):
        chunk = slice(first, first + _CHUNK)
        terms = _basis(place[:, chunk], exponents)
        if gains:
            terms = np.vstack([terms, position[chunk] == np.arange(gains)[:, None]])
        weighed = terms * weight[chunk]
        matrix += weighed @ terms.T
        side += weighed @ wanted[chunk]
    return _Sums(matrix, side, float(weight @ (wanted * wanted)), len(weight))


def _variances(settings: FloatArray, exponents: IntArray, gains: int) -> FloatArray:
    """Return the variance of each coefficient (m,) over that of the noise, from logarithms of settings."""
    log_scale, log_panel, log_pupil, log_gain = settings
    own, other = exponents[:, :2].sum(axis=1), exponents[:, 2:].sum(axis=1)
    log_variance = log_scale + 2.0 * (own * log_panel + other * log_pupil)
    log_variance[0] = np.log(_FREE)
    return np.asarray(np.exp(np.concatenate([log_variance, np.full(gains, log_gain)])))


def _likeliest(sums: _Sums, exponents: IntArray, gains: int, noise_square: float) -> FloatArray:
    """Return the variances under which the samples are most likely, the noise at its best for each.

    `noise_square` is about that of the noise. Where the samples leave a setting open, it stays as usual.
    """
    # Slow to import; other commands start without it.
    from scipy.linalg import cho_factor, cho_solve
    from scipy.optimize import minimize

    own, other = exponents[:, :2].sum(axis=1), exponents[:, 2:].sum(axis=1)
    slopes = np.zeros((4, len(exponents) + gains))
    slopes[0, 1 : len(exponents)] = 1.0
    slopes[1, : len(exponents)], slopes[2, : len(exponents)] = 2.0 * own, 2.0 * other
    slopes[3, len(exponents) :] = 1.0

    def cost(settings: FloatArray) -> tuple[float, FloatArray]:
        variance = _variances(settings, exponents, gains)
        root = np.sqrt(variance)
        matrix = sums.matrix * root[:, None] * root
        matrix[np.diag_indices_from(matrix)] += 1.0
        factor = cho_factor(matrix, lower=True, overwrite_a=True)
        inverse = cho_solve(factor, np.eye(len(root)))
        coefficients = root * (inverse @ (root * sums.side))
        left = max(sums.square - float(coefficients @ sums.side), sums.count * _LEAST_NOISE**2)
        value = sums.count * np.log(left) + 2.0 * np.log(np.diagonal(factor[0])).sum()
        slope = 1.0 - np.diagonal(inverse) - sums.count / left * coefficients**2 / variance
        off = (settings - usual) / _OPEN
        return float(value + off @ off), slopes @ slope + 2.0 * off / _OPEN

    falls = tuple(np.log(_FALLS))
    usual = np.log([_USUAL_SPREAD**2 / noise_square, _USUAL_FALL, _USUAL_FALL, _USUAL_GAIN])
    start = usual
    found = minimize(
        cost,
        start,
        jac=True,
        method="L-BFGS-B",
        bounds=[(-5.0, 21.0), falls, falls, (-20.0, 10.0) if gains else (start[3], start[3])],
        options={"maxiter": 60, "ftol": 1e-9},
    )
    return _variances(found.x, exponents, gains)


def _posterior(sums: _Sums, variance: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Return mean (m,), a root of the covariance (m, m), and the noise of a sample of weight 1."""
    root = np.sqrt(variance)
    matrix = sums.matrix * root[:, None] * root
    matrix[np.diag_indices_from(matrix)] += 1.0
    values, axes = np.linalg.eigh(matrix)
    values = np.maximum(values, 1.0)
    mean = root * (axes @ ((axes.T @ (root * sums.side)) / values))
    noise = max(np.sqrt(max(sums.square - mean @ sums.side, 0.0) / sums.count), _LEAST_NOISE)
    return mean, noise * root[:, None] * axes / np.sqrt(values), float(noise)


def _misses(
    posterior: tuple[FloatArray, FloatArray, float],
    gain: float,
    exponents: IntArray,
    place: FloatArray,
    position: IntArray,
    weight: FloatArray,
    wanted: FloatArray,
) -> FloatArray:
    """Return squared misses of samples left out (cells,), over what the posterior of the others lets expect.

    Samples are averaged over a pupil position's third of a panel each way: what is left is mostly the map's.
    """
    mean, root, noise = posterior
    mean, root = mean[: len(exponents)], root[: len(exponents)]
    across = np.clip(((place[:2] + 1.0) / 2.0 * _CELLS).astype(int), 0, _CELLS - 1)
    cell = (position * _CELLS + across[1]) * _CELLS + across[0]
    _, cell = np.unique(cell, return_inverse=True)
    total = np.bincount(cell, weight)
    rest = np.bincount(cell, weight * wanted) / total
    terms = np.zeros((len(total), len(exponents)))
    for first in range(0, len(weight), _CHUNK):
        chunk = slice(first, first + _CHUNK)
        np.add.at(terms, cell[chunk], (_basis(place[:, chunk], exponents) * weight[chunk]).T)
    terms /= total[:, None]
    expected = np.sum((terms @ root) ** 2, axis=1) + noise**2 * (gain + 1.0 / total)
    return np.asarray((rest - terms @ mean) ** 2 / expected)
