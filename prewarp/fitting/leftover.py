"""What a fit may be off by: noise, and what the choice of the simpler model left out.

Columns are looked at in the order of a nested chain, the chosen model's first, then those of a wider model.
In the coordinates of the Cholesky factor L of all of them the columns are orthonormal over the samples: the
data give z = L^-1 A^T W y, one number per column, the true size theta of that column plus noise. The chosen
fit keeps the first m and sets the others to 0, so at a place with design row a and phi = L^-1 a its error is
sum_{k <= m} noise_k phi_k - sum_{k > m} theta_k phi_k. What z says of a theta that was left out is Bayes'
rule with a prior whose size the data give (empirical Bayes; C. N. Morris, J. Am. Stat. Assoc. 78 (1983) 47,
from memory): coefficients of one mirror symmetry have one size, which falls by a factor per degree. So the
error of a fit has an expected part, a function of panel and pupil, and a spread about it. Noise may differ
from place to place: its variance over panel, pupil and colours is a regression on the squared residuals, and
its way into the coefficients the sandwich N^-1 (A^T V A) N^-1 (H. White, Econometrica 48 (1980) 817, from
memory).
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy import linalg

from prewarp.checks import FloatArray, IntArray
from prewarp.fitting import moments as sums
from prewarp.fitting.chebyshev import exponents_up_to
from prewarp.fitting.leastsquares import Factor, assemble, factor
from prewarp.fitting.models import JointColumns, PolynomialModel, columns_of, nested_order
from prewarp.fitting.polynomial import PolynomialFit
from prewarp.fitting.samples import Samples
from prewarp.fitting.search import LEAST_SAMPLES_PER_PARAMETER, MOST_PARAMETERS

# How many degrees beyond the chosen ones are looked at: of what colours share, of what they differ by.
BEYOND, DIFFERENCE_BEYOND = 3, 2
# Sizes that left-out coefficients may have: the variance of the lowest degree over that of a coefficient's
# noise, and by how much (natural logarithm) the variance falls per degree.
SIZES = np.exp(np.linspace(np.log(1e-3), np.log(1e5), 24))
FALLS = (0.25, 0.7, 1.5, 3.0)
# Samples that the noise's variance is learned from, at most; steps of the regression.
NOISE_SAMPLES = 30_000
NOISE_STEPS, NOISE_SETTLED = 20, 1e-3
# Parts in which the rows of a triangle are multiplied, each without its zeros.
STRIPS = 3


@dataclass(frozen=True)
class Spread:
    """Errors of the coefficients of `columns`, left-out ones among them: covariance (m, m), and what is
    expected of them (m,), or nothing.
    """

    columns: JointColumns
    covariance: FloatArray
    expected: FloatArray | None = None


def spread(fit: PolynomialFit, samples: Samples, /) -> Spread:
    """Return how far the coefficients of a fit may be off, for a model wider than the fit's own.

    Columns that were left out are off by what they truly are. The covariance is in the units of direction
    cosines, as the coefficients.
    """
    columns, chosen = _wider_columns(fit, samples)
    # Each matrix is as large as the work's largest: none is kept longer than it is asked.
    solver, variance = _factored(fit, columns)
    noise, extremes = _noise_matrix(fit, samples, columns, solver.scale)
    noise *= variance
    inverse, _ = linalg.lapack.dtrtri(solver.lower, lower=True)
    gain = np.diagonal(solver.lower)[chosen:] ** 2 / solver.scale[chosen:] ** 2
    seen, scale = solver.forward[chosen:], solver.scale
    del solver
    inverse = np.tril(inverse)
    kept, out = inverse[:chosen, :chosen], inverse[chosen:]
    normal = kept.T @ kept
    covariance, expected = np.zeros_like(noise), None
    covariance[:chosen, :chosen] = normal @ noise[:chosen, :chosen] @ normal
    del normal
    if len(out):
        # A weighted mean of the samples' variances; beyond their extremes it is rounding.
        own = np.concatenate(
            [np.sum((part @ noise[:end, :end]) * part, axis=1) for part, end in _strips(out)]
        )
        del noise
        own = np.clip(own, *(variance * extremes))
        unit = np.median(own) * np.median(scale[chosen:] ** 2)
        level, symmetry = _levels_and_symmetries(fit, columns.take(np.arange(chosen, columns.count)))
        mean, variances = _left_out(seen, own, gain * unit, level, symmetry)
        expected = (mean @ out) * scale
        out *= np.sqrt(variances)[:, None]
        for half, end in _strips(out):
            # numpy sees that this is symmetric and computes half of it.
            covariance[:end, :end] += half.T @ half
    covariance *= scale
    covariance *= scale[:, None]
    return Spread(columns, covariance, expected)


def _factored(fit: PolynomialFit, columns: JointColumns) -> tuple[Factor, float]:
    """Return the factor of the equations of some columns, without their matrix; the variance left over."""
    equations = assemble(fit.moments, columns)
    solver = factor(equations)
    rest = equations.target - np.sum(solver.forward**2)
    freedom = max(2.0 * equations.samples - columns.count, 1.0)
    variance = max(rest, 1e-15 * equations.target) / freedom
    return replace(solver, equations=equations.leading(0)), variance


def _strips(lower: FloatArray) -> Iterator[tuple[FloatArray, int]]:
    """Yield some of the last rows of a lower triangle at a time, up to where they are zero, and where."""
    rows, width = lower.shape
    edges = np.linspace(0, rows, min(STRIPS, rows) + 1).astype(int)
    for start, stop in pairwise(edges):
        end = width - rows + int(stop)
        yield lower[start:stop, :end], end


def _wider_columns(fit: PolynomialFit, samples: Samples) -> tuple[JointColumns, int]:
    """Return the columns of a wider model, the chosen ones first, and how many those are."""
    model, widest = fit.model, fit.widest
    most = min(MOST_PARAMETERS, 2.0 * samples.count / LEAST_SAMPLES_PER_PARAMETER)
    for beyond in range(BEYOND, -1, -1):
        degree = max(min(model.degree + beyond, widest.degree), model.degree)
        difference = -1
        if samples.colours > 1:
            further = min(model.difference_degree + min(beyond, DIFFERENCE_BEYOND), widest.difference_degree)
            difference = max(further, model.difference_degree)
        wider = PolynomialModel(
            degree,
            model.pupil_cost,
            fit.moments.pupil_degree,
            difference,
            model.curl_degree,
            degree,
            degree,
            model.difference_pupil_degree,
        )
        columns = columns_of(wider, samples.colours, fit.moments.pupil)
        if columns.count <= most:
            break
    else:
        wider = model
        columns = columns_of(wider, samples.colours, fit.moments.pupil)
    order, lengths = nested_order(columns, [model, wider], fit.moments.pupil)
    return columns.take(order), lengths[0]


def _noise_matrix(
    fit: PolynomialFit, samples: Samples, columns: JointColumns, scale: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return A^T W V W A in scaled columns, V the noise's variance relative to its mean; extremes of W V."""
    few, some = samples.thinned(NOISE_SAMPLES)
    relative = noise_variance(few, fit.rest_px[:, some], fit.weight[some])
    robust = fit.weight[some]
    weight = fit.metric[:, some] * robust**2 * relative
    extremes = (robust * relative)[robust > 0.5]
    moments = sums.accumulate(
        few,
        weight,
        few.cosine.T,
        degree=fit.moments.degree,
        pupil_degree=fit.moments.pupil_degree,
        product_degrees=fit.moments.product_degrees,
    )
    matrix = assemble(moments.over_cells(slice(None)), columns).matrix
    for factors in (samples.count / len(some), scale, scale[:, None]):
        matrix *= factors
    return matrix, np.array([extremes.min(), extremes.max()])


