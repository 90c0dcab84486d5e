"""What is known of poses beforehand, and by how much the shots themselves say that they are better.

Poses are normal about their labels with the stated sigma, a shot that slipped let go of (Student's t). Where
shots are better than stated, a prior of the stated size lets noise into poses that need none. So the stated
sigma has a scale, one for single shots and one for common wavefronts, which are smooth over the eye box: of
those single shots say nothing, a bent rail makes them. The scale is what the samples say (empirical Bayes by
the evidence; D. J. C. MacKay, Neural Computation 4 (1992) 415, from memory), and of that the upper end.
Offsets and turns are asked apart and the larger scale taken for both: a small one looks like the other. What
no sample shows keeps what was stated: the seven common motions, wavefronts that the samples hardly tell,
shots that slipped. A stage that is worse than stated is told, not believed.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from scipy import linalg

from prewarp.checks import FloatArray
from prewarp.poses.rays import PER_SHOT, TURN, Poses

# Degrees of freedom of Student's t, the prior of a shot's offset and of its turn (common practice for robust
# priors: K. L. Lange, R. J. A. Little, J. M. G. Taylor, J. Am. Stat. Assoc. 84 (1989) 881, from memory).
FREEDOM = 4.0
# Scales of the stated sigma that are asked.
SCALES = 2.0 ** -np.arange(6)
# A scale is hardly less likely than the best if its log evidence falls short by no more than this: an
# interval of 95 per cent (half of chi-square of one number).
HARDLY_LESS = 1.92
# A wavefront is shown by the samples where they leave less than this share of its stated sigma.
SHOWN_SHARE = 0.25
# What is asked for a scale: offsets, turns, wavefronts; and what keeps what was stated.
_OFFSETS, _TURNS, _WAVES, _STATED = range(4)
# A shot whose prior weighs less than this slipped: 5 sigma.
LET_GO = (FREEDOM + 3.0) / (FREEDOM + 25.0)
FAMILIES = ("single shots", "common wavefronts")


@dataclass(frozen=True)
class Prior:
    """What is known of the stage beforehand, 1-sigma per axis: `sigma_mm` and `sigma_rad`."""

    sigma_mm: float
    sigma_rad: float

    def units(self, shots: int, /) -> FloatArray:
        """Return the sigma of every unknown, (6 k,)."""
        return np.tile([self.sigma_mm] * 3 + [self.sigma_rad] * 3, shots)

    def weights(self, poses: Poses, /) -> FloatArray:
        """Return the weight (6 k,) of the prior of every unknown: it lets go of a shot that slipped.

        By what was stated, not by a scale found: weights and scale would shrink together without end.
        """
        squared = np.stack(
            [
                np.sum((poses.offset_mm / self.sigma_mm) ** 2, axis=1),
                np.sum((poses.turn_rad / self.sigma_rad) ** 2, axis=1),
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
    information: FloatArray,
    target: FloatArray,
    weight: FloatArray,
    common: FloatArray,
    waves: FloatArray,
    /,
    *,
    narrowed: bool = True,
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
    narrowed : bool
        Whether the scales are found, or 1.

    Notes
    -----
    x = A z with z standard normal, A = W^-1/2 [Q, U, c V, (1 - QQ' - UU' - VV') D]: Q common motions, U and V
    wavefronts that samples hardly tell and do, D the scale of each unknown's own. Log evidence
    -log det(1 + A'S A) / 2 + target'A (1 + A'S A)^-1 A'target / 2.
    """
    slack = 1.0 / np.sqrt(weight)
    stated = linalg.inv(information + np.diag(weight), check_finite=False)
    square, turned = np.linalg.eigh(waves @ stated @ waves.T)
    patterns = np.concatenate([common, turned.T @ waves])
    root = np.concatenate([patterns.T, np.eye(len(target)) - patterns.T @ patterns], axis=1) * slack[:, None]
    inner, seen = root.T @ information @ root, root.T @ target
    of_waves = np.where(square < SHOWN_SHARE**2, _WAVES, _STATED)
    is_turn = np.arange(len(target)) % PER_SHOT >= TURN.start
    of_shots = np.where(weight < LET_GO, _STATED, np.where(is_turn, _TURNS, _OFFSETS))
    family = np.concatenate([np.full(len(common), _STATED), of_waves, of_shots])

    def factored(scales: Sequence[float]) -> tuple[FloatArray, FloatArray, FloatArray]:
        size = np.array([*scales, 1.0])[family]
        matrix = inner * size * size[:, None]
        matrix[np.diag_indices_from(matrix)] += 1.0
        lower = linalg.cholesky(matrix, lower=True, overwrite_a=True, check_finite=False)
        return size, lower, linalg.solve_triangular(lower, seen * size, lower=True, check_finite=False)

    def evidence(scales: Sequence[float]) -> float:
        _, lower, half = factored(scales)
        return float(half @ half) / 2.0 - float(np.sum(np.log(np.diagonal(lower))))

    single = wave = 1.0
    # Where no smaller scales near those stated are likelier, none are.
    if narrowed and max(map(evidence, product(SCALES[:2], repeat=_STATED))) > evidence([1.0] * _STATED):
        worth = np.array([evidence(one) for one in product(SCALES, repeat=_STATED)])
        likely = (worth >= worth.max() - HARDLY_LESS).reshape((len(SCALES),) * _STATED)
        offsets, turns, waves_own = (float(SCALES[places.min()]) for places in np.nonzero(likely))
        single = max(offsets, turns)
        wave = max(single, waves_own)
    size, lower, half = factored([single, single, wave])
    spread = linalg.solve_triangular(lower, (root * size).T, lower=True, check_finite=False)
    return Posterior(spread.T @ half, spread.T @ spread, (single, wave))
