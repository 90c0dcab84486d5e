"""The mean square error of the panel point over panel and pupil, from that of a polynomial's coefficients."""

from dataclasses import replace
from typing import cast

import numpy as np
from scipy.ndimage import convolve1d
from scipy.spatial import ConvexHull

from prewarp.checks import BoolArray, FloatArray, IntArray
from prewarp.fitting.chebyshev import ChebyshevPanel
from prewarp.fitting.expansion import Expansion
from prewarp.fitting.leftover import Spread
from prewarp.fitting.polynomial import PolynomialFit
from prewarp.fitting.samples import Samples

# Weights of a node and its neighbours in a mean over the waves of what was left out.
WAVE = np.array([0.25, 0.5, 0.25])
# Panel points this far outside the samples' hull count as covered. Pixels.
COVER_SLACK_PX = 1e-6
# No error is stated below this. Pixels.
LEAST_PX = 1e-12


def to_panel(expansion: Expansion, pixel: FloatArray, reference_mm: FloatArray, /) -> FloatArray:
    """Return J^-1 (pupils, n, 2, 2), px per direction cosine, for pupil positions (pupils, 2) mm."""
    _, *inner = expansion.panel.sums_and_slopes(pixel, expansion.coefficients)
    pupil = expansion.frame.values(reference_mm, expansion.pupil_degree)
    slope = np.stack([np.moveaxis(one, 1, 2) @ pupil for one in inner])
    return np.asarray(np.linalg.inv(slope.transpose(3, 2, 1, 0)), dtype=np.float64)


def polynomial_variance(
    fit: PolynomialFit,
    coefficients: Spread,
    expansions: tuple[Expansion, ...],
    samples: Samples,
    pixel: FloatArray,
    reference_mm: FloatArray,
    /,
) -> FloatArray:
    """Return the mean square error of the panel point in px^2, (colours, pupils, pixels).

    For panel point and pupil with design rows a (2, m): cov q = a C a^T, taken to px by J^-1; the length is
    the square root of the trace. A design row is a panel function times a pupil column, so the panel's share
    of the quadratic form, pupil column by pupil column, is the same for every pupil, and that of the columns
    that colours share the same for every colour.
    """
    columns, first = coefficients.columns, fit.expansions[0]
    panel = cast(ChebyshevPanel, first.panel)  # what a polynomial fit rests on
    table = fit.moments.pupil
    degree, _ = columns.degrees(table)
    base = replace(panel, degree=degree).values(pixel)
    at_pupil = first.frame.values(reference_mm, table.degree)
    by_axis = np.stack([table.x @ at_pupil, table.y @ at_pupil])
    weights = np.einsum("ijp,klp->pikjl", by_axis, by_axis).reshape(4 * len(reference_mm), -1)
    within = _within(samples, pixel, reference_mm)
    shared = np.flatnonzero(columns.block == 0)
    form_of_shared = _panel_form(coefficients, shared, shared, base, len(table.order))
    result = np.empty((len(expansions), len(reference_mm), len(pixel)))
    for colour, expansion in enumerate(expansions):
        own = np.flatnonzero((columns.block == colour) & (columns.block > 0))
        form = form_of_shared
        if own.size:
            between = _panel_form(coefficients, own, shared, base, len(table.order))
            form = form + between + between.swapaxes(0, 1)
            form += _panel_form(coefficients, own, own, base, len(table.order))
        covariance = (weights @ form.reshape(-1, len(pixel))).reshape(len(reference_mm), 2, 2, -1)
        turn = to_panel(expansion, pixel, reference_mm)
        half = np.matmul(turn, np.moveaxis(covariance, -1, 1))
        result[colour] = np.sum(half * turn, axis=(2, 3))
        if coefficients.expected is not None:
            used = np.concatenate([shared, own])
            mine = columns.take(used)
            error = np.zeros((base.shape[0], len(table.order)))
            np.add.at(error, (mine.panel, mine.pupil), coefficients.expected[used])
            moved = np.einsum("pnij,jnp->pni", turn, (base.T @ error) @ by_axis)
            result[colour] += _smoothed(np.sum(moved**2, axis=2), within)
    return result


def _within(samples: Samples, pixel: FloatArray, reference_mm: FloatArray) -> tuple[BoolArray, BoolArray]:
    """Return which pupil positions and which panel points lie within what the samples cover."""
    sides = ConvexHull(samples.pixel).equations
    on_panel = np.all(pixel @ sides[:, :2].T + sides[:, 2] <= COVER_SLACK_PX, axis=1)
    return np.all(np.abs(samples.frame.normalised(reference_mm)) <= 1.0 + 1e-9, axis=0), on_panel


def _smoothed(square: FloatArray, within: tuple[BoolArray, BoolArray]) -> FloatArray:
    """Return means of an expected square error (pupils, pixels) over neighbouring nodes of the map.

    What is expected of an error has a sign and lines on which it vanishes; where exactly, no one knows so
    well. Its mean square over half a wave is what counts. Between cosine-spaced nodes waves of a polynomial
    have one length. Nodes beyond what the samples cover say nothing of those within; among themselves, where
    an error rises steeply, logarithms are averaged.
    """
    across, along = round(np.sqrt(square.shape[0])), round(np.sqrt(square.shape[1]))
    shape = (across, across, along, along)
    inside = (within[0][:, None] & within[1]).reshape(shape)
    value = square.reshape(shape)
    beyond = np.exp(_over_a_wave(np.log(np.maximum(value, LEAST_PX**2))))
    known = _over_a_wave(inside.astype(float))
    result = np.where(inside, _over_a_wave(np.where(inside, value, 0.0)) / np.maximum(known, 1e-9), beyond)
    return result.reshape(square.shape)


def _over_a_wave(values: FloatArray) -> FloatArray:
    """Return weighted means over neighbouring nodes along every axis."""
    for axis in range(values.ndim):
        values = convolve1d(values, WAVE, axis=axis, mode="mirror")
    return values


def _panel_form(
    coefficients: Spread, rows: IntArray, others: IntArray, base: FloatArray, count: int
) -> FloatArray:
    """Return sum_ik P_i P_k C[(i, j), (k, l)] for pairs of pupil columns j, l, (count, count, n).

    (i, j) are the columns at `rows`, (k, l) those at `others`. The same places given twice say that it is
    symmetric: half of it is computed and mirrored.
    """
    columns, symmetric = coefficients.columns, rows is others
    rows = rows[np.argsort(columns.pupil[rows], kind="stable")]
    pupils, starts = np.unique(columns.pupil[rows], return_index=True)
    panels = base[columns.panel[rows]]
    form = np.zeros((count, count, base.shape[1]))
    for second in np.unique(columns.pupil[others]):
        inner = others[columns.pupil[others] == second]
        first = int(np.searchsorted(pupils, second)) if symmetric else 0
        low = starts[first]
        moved = coefficients.covariance[rows[low:, None], inner] @ base[columns.panel[inner]]
        moved *= panels[low:]
        form[pupils[first:], second] = np.add.reduceat(moved, starts[first:] - low, axis=0)
        if symmetric:
            form[second, pupils[first:]] = form[pupils[first:], second]
    return form
