"""What a unit is, from few camera positions: the posterior of its coefficients, in closed form.

y = B x + e, x of unit normal prior, e noise of sigma px a component: Lambda = 1 + B'WB / sigma^2, mean
Lambda^-1 B'Wy / sigma^2, covariance Lambda^-1. Noise is what neighbouring dots do not share (what smooth
functions of a view leave), so no stated noise is trusted, and a unit that the family does not hold does not
pass for a noisy one. Dots that lie off are weighed down.

What a family's modes leave of units (`family.Remainder`) is noise that dots share: the smooth functions of
all views of a channel have the covariance sigma^2 + R, and their rows are whitened by it. It is nothing in a
family from a design.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import linalg

from prewarp.chebyshev import count_of_degree, values_2d
from prewarp.checks import FloatArray
from prewarp.line.rows import View
from prewarp.robust import redescending_weight, sigma_of_lengths

# Smooth functions of a view: degree at most, and a quarter of the dots at most.
SMOOTH_DEGREE = 8
_ROUNDS = 3
# The slope of a mode is that good, px a sigma. What many dots say of less than that is not a unit's: noise is
# not taken for less than this times the root of their numbers.
SLOPE_PX = 1e-4
# Until it is known.
_FIRST_NOISE_PX = 0.05


@dataclass(frozen=True, eq=False)
class Equations:
    """Sums of all views for weights: `matrix` (k, k) B'WB, `side` (k,) B'Wy, `square` y'Wy, `count` numbers;
    and the same of the smooth parts alone.
    """

    matrix: FloatArray
    side: FloatArray
    square: float
    count: int


@dataclass(frozen=True, eq=False)
class FigureScore:
    """Score of figure terms when everything else keeps its prior: `slope` (t,) of the logarithm of the
    likelihood at none, `curvature` (t,) its expected square; both for a step of the term.
    """

    slope: FloatArray
    curvature: FloatArray


@dataclass(frozen=True, eq=False)
class Estimate:
    """A unit's unknowns.

    `mean` (k,), `covariance` (k, k): posterior in prior sigmas, coefficients of the family first, then six
    numbers a camera position. `noise_px`: sigma of one component of a dot. `smooth`: sums over what is smooth
    in the views, for the flags; `rest_share`: of its energy, what the modes' remainder is expected to have.
    `outliers`: dots weighed below one half; `dots`: all. `figure`: by channel, what the dots say of figure
    terms that no mode holds.
    """

    mean: FloatArray
    covariance: FloatArray
    noise_px: float
    smooth: Equations
    rest_share: float
    outliers: int
    dots: int
    figure: Mapping[str, FigureScore]


def estimate(views: Sequence[View], unknowns: int, /) -> Estimate:
    """Return the posterior of a unit from its views, of `unknowns` unknowns in prior sigmas."""
    weights = [np.ones(len(view.seen.pixel)) for view in views]
    noise = _robust_noise(views, _posterior(_sums(views, weights, unknowns), _FIRST_NOISE_PX)[0])
    for turn in range(_ROUNDS + 1):
        sums = _sums(views, weights, unknowns)
        mean, covariance = _posterior(sums, noise)
        rest = [view.side - view.matrix @ mean[view.places] for view in views]
        smooths = [_smooth(view, weight) for view, weight in zip(views, weights, strict=True)]
        noise = _noise(rest, weights, smooths)
        if turn == _ROUNDS:
            break
        found = [redescending_weight(_lengths(one), noise) for one in _without_smooth(rest, weights, smooths)]
        if turn and all(np.array_equal(a > 0.5, b > 0.5) for a, b in zip(found, weights, strict=True)):
            break
        weights = found
    parts = smooth_parts(views, smooths, unknowns, noise)
    mean, covariance = _posterior(_with_remainder(sums, parts), noise)
    return Estimate(
        mean,
        covariance,
        noise,
        _smooth_sums(parts, unknowns),
        _rest_share(parts),
        int(sum((one < 0.5).sum() for one in weights)),
        sum(map(len, weights)),
        _figure_scores(views, weights, parts, mean, covariance, noise),
    )


@dataclass(frozen=True, eq=False)
class SmoothPart:
    """What is smooth in all views of a channel: `plain` and `white` (m, unknowns + 1 + t) rows of matrix,
    side and figure terms, `white` such that noise and remainder together are as noise alone. `rest`: the
    remainder's share of their variance.
    """

    channel: str
    plain: FloatArray
    white: FloatArray
    rest: float


def smooth_parts(
    views: Sequence[View], smooths: Sequence[FloatArray], unknowns: int, noise_px: float, /
) -> list[SmoothPart]:
    """Return the smooth parts of all channels, for smooth functions (n, f) of every view."""
    parts = []
    for name in dict.fromkeys(view.seen.channel for view in views):
        rows, rests, colours, common = [], [], list[str](), 0.0
        for view, smooth in zip(views, smooths, strict=True):
            if view.seen.channel != name:
                continue
            known, terms = view.matrix.shape[1], view.figure.shape[1]
            everything = np.column_stack([view.matrix, view.side, view.figure, view.rest])
            pairs = everything.reshape(len(smooth), -1)
            seen = (smooth.T @ pairs).reshape(2 * smooth.shape[1], -1)
            whole = np.zeros((len(seen), unknowns + 1 + terms))
            whole[:, view.places] = seen[:, :known]
            whole[:, unknowns:] = seen[:, known : known + 1 + terms]
            rows.append(whole)
            rests.append(seen[:, known + 1 + terms :])
            colours += [view.seen.colour] * len(seen)
            common = view.common
        plain, rest = np.concatenate(rows), np.concatenate(rests)
        if rest.shape[1] == 0:
            parts.append(SmoothPart(name, plain, plain, 0.0))
            continue
        of = np.array(colours)
        spread = (rest @ rest.T) * ((of[:, None] == of) + common**2)
        share = float(np.trace(spread))
        spread[np.diag_indices_from(spread)] += noise_px**2
        lower = linalg.cholesky(spread, lower=True, check_finite=False)
        white = noise_px * linalg.solve_triangular(lower, plain, lower=True, check_finite=False)
        parts.append(SmoothPart(name, plain, white, share / float(np.trace(spread))))
    return parts


def _with_remainder(sums: Equations, parts: Sequence[SmoothPart]) -> Equations:
    """Return the sums with what is smooth whitened."""
    unknowns = len(sums.side)
    matrix, side = sums.matrix.copy(), sums.side.copy()
    for part in parts:
        if part.rest > 0.0:
            for sign, rows in ((1.0, part.white), (-1.0, part.plain)):
                matrix += sign * (rows[:, :unknowns].T @ rows[:, :unknowns])
                side += sign * (rows[:, :unknowns].T @ rows[:, unknowns])
    return Equations(matrix, side, sums.square, sums.count)


def _rest_share(parts: Sequence[SmoothPart]) -> float:
    counts = np.array([len(part.plain) for part in parts], dtype=float)
    return float(counts @ [part.rest for part in parts] / counts.sum())


def _figure_scores(
    views: Sequence[View],
    weights: Sequence[FloatArray],
    parts: Sequence[SmoothPart],
    mean: FloatArray,
    covariance: FloatArray,
    noise_px: float,
) -> dict[str, FigureScore]:
    slope: dict[str, FloatArray] = {}
    square: dict[str, FloatArray] = {}
    cross: dict[str, FloatArray] = {}
    for view, weight in zip(views, weights, strict=True):
        name = view.seen.channel
        if name not in slope:
            terms = view.figure.shape[1]
            slope[name], square[name] = np.zeros(terms), np.zeros(terms)
            cross[name] = np.zeros((len(mean), terms))
        weighted = view.figure * (np.repeat(weight, 2) / noise_px**2)[:, None]
        slope[name] += weighted.T @ (view.side - view.matrix @ mean[view.places])
        square[name] += np.einsum("nt,nt->t", weighted, view.figure)
        cross[name][view.places] += view.matrix.T @ weighted
    unknowns = len(mean)
    for part in parts:
        if part.rest > 0.0:
            name = part.channel
            for sign, rows in ((1.0, part.white), (-1.0, part.plain)):
                own, terms = rows[:, :unknowns], rows[:, unknowns + 1 :]
                weighted = (sign / noise_px**2) * terms
                slope[name] += weighted.T @ (rows[:, unknowns] - own @ mean)
                square[name] += np.einsum("nt,nt->t", weighted, terms)
                cross[name] += own.T @ weighted
    return {
        name: FigureScore(
            slope[name], square[name] - np.einsum("kt,kt->t", cross[name], covariance @ cross[name])
        )
        for name in slope
    }


def _sums(views: Sequence[View], weights: Sequence[FloatArray], unknowns: int) -> Equations:
    matrix, side, square, count = np.zeros((unknowns, unknowns)), np.zeros(unknowns), 0.0, 0
    for view, weight in zip(views, weights, strict=True):
        twice = np.repeat(weight, 2)
        weighted = view.matrix * twice[:, None]
        matrix[np.ix_(view.places, view.places)] += view.matrix.T @ weighted
        side[view.places] += weighted.T @ view.side
        square += float(twice @ view.side**2)
        count += int(2 * (weight > 0.0).sum())
    return Equations(matrix, side, square, count)


def _posterior(sums: Equations, noise_px: float) -> tuple[FloatArray, FloatArray]:
    precision = sums.matrix / noise_px**2
    precision[np.diag_indices_from(precision)] += 1.0
    factor = linalg.cho_factor(precision, lower=True, check_finite=False)
    covariance = linalg.cho_solve(factor, np.eye(len(precision)), check_finite=False)
    return covariance @ (sums.side / noise_px**2), covariance


def _robust_noise(views: Sequence[View], mean: FloatArray) -> float:
    rest = [_lengths(view.side - view.matrix @ mean[view.places]) for view in views]
    lengths = np.concatenate(rest)
    return max(sigma_of_lengths(lengths), _least_noise(2.0 * len(lengths)))


def _least_noise(numbers: float) -> float:
    return SLOPE_PX * float(np.sqrt(numbers))


def _lengths(rest: FloatArray) -> FloatArray:
    pairs = rest.reshape(-1, 2)
    return np.hypot(pairs[:, 0], pairs[:, 1])


def _smooth(view: View, weight: FloatArray) -> FloatArray:
    """Return smooth functions (n, f) of a view's dots, orthonormal under the weights."""
    pixel = view.seen.pixel
    degree = SMOOTH_DEGREE
    while degree > 0 and 4 * count_of_degree(degree) > len(pixel):
        degree -= 1
    low, high = pixel.min(axis=0), pixel.max(axis=0)
    u, v = ((2.0 * pixel - low - high) / np.maximum(high - low, 1e-9)).T
    root = np.sqrt(weight)
    basis = values_2d(u, v, degree).T * root[:, None]
    orthonormal, _ = np.linalg.qr(basis)
    return orthonormal * root[:, None]