def noise_variance(samples: Samples, rest_px: FloatArray, weight: FloatArray, /) -> FloatArray:
    """Return the variance of the noise at each sample (n,), relative to its weighted mean.

    The logarithm is a polynomial of degree 2 in panel point and pupil, with a level per colour: a regression
    with gamma-distributed squares (mean of two normal squares). Each slope is held to about 1 by as much as
    one sample says: it matters to a handful of samples alone.

    Parameters
    ----------
    samples : Samples
    rest_px : (2, n) float array
        Residuals, px.
    weight : (n,) float array
        Robust weights.
    """
    square = np.mean(rest_px**2, axis=0)
    mean = float(np.average(square, weights=weight)) if weight.sum() > 0.0 else 0.0
    if mean <= 0.0:
        return np.ones(samples.count)
    middle = np.array(samples.panel_size_px) / 2.0
    place = np.column_stack(
        [(samples.pixel - middle) / samples.half_px, *samples.frame.normalised(samples.reference_mm)]
    )
    first, second = np.triu_indices(place.shape[1])
    levels = samples.colour[:, None] == np.arange(1, samples.colours)
    design = np.column_stack([np.ones(samples.count), place, place[:, first] * place[:, second], levels])
    hold = np.ones(design.shape[1])
    hold[0] = 1e-9
    normal = (design.T * weight) @ design + np.diag(hold)
    slope = np.zeros(design.shape[1])
    for _ in range(NOISE_STEPS):
        ratio = square / mean * np.exp(np.clip(-(design @ slope), -50.0, 50.0))
        step = np.linalg.solve(normal, design.T @ (weight * (ratio - 1.0)) - hold * slope)
        slope += np.clip(step, -1.0, 1.0)
        if np.abs(step).max() < NOISE_SETTLED:
            break
    variance = np.exp(np.clip(design @ slope, -50.0, 50.0))
    result: FloatArray = variance / np.average(variance, weights=weight)
    return result


