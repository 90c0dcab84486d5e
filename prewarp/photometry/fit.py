"""Fitting luminance maps to a grid's column `luminance`: positive, smooth, deaf to outliers and vignetting.

Gauss-Newton on `sum w (y - exp(B c))^2`: the noise of a camera is even in light, not in its logarithm, and
samples at or below zero (dark frame subtracted) need no special care. Degrees are those of the simplest model
within one standard error of the best, judged at whole pupil positions left out.
"""

from collections.abc import Sequence

import numpy as np

from prewarp.chebyshev import count_of_degree
from prewarp.checks import BoolArray, FloatArray, IntArray
from prewarp.field.lit import LitRegion
from prewarp.fitting.chebyshev import ChebyshevPanel
from prewarp.grids import Grid
from prewarp.photometry.luminance import LuminanceFigures, LuminanceMap, LuminanceMaps
from prewarp.photometry.samples import MIN_SAMPLES, LightSamples, luminance_of, samples_of
from prewarp.photometry.vignetting import fit_edge
from prewarp.robust import sigma_of_deviations

# (panel degree, pupil degree), simplest first.
MODELS = ((1, 0), (2, 1), (3, 2), (4, 2), (6, 2), (6, 3), (8, 3))
FOLDS = 5
# A sample off the smooth map by more than this share, and by OUTLIER_SIGMAS, is left out: dark ones past the
# vignetting edge.
LEAST_STEP = 0.04
OUTLIER_SIGMAS = 5.0
# Light below this share of the channel's brightest tenth is dark, whatever the map says of it.
DARK_SHARE = 0.02
# Fewer dark samples than this share are outliers (dust, a dead pixel), not an edge.
EDGE_SHARE = 0.002
# A fifth of the half per cent that a seam may show: no model needs to be better.
GOOD_ENOUGH_PERCENT = 0.1
# Models in a row that are no better, before the search ends.
_PATIENCE = 2
_PASSES = 4
_CHOICE_SAMPLES = 4000
_CHUNK = 8192
# Weight of samples below the map while its first shape is found: the plateau must not lean toward the edge.
_BELOW = 0.02
_RIDGE = 1e-10
# Change of log T that no longer matters.
_SETTLED = 1e-6


def fit_luminance(
    grid: Grid, /, *, panel_sizes_px: dict[str, tuple[int, int]], channels: Sequence[str] | None = None
) -> LuminanceMaps:
    """Fit a luminance map for every channel and colour of a grid.

    Parameters
    ----------
    grid : Grid
        With the column `luminance`: relative, linear light at full drive, the same unit for all channels.
    panel_sizes_px : dict
        Width and height by channel, px.
    channels : sequence of str, optional
        Which to fit; all of `panel_sizes_px` that the grid holds if not given.

    Returns
    -------
    LuminanceMaps

    Raises
    ------
    FitError
        The grid has no such column, or a channel and colour has too few finite samples, or none above zero.
    """
    luminance_of(grid)
    names = [name for name in (channels or grid.channel_names) if name in panel_sizes_px]
    maps = {}
    for channel in names:
        for colour in grid.select(channel=channel).colour_names:
            part = grid.select(channel=channel, colour=colour)
            maps[channel, colour] = _fit_one(part, channel, colour, panel_sizes_px[channel])
    return LuminanceMaps(maps)


def _fit_one(grid: Grid, channel: str, colour: str, size_px: tuple[int, int]) -> LuminanceMap:
    samples = samples_of(grid, channel, colour, size_px)
    good, dark, spread = _sort_samples(samples)
    degrees, rms_cv = _choose_degrees(samples, good)
    # What the better model follows may bring samples back.
    good, dark, spread = _sort_samples(samples, degrees, start=(good, spread))
    coefficients = _gauss_newton(samples, good, degrees)
    edge: LitRegion | None = None
    if dark.mean() > EDGE_SHARE:
        edge = fit_edge(samples, ~dark)
        # Dark samples well inside the edge are faults; they are named, and the edge stays.
        dark &= edge.values(samples.place.T) <= 0.0
    used = np.flatnonzero(good)
    fitted = np.exp(_predicted(samples, used, degrees, coefficients))
    residual = samples.light[used] / fitted - 1.0
    faults = ~good & ~dark if edge is not None else ~good
    figures = LuminanceFigures(
        samples=len(samples.light),
        beyond_edge=int(dark.sum()) if edge is not None else 0,
        outlier_rows=tuple(int(row) for row in np.sort(samples.row[faults])),
        panel_degree=degrees[0],
        pupil_degree=degrees[1],
        residual_rms_percent=float(100.0 * np.sqrt(np.mean(residual**2))),
        cross_validated_rms_percent=rms_cv,
    )
    panel = ChebyshevPanel(size_px, degrees[0])
    return LuminanceMap(
        channel,
        colour,
        panel,
        samples.frame,
        degrees[1],
        coefficients.reshape(panel.count, -1),
        edge,
        figures,
        samples.take(good),
    )


