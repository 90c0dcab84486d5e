"""How sure a fit is: the 1-sigma error of the panel point, from the covariance of the coefficients."""

from dataclasses import replace
from typing import cast

import numpy as np
from scipy import linalg

from prewarp.checks import FloatArray, IntArray
from prewarp.fitting.chebyshev import ChebyshevPanel
from prewarp.fitting.expansion import Expansion, pupil_sum
from prewarp.fitting.mesh_fit import MeshFit, SplineChoice
from prewarp.fitting.models import JointColumns
from prewarp.fitting.polynomial import PolynomialFit
from prewarp.points import lattice_points

NODES = 13
# Draws from the distribution of a mesh's coefficients, with a fixed seed: a 1-sigma length is known to about
# 6 %.
DRAWS = 64


def map_nodes(size_px: tuple[int, int], /) -> tuple[FloatArray, FloatArray]:
    """Return the u and v of the certainty map's nodes, px, edge to edge."""
    return np.linspace(0.0, size_px[0], NODES), np.linspace(0.0, size_px[1], NODES)


def sigma_map(fit: PolynomialFit | MeshFit, reference_mm: FloatArray, /) -> FloatArray:
    """Return the 1-sigma length (px) of the map's error, (colours, pupils, NODES, NODES); rows index v.

    Noise alone: what the model cannot follow is not in it. Trend and splines of a mesh are taken as
    independent.

    Parameters
    ----------
    fit : PolynomialFit or MeshFit
    reference_mm : (pupils, 2) float array
        Pupil positions in the plane z = 0, mm.
    """
    if isinstance(fit, MeshFit):
        return np.hypot(_polynomial_map(fit.trend, reference_mm), _spline_map(fit, reference_mm))
    return _polynomial_map(fit, reference_mm)


def _node_pixels(size_px: tuple[int, int]) -> FloatArray:
    return lattice_points(*map_nodes(size_px))


def _spline_map(fit: MeshFit, reference_mm: FloatArray) -> FloatArray:
    """Return the map of the splines: the spread of draws from N(0, sigma^2 (N + penalty)^-1)."""
    pixel = _node_pixels(fit.expansions[0].panel.size_px)
    result = np.zeros((len(fit.expansions), len(reference_mm), len(pixel)))
    for colour, expansion in enumerate(fit.expansions):
        for choice in filter(None, (fit.shared, fit.own[colour])):
            result[colour] += _draw_variance(choice, expansion, pixel, reference_mm)
    result = fit.sigma_px[:, None, None] * np.sqrt(result)
    return result.reshape(*result.shape[:2], NODES, NODES)


def _draw_variance(
    choice: SplineChoice, expansion: Expansion, pixel: FloatArray, reference_mm: FloatArray
) -> FloatArray:
    """Return the variance of the panel point in px^2 for unit noise, (pupils, pixels)."""
    columns = choice.columns
    random = np.random.default_rng(0)
    inner = []
    for _ in range(DRAWS):
        # S = L L^T: L^-T z has the covariance S^-1.
        draw = linalg.blas.dtbsv(
            columns.band, choice.factor, random.normal(size=columns.count), lower=1, trans=1
        )
        inner.append(columns.panel.sums(pixel, columns.coefficients(draw)))
    variance = np.empty((len(reference_mm), len(pixel)))
    for place, pupil in enumerate(reference_mm):
        at_pupil = expansion.frame.values(pupil[None], columns.pupil_degree)
        error = np.stack([pupil_sum(sums, at_pupil) for sums in inner])
        _, slope = expansion.values_and_jacobian(pixel, np.broadcast_to(pupil, (len(pixel), 2)))
        moved = np.einsum("nij,djn->din", np.linalg.inv(np.moveaxis(slope, -1, 0)), error)
        variance[place] = np.mean(np.sum(moved * moved, axis=1), axis=0)
    return variance


def _polynomial_map(fit: PolynomialFit, reference_mm: FloatArray) -> FloatArray:
    """Return the map of a polynomial fit.

    For panel point and pupil with design rows a (2, m): cov q = sigma^2 a N^-1 a^T, taken to px by J^-1; the
    length is the square root of the trace. A design row is a panel function times a pupil column, so the
    panel's share of the quadratic form, pupil column by pupil column, is the same for every pupil.
    """
    first = fit.expansions[0]
    size = first.panel.size_px
    pixel = _node_pixels(size)
    panel = cast(ChebyshevPanel, first.panel)  # what a polynomial fit rests on
    base = replace(panel, degree=fit.model.degree).values(pixel)
    frame = first.frame
    table = fit.pupil
    at_pupil = frame.values(reference_mm, table.degree)
    by_axis = np.stack([table.x @ at_pupil, table.y @ at_pupil])
    inverse = fit.factor.inverse()
    result = np.empty((len(fit.expansions), len(reference_mm), len(pixel)))
    for colour, expansion in enumerate(fit.expansions):
        used = np.flatnonzero((fit.columns.block == 0) | (fit.columns.block == colour))
        pupils, form = _panel_form(inverse, fit.columns.take(used), used, base)
        for place, reference in enumerate(reference_mm):
            weights = by_axis[:, pupils, place]
            covariance = np.einsum("aj,bk,jkn->nab", weights, weights, form, optimize=True)
            _, slope = expansion.values_and_jacobian(pixel, np.broadcast_to(reference, (len(pixel), 2)))
            to_panel = np.linalg.inv(np.moveaxis(slope, -1, 0))
            variance = np.einsum("nij,njk,nik->n", to_panel, covariance, to_panel)
            result[colour, place] = fit.sigma_px[colour] * np.sqrt(np.maximum(variance, 0.0))
    return result.reshape(*result.shape[:2], NODES, NODES)


def _panel_form(
    inverse: FloatArray, columns: JointColumns, places: IntArray, base: FloatArray
) -> tuple[IntArray, FloatArray]:
    """Return pupil columns in use, and sum_ik P_i P_k N^-1[(i, j), (k, l)] for pairs of them, (j, l, n)."""
    pupils = np.unique(columns.pupil)
    own = [np.flatnonzero(columns.pupil == pupil) for pupil in pupils]
    panels = base[columns.panel]
    form = np.empty((len(pupils), len(pupils), base.shape[1]))
    for second, inner in enumerate(own):
        moved = panels * (inverse[places[:, None], places[inner]] @ panels[inner])
        for first, outer in enumerate(own):
            form[first, second] = moved[outer].sum(axis=0)
    return pupils, form