def _left_out(
    seen: FloatArray, noise: FloatArray, gain: FloatArray, level: IntArray, symmetry: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Return what each left-out column truly is, given the data: mean and variance, (n,) each.

    In the orthonormal coordinates: `seen` what the data give, `noise` the variance of it from noise, `gain`
    the scale of its own, a prior of one size for coefficients of one degree. For `level` and `symmetry` see
    `_levels_and_symmetries`.
    """
    mean, variance = np.empty(len(seen)), np.empty(len(seen))
    for one in np.unique(symmetry):
        own = symmetry == one
        mean[own], variance[own] = expected_sizes(
            seen[own], noise[own], gain[own], level[own] - level[own].min()
        )
    return mean, variance


def expected_sizes(
    seen: FloatArray, noise: FloatArray, gain: FloatArray, level: IntArray, /
) -> tuple[FloatArray, FloatArray]:
    """Return mean and variance (n,) of theta given seen = theta + noise, averaged over what its size may be.

    theta is normal with the variance size * exp(-fall * level) * gain; every pair of `SIZES` and `FALLS` is
    as likely beforehand as any other.

    Parameters
    ----------
    seen, noise, gain : (n,) float arrays
        What was seen, the variance of its noise, the scale of theta's variance.
    level : (n,) int array
        Degrees above the lowest.
    """
    prior = np.array([size * np.exp(-fall * level) * gain for fall in FALLS for size in SIZES])
    total = prior + noise
    likelihood = -0.5 * np.sum(np.log(total / noise) + seen**2 * (1.0 / total - 1.0 / noise), axis=1)
    share = np.exp(likelihood - likelihood.max())
    kept = prior / total
    share /= share.sum()
    mean = (share @ kept) * seen
    return mean, share @ ((kept * seen) ** 2 + kept * noise) - mean**2


def _levels_and_symmetries(fit: PolynomialFit, columns: JointColumns) -> tuple[IntArray, IntArray]:
    """Return the degree of each column as the model counts it, and a number for its mirror symmetry (n,).

    What colours share and what they differ by, gradients and curl have numbers of their own.
    """
    pupil = fit.moments.pupil
    exponents = exponents_up_to(int(columns.panel.max(initial=0)))[columns.panel]
    level = exponents.sum(axis=1) + fit.model.pupil_cost * pupil.order[columns.pupil]
    parity = (exponents + pupil.parity[columns.pupil]) % 2
    symmetry = parity @ np.array([1, 2]) + 4 * (columns.block > 0) + 8 * pupil.is_curl[columns.pupil]
    return level, symmetry