def _sort_samples(
    samples: LightSamples,
    degrees: tuple[int, int] | None = None,
    *,
    start: tuple[BoolArray, float] | None = None,
) -> tuple[BoolArray, BoolArray, float]:
    """Return which samples are good (n,), which dark (n,), and sigma of the good as a share of the map."""
    degrees = degrees or _allowed(samples)[min(2, len(_allowed(samples)) - 1)]
    light = samples.light
    high = np.quantile(light, 0.9)
    everything = np.arange(len(light))
    if start is None:
        good, spread = _plateau(samples, degrees, light > DARK_SHARE * high)
    else:
        good, spread = start
    ratio = light
    for _ in range(_PASSES):
        coefficients = _gauss_newton(samples, good, degrees, steps=1)
        ratio = light / np.exp(_predicted(samples, everything, degrees, coefficients))
        spread = sigma_of_deviations(ratio[good] - 1.0)
        step = max(LEAST_STEP, OUTLIER_SIGMAS * spread)
        before, good = good, np.abs(ratio - 1.0) <= step
        if np.array_equal(before, good) or good.sum() < MIN_SAMPLES:
            break
    good = good if good.sum() >= MIN_SAMPLES else before
    return good, ~good & (ratio < 1.0), spread


def _plateau(
    samples: LightSamples, degrees: tuple[int, int], candidates: BoolArray
) -> tuple[BoolArray, float]:
    """Return the samples near the upper envelope of the light: expectiles of its logarithm.

    W. K. Newey, J. L. Powell, Econometrica 55 (1987) 819, from memory: weights differ above and below the
    fit.
    """
    part = _some(np.flatnonzero(candidates))
    basis = samples.basis(part, *degrees)
    log_light = np.log(samples.light[part])
    weight = np.ones(len(part))
    residual = log_light
    for _ in range(12):
        coefficients = _solve((basis * weight) @ basis.T, basis @ (weight * log_light))
        residual = log_light - coefficients @ basis
        weight = np.where(residual > 0.0, 1.0, _BELOW)
    # Residuals sit mostly below the envelope by a few sigma: their upper half says how much noise there is.
    middle = np.quantile(residual, 0.6)
    spread = max(sigma_of_deviations(residual[residual >= middle] - middle), 1e-6)
    expected = _predicted(samples, np.arange(len(samples.light)), degrees, coefficients) + middle
    step = max(2.0 * LEAST_STEP, OUTLIER_SIGMAS * spread)
    good = candidates & (np.abs(samples.light / np.exp(expected) - 1.0) <= step)
    return good, spread


def _gauss_newton(
    samples: LightSamples, good: BoolArray, degrees: tuple[int, int], *, steps: int = 4
) -> FloatArray:
    """Return coefficients of log T that minimise the squared error in light over good samples.

    The first step, least squares of the logarithm weighed by the light squared, is right to first order.
    """
    part = np.flatnonzero(good)
    light = samples.light[part]
    floor = DARK_SHARE * np.quantile(light, 0.9)
    level = np.maximum(light, floor)
    coefficients = _solve(*_normal(samples, part, degrees, np.log(level), level * level))
    for _ in range(steps - 1):
        before = coefficients
        predicted = _predicted(samples, part, degrees, coefficients)
        level = np.exp(predicted)
        wanted = predicted + (light - level) / level
        coefficients = _solve(*_normal(samples, part, degrees, wanted, level * level))
        if np.max(np.abs(coefficients - before)) < _SETTLED:
            break
    return coefficients


