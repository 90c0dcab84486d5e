"""What is known of poses beforehand, and by how much the shots themselves say that they are better.

Poses are normal about their labels with the stated sigma, a shot that slipped let go of (Student's t). Where
shots are better than stated, a prior of the stated size lets noise into poses that need none. So each family
of patterns has a scale of its own: offsets, turns, and common wavefronts, which are smooth over the eye box:
of those single shots say nothing. The scale is what the samples say (empirical Bayes by the evidence;
D. J. C. MacKay, Neural Computation 4 (1992) 415, from memory): the largest one that is hardly less likely
than the best, so of a family that the samples do not show it stays 1. The seven common motions keep what was
stated: no sample shows them. A stage that is worse than stated is told, not believed.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import linalg

from prewarp.checks import FloatArray
from prewarp.poses.rays import Poses

# Degrees of freedom of Student's t, the prior of a shot's offset and of its turn (common practice for robust
# priors: K. L. Lange, R. J. A. Little, J. M. G. Taylor, J. Am. Stat. Assoc. 84 (1989) 881, from memory).
FREEDOM = 4.0
# Scales of the stated sigma that are asked.
SCALES = 2.0 ** -np.arange(8)
# A scale is hardly less likely than the best if its log evidence falls short by no more than this: an
# interval of 95 per cent (half of chi-square of one number).
HARDLY_LESS = 1.92
# Each family's scale is asked given the others': so often.
_ROUNDS = 2
FAMILIES = ("offsets", "turns", "common wavefronts")


@dataclass(frozen=True)
class Prior:
    """What is known of the stage beforehand, 1-sigma per axis: `sigma_mm` and `sigma_rad`."""

    sigma_mm: float
    sigma_rad: float

    def units(self, shots: int, /) -> FloatArray:
        """Return the sigma of every unknown, (6 k,)."""
        return np.tile([self.sigma_mm] * 3 + [self.sigma_rad] * 3, shots)

    def weights(self, poses: Poses, scales: Sequence[float], /) -> FloatArray:
        """Return the weight (6 k,) of the prior of every unknown: it lets go of a shot that slipped."""
        squared = np.stack(
            [
                np.sum((poses.offset_mm / (self.sigma_mm * scales[0])) ** 2, axis=1),
                np.sum((poses.turn_rad / (self.sigma_rad * scales[1])) ** 2, axis=1),
            ],
            axis=1,
        )
        weight = np.minimum((FREEDOM + 3.0) / (FREEDOM + squared), 1.0)
        return np.repeat(weight.ravel(), 3)


@dataclass(frozen=True)
class Posterior:
    """Mean (6 k,) and covariance (6 k, 6 k) of the poses, per stated sigma, and the scales of `FAMILIES`."""

    mean: FloatArray
    covariance: FloatArray
    scales: tuple[float, ...]


def posterior(
    information: FloatArray, target: FloatArray, weight: FloatArray, common: FloatArray, waves: FloatArray, /
) -> Posterior:
    """Return what is known of the poses x, (6 k,) per stated sigma, given samples and prior.

    Parameters
    ----------
    information : (6 k, 6 k) float array
        S of the samples: their log likelihood is -x'S x / 2 + `target`'x.
    target : (6 k,) float array
    weight : (6 k,) float array
        Of the prior of every unknown.
    common, waves : (7, 6 k), (f, 6 k) float arrays
        Orthonormal common motions, and common wavefronts apart from those.

    Notes
    -----
    x = A z with z standard normal, A = W^-1/2 [Q, c W, (1 - QQ' - WW') D], D the scales of offsets and turns:
    log evidence = -log det(1 + A'S A) / 2 + target'A (1 + A'S A)^-1 A'target / 2.
    """
    patterns = np.concatenate([common, waves])
    single = np.eye(len(target)) - patterns.T @ patterns
    root = np.concatenate([patterns.T, single], axis=1) / np.sqrt(weight)[:, None]
    inner, seen = root.T @ information @ root, root.T @ target
    is_turn = np.arange(len(target)) % 6 >= 3
    family = np.concatenate([np.full(len(common), 3), np.full(len(waves), 2), is_turn])

    def factored(scales: Sequence[float]) -> tuple[FloatArray, FloatArray, FloatArray]:
        size = np.array([*scales, 1.0])[family]
        matrix = inner * size * size[:, None]
        matrix[np.diag_indices_from(matrix)] += 1.0
        lower = linalg.cholesky(matrix, lower=True, overwrite_a=True, check_finite=False)
        return size, lower, linalg.solve_triangular(lower, seen * size, lower=True, check_finite=False)

    def evidence(scales: Sequence[float]) -> float:
        _, lower, half = factored(scales)
        return float(half @ half) / 2.0 - float(np.sum(np.log(np.diagonal(lower))))

    scales = [1.0] * len(FAMILIES)
    for _ in range(_ROUNDS):
        for own in range(len(FAMILIES)):
            worth = np.array([evidence([*scales[:own], one, *scales[own + 1 :]]) for one in SCALES])
            scales[own] = float(SCALES[np.argmax(worth >= worth.max() - HARDLY_LESS)])
    size, lower, half = factored(scales)
    spread = linalg.solve_triangular(lower, (root * size).T, lower=True, check_finite=False)
    return Posterior(spread.T @ half, spread.T @ spread, tuple(scales))
