"""How units differ, from fits of some: directions, variances and motions that units left out show.

A fit is g_i = mean + sum_k c_ik d_k + n_i, in coordinates of which the sum of squares is the mean square over
field and eye box, px^2; n_i is what noise and poses leave of a fit. Directions d_k are those of the sample.
How large c_k are is not the sample's own spread, which is too large where it is large and too small where
it is small: each unit is left out in turn, and its coefficients on the directions of the others count, made
monotone. What a left-out unit has beside the directions is its own n and the n of the others, which
directions carry: with weights w on their fits n^2 (1 + |w|^2), and the second part is a new unit's remainder.

Of combinations that pictures hardly tell, sample and left-out units speak differently still: a motion that
all shots share is told from a unit's own by such alone. With y = f + M b, b free, the best b has the
covariance C = (M' S^-1 M)^-1 if S is that of f; if M E M' is added to S it is C + E. So E is what b of
left-out units has more than C, which makes the claim right and leaves b as it is. So it is with the amount
of a pattern.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import isotonic_regression

from prewarp.checks import FloatArray, IntArray

# Fewer units say too little of variances: of a line of 52 one of twelve right units was flagged.
LEAST_UNITS = 60
# Left out one by one up to so many, then in so many parts.
_MOST_PARTS = 60
# Directions of less than this share of the noise of a fit are noise's, and a channel has at most so many.
_LEAST_SHARE, MOST_DIRECTIONS = 10.0, 100


@dataclass(frozen=True, eq=False)
class Spread:
    """How units of a channel differ.

    `mean` (d,); `directions` (d, k), orthonormal; `variance` (k,), px^2; `rest` (groups,): variance of one
    coordinate of the remainder of a new unit, by group; `common`: of it, sigma of what colours share over
    sigma of what each has of its own; `energy` (n,), of each left-out unit on the directions, over what is
    expected; `rest_energy` (n,) of what it has beside them, px^2; `carried`: of that, the share that a new
    unit has.
    """

    mean: FloatArray
    directions: FloatArray
    variance: FloatArray
    rest: FloatArray
    common: float
    energy: FloatArray
    rest_energy: FloatArray
    carried: float


def left_out(count: int, /) -> list[IntArray]:
    """Return which units are left out together, in turn."""
    parts = min(count, _MOST_PARTS)
    return [np.arange(start, count, parts) for start in range(parts)]


def principal(fits: FloatArray, most: int, /) -> tuple[FloatArray, FloatArray]:
    """Return mean (d,) and up to `most` principal directions (d, k) of fits (n, d), the largest first."""
    mean = fits.mean(axis=0)
    rows = fits - mean
    values, vectors = np.linalg.eigh(rows @ rows.T)
    count = min(most, len(fits) - 1)
    values, vectors = values[::-1][:count], vectors[:, ::-1][:, :count]
    return mean, (rows.T @ vectors) / np.sqrt(values)


def spread_of(fits: FloatArray, group: IntArray, colours: int, noise: float, /) -> Spread:
    """Return how units of a channel differ.

    Parameters
    ----------
    fits : (n, colours * d) float array
        Coordinates of fits, colour by colour.
    group : (d,) int array
        Which coordinates of a colour have remainders of one size.
    colours : int
    noise : float
        Variance of a coordinate that the dots' noise leaves in a fit, px^2.
    """
    count = len(fits)
    most = min(MOST_DIRECTIONS, count - 2)
    scores = np.zeros((count, most))
    rows: list[FloatArray] = []
    for out in left_out(count):
        others = np.delete(fits, out, axis=0)
        mean, directions = principal(others, min(most, len(others) - 1))
        scores[out, : directions.shape[1]] = (fits[out] - mean) @ directions
    variance = isotonic_regression(np.mean(scores**2, axis=0), increasing=False).x
    kept = max(1, int(np.sum(variance > _LEAST_SHARE * noise)))
    weights = np.zeros(count)
    for out in left_out(count):
        others = np.delete(fits, out, axis=0)
        mean, directions = principal(others, kept)
        own = fits[out] - mean
        along = own @ directions
        rows.append(own - along @ directions.T)
        centred = others - mean
        size = np.linalg.norm(centred @ directions, axis=0)
        weights[out] = np.sum((along / size) ** 2, axis=1)
    rest = np.concatenate(rows)[np.argsort(np.concatenate(left_out(count)))]
    carried = float(weights.mean() / (1.0 + weights.mean()))
    mean, directions = principal(fits, kept)
    by_colour = rest.reshape(count, colours, -1)
    square = np.mean(by_colour**2, axis=(0, 1))
    each = np.bincount(group, square) / np.bincount(group)
    # Own noise is at least what dots explain, at most all that directions do not carry: the middle of both.
    each = 0.5 * (carried * each + np.maximum(carried * each, each - noise))
    shared = _shared(by_colour)
    # Of the whole variance each colour's own has 1 / (1 + common^2).
    return Spread(
        mean,
        directions,
        np.maximum(variance[:kept] - noise, 0.0),
        (1.0 - shared) * each,
        float(np.sqrt(shared / (1.0 - shared))),
        np.mean(scores[:, :kept] ** 2 / variance[:kept], axis=1),
        np.sum(rest**2, axis=1),
        float(np.sum(np.bincount(group) * each) * colours / np.mean(np.sum(rest**2, axis=1))),
    )


def _shared(by_colour: FloatArray) -> float:
    """Return the share of the variance (n, colours, d) that colours have in common."""
    colours = by_colour.shape[1]
    if colours == 1:
        return 0.0
    both = np.einsum("nad,nbd->ab", by_colour, by_colour)
    across = (both.sum() - np.trace(both)) / (colours - 1)
    return float(np.clip(across / np.trace(both), 0.0, 0.9))


def pattern_excess(fits: FloatArray, spread: Spread, patterns: FloatArray, floor: float, /) -> FloatArray:
    """Return the variances (t,) by which amounts of patterns (d, t) scatter more over units left out than
    what is known of the others and a `floor`, the variance of a coordinate, px^2, explain.
    """
    found, claimed = np.zeros((len(fits), patterns.shape[1])), np.zeros(patterns.shape[1])
    for out in left_out(len(fits)):
        mean, directions = principal(np.delete(fits, out, axis=0), len(spread.variance))
        solved = _solved(directions, spread.variance, floor, patterns)
        told = np.einsum("dt,dt->t", patterns, solved)
        found[out] = ((fits[out] - mean) @ solved) / told
        claimed += len(out) / len(fits) / told
    return np.asarray(np.maximum(np.mean(found**2, axis=0) - claimed, 0.0))


def _solved(directions: FloatArray, variance: FloatArray, floor: float, side: FloatArray) -> FloatArray:
    """Return S^-1 times `side` (d, k), S = sum of variances of directions + floor."""
    along = directions.T @ side
    shrunk = variance[: len(along)] / (variance[: len(along)] + floor)
    return np.asarray((side - directions @ (shrunk[:, None] * along)) / floor)


def motion_excess(
    fits: Sequence[FloatArray],
    spreads: Sequence[Spread],
    motions: Sequence[FloatArray],
    floors: Sequence[float],
    own: FloatArray,
    /,
) -> FloatArray:
    """Return the covariance (m, m) by which motions that all channels share are surer of a unit than they
    should be, from units left out.

    Parameters
    ----------
    fits, spreads, motions : of every channel (n, d), `Spread`, (d, m)
    floors : of every channel
        Variance of a coordinate that a capture of a few positions leaves, px^2.
    own : (m, m) float array
        Covariance of the motions that the earlier captures had themselves.
    """
    count, size = len(fits[0]), motions[0].shape[1]
    found, claimed = np.zeros((count, size)), np.zeros((size, size))
    turns = left_out(count)
    for out in turns:
        matrix, side = np.zeros((size, size)), np.zeros((size, len(out)))
        for every, spread, motion, floor in zip(fits, spreads, motions, floors, strict=True):
            mean, directions = principal(np.delete(every, out, axis=0), len(spread.variance))
            solved = _solved(directions, spread.variance, floor, motion)
            matrix += motion.T @ solved
            side += solved.T @ (every[out] - mean).T
        found[out] = np.linalg.solve(matrix, side).T
        claimed += np.linalg.inv(matrix) * (len(out) / count)
    excess = found.T @ found / count - claimed - own
    # In units of what is claimed: the part that is positive.
    lower = np.linalg.cholesky(claimed)
    inverse = np.linalg.inv(lower)
    values, vectors = np.linalg.eigh(inverse @ excess @ inverse.T)
    root = lower @ vectors * np.sqrt(np.maximum(values, 0.0))
    return np.asarray(root @ root.T)