def _normal(
    samples: LightSamples, part: np.ndarray, degrees: tuple[int, int], wanted: FloatArray, weight: FloatArray
) -> tuple[FloatArray, FloatArray]:
    count = count_of_degree(degrees[0]) * count_of_degree(degrees[1])
    matrix, side = np.zeros((count, count)), np.zeros(count)
    for first in range(0, len(part), _CHUNK):
        chunk = slice(first, first + _CHUNK)
        root = np.sqrt(weight[chunk])
        weighted = samples.basis(part[chunk], *degrees) * root
        matrix += weighted @ weighted.T
        side += weighted @ (root * wanted[chunk])
    return matrix, side


def _predicted(
    samples: LightSamples, part: np.ndarray, degrees: tuple[int, int], coefficients: FloatArray
) -> FloatArray:
    """Return log T (n,); held within e^50 of 1, so that a poor start cannot overflow."""
    parts = [
        coefficients @ samples.basis(part[first : first + _CHUNK], *degrees)
        for first in range(0, len(part), _CHUNK)
    ]
    return np.clip(np.concatenate(parts), -50.0, 50.0)


def _solve(matrix: FloatArray, side: FloatArray) -> FloatArray:
    scale = np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    scaled = matrix / scale[:, None] / scale[None, :]
    scaled[np.diag_indices_from(scaled)] += _RIDGE
    return np.linalg.solve(scaled, side / scale) / scale


def _allowed(samples: LightSamples) -> list[tuple[int, int]]:
    """Return the models that the samples can decide: under one unknown per three samples and per position."""
    positions = len(np.unique(np.round(samples.place[2:].T, 6), axis=0))
    counts = [len(np.unique(np.round(row, 3))) for row in samples.place[2:]]
    distinct = int(samples.position.max()) + 1
    result = [
        (panel, pupil)
        for panel, pupil in MODELS
        if (pupil == 0 or (pupil < min(*counts, 64) and count_of_degree(pupil) < min(distinct, positions)))
        and count_of_degree(panel) * count_of_degree(pupil) * 3 <= len(samples.light)
    ]
    return result or [(1, 0)]


def _choose_degrees(samples: LightSamples, good: BoolArray) -> tuple[tuple[int, int], float]:
    """Return the degrees chosen by leaving out pupil positions, and the RMS error there, percent."""
    part = np.flatnonzero(good)
    part = _some(part)
    distinct = int(samples.position.max()) + 1
    # Too few positions to leave any out: leave out samples instead.
    group = samples.position[part] if distinct >= FOLDS else np.arange(len(part))
    fold = np.random.default_rng(1).permutation(int(group.max()) + 1)[group] % FOLDS
    models = _allowed(samples)
    errors: list[FloatArray] = []
    for model in models:
        errors.append(_held_out(samples, part, fold, model))
        means = [error.mean() for error in errors]
        if means[-1] <= (GOOD_ENOUGH_PERCENT / 100.0) ** 2 or np.argmin(means) < len(means) - _PATIENCE:
            break
    best = int(np.argmin(means))
    chosen = next(
        place for place in range(best + 1) if _within_one_standard_error(errors[place], errors[best])
    )
    return models[chosen], float(100.0 * np.sqrt(means[chosen]))


def _some(part: np.ndarray) -> np.ndarray:
    """Return at most _CHOICE_SAMPLES of these indices, the same ones every time, in order."""
    if len(part) <= _CHOICE_SAMPLES:
        return part
    return np.sort(np.random.default_rng(0).permutation(part)[:_CHOICE_SAMPLES])


def _within_one_standard_error(errors: FloatArray, best: FloatArray) -> bool:
    difference = errors - best
    return bool(difference.mean() <= difference.std(ddof=1) / np.sqrt(FOLDS))


def _held_out(
    samples: LightSamples, part: np.ndarray, fold: IntArray, degrees: tuple[int, int]
) -> FloatArray:
    """Return, per fold (FOLDS,), the mean squared relative error at its samples of a fit to all others."""
    light = np.maximum(samples.light[part], 1e-300)
    sums = [
        _normal(samples, part[fold == k], degrees, np.log(light[fold == k]), light[fold == k] ** 2)
        for k in range(FOLDS)
    ]
    matrix, side = (sum(parts) for parts in zip(*sums, strict=True))
    errors = np.empty(FOLDS)
    for k, (own_matrix, own_side) in enumerate(sums):
        coefficients = _solve(matrix - own_matrix, side - own_side)
        left = part[fold == k]
        if len(left) == 0:
            errors[k] = 0.0
            continue
        error = samples.light[left] / np.exp(_predicted(samples, left, degrees, coefficients)) - 1.0
        errors[k] = np.mean(error**2)
    return errors