def _without_smooth(
    rest: Sequence[FloatArray], weights: Sequence[FloatArray], smooths: Sequence[FloatArray]
) -> list[FloatArray]:
    left = []
    for one, weight, smooth in zip(rest, weights, smooths, strict=True):
        pairs = one.reshape(-1, 2)
        root = np.sqrt(weight)[:, None]
        # `smooth` is sqrt(w) Q; what it explains of a weighted residual is Q Q' sqrt(w) r.
        plain = np.divide(smooth, root, out=np.zeros_like(smooth), where=root > 0.0)
        fitted = plain @ (smooth.T @ pairs)
        left.append(
            (pairs - np.divide(fitted, root, out=np.zeros_like(fitted), where=root > 0.0)).reshape(-1)
        )
    return left


def _noise(rest: Sequence[FloatArray], weights: Sequence[FloatArray], smooths: Sequence[FloatArray]) -> float:
    total, freedom = 0.0, 0.0
    for one, weight, smooth in zip(_without_smooth(rest, weights, smooths), weights, smooths, strict=True):
        total += float(np.repeat(weight, 2) @ one**2)
        freedom += 2.0 * float(weight.sum() - smooth.shape[1])
    numbers = 2.0 * sum(map(len, weights))
    return max(float(np.sqrt(total / max(freedom, 1.0))), _least_noise(numbers))


def _smooth_sums(parts: Sequence[SmoothPart], unknowns: int) -> Equations:
    """Return the sums over the smooth parts of all views: as many numbers as smooth functions, twice."""
    matrix, side, square, count = np.zeros((unknowns, unknowns)), np.zeros(unknowns), 0.0, 0
    for part in parts:
        own, seen = part.white[:, :unknowns], part.white[:, unknowns]
        matrix += own.T @ own
        side += own.T @ seen
        square += float(seen @ seen)
        count += len(seen)
    return Equations(matrix, side, square, count)
