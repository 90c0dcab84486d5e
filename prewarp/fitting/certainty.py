"""How sure a fit is: the 1-sigma error of the panel point over panel and pupil, as a map that a fit stores.

Noise, and what the choice of the simpler model left out (`leftover`), for a polynomial: what is expected of
that, squared and averaged over a wave, and its spread. For a mesh noise and
what its smoothness costs: the covariance (N + penalty)^-1 holds both (G. Wahba, J. R. Stat. Soc. B 45 (1983)
133, from memory).

The map lies on cosine-spaced nodes, close together at the rim, where an error rises steeply. In that angle it
is an even, periodic function, so a cubic spline of its logarithm goes between the nodes.
"""

import numpy as np
from scipy import linalg
from scipy.ndimage import map_coordinates

from prewarp.checks import FloatArray
from prewarp.fitting.expansion import Expansion, pupil_sum
from prewarp.fitting.leftover import Spread, spread
from prewarp.fitting.mesh_fit import MeshFit, SplineChoice
from prewarp.fitting.polynomial import PolynomialFit
from prewarp.fitting.polynomial_variance import LEAST_PX, polynomial_variance, to_panel
from prewarp.fitting.pupil import PupilFrame
from prewarp.fitting.samples import Samples
from prewarp.points import lattice_points
from prewarp.pupils.shown import position_keys

# Nodes along each side of the panel, beyond its edges by this share of it; pupil positions along x and y.
NODES = 25
BEYOND_PANEL = 0.03
PUPILS = 9
# The map goes beyond the captured pupils by their spacing, in half sizes of the eye box between these.
BEYOND_BOX = (0.25, 1.0)
# Draws from the distribution of a mesh's coefficients, with a fixed seed: a 1-sigma length is known to about
# 6 %.
DRAWS = 64


def map_nodes(size_px: tuple[int, int], /) -> tuple[FloatArray, FloatArray]:
    """Return the u and v of the certainty map's nodes, px, from a little before the edges to past them."""
    share = _cosine_nodes(NODES) * (0.5 + BEYOND_PANEL) + 0.5
    return share * size_px[0], share * size_px[1]


def map_pupils(frame: PupilFrame, pupil_mm: FloatArray, /) -> FloatArray:
    """Return the pupil positions (PUPILS^2, 2) of the map in the plane z = 0, mm; x runs faster.

    They reach one spacing of the captured positions (n, 3) beyond the frame.
    """
    count = len(np.unique(position_keys(pupil_mm * [1.0, 1.0, 0.0])))
    beyond = np.clip(2.0 / max(np.sqrt(count) - 1.0, 1e-9), *BEYOND_BOX)
    share = _cosine_nodes(PUPILS) * (1.0 + beyond)
    x, y = (centre + half * share for centre, half in zip(frame.centre_mm, frame.half_mm, strict=True))
    return lattice_points(x, y)


def sigma_between(
    maps: FloatArray,
    pupils_mm: FloatArray,
    size_px: tuple[int, int],
    pixel: FloatArray,
    reference_mm: FloatArray,
    /,
) -> FloatArray:
    """Return the 1-sigma length (n,), px, between the nodes of a map; NaN where the map does not reach.

    Parameters
    ----------
    maps : (pupils, nodes, nodes) float array
        1-sigma length, px, of one colour; rows index v.
    pupils_mm : (pupils, 2) float array
        As `map_pupils` makes them.
    size_px : (int, int)
        Panel width and height.
    pixel, reference_mm : (n, 2) float arrays
        Panel points, px; where the rays cross z = 0, mm.
    """
    across = round(np.sqrt(len(pupils_mm)))
    if across < 2 or across**2 != len(pupils_mm):
        return np.full(len(pixel), np.nan)
    low, high = pupils_mm[0], pupils_mm[-1]
    pupil_share = (reference_mm - (low + high) / 2.0) / ((high - low) / 2.0)
    shares = np.concatenate([pupil_share[:, ::-1], _panel_share(size_px, pixel)[:, ::-1]], axis=1)
    return _between(maps.reshape(across, across, *maps.shape[1:]), shares)


def between_nodes(values: FloatArray, size_px: tuple[int, int], pixel: FloatArray, /) -> FloatArray:
    """Return positive values (nodes, nodes) of a map at panel points (n, 2), px; NaN beyond the map."""
    return _between(values, _panel_share(size_px, pixel)[:, ::-1])


def _panel_share(size_px: tuple[int, int], pixel: FloatArray) -> FloatArray:
    """Return places (n, 2) on the panel, -1 to 1 from the map's first node to its last."""
    size = np.array(size_px, dtype=float)
    result: FloatArray = (pixel - size / 2.0) / (size * (0.5 + BEYOND_PANEL))
    return result


def _between(values: FloatArray, share: FloatArray) -> FloatArray:
    """Return positive values of cosine-spaced nodes at places (n, axes), each -1 to 1; else NaN."""
    reached = np.all(np.abs(share) <= 1.0 + 1e-9, axis=1)
    angle = np.arccos(np.clip(-np.nan_to_num(share), -1.0, 1.0)) / np.pi
    place = angle.T * (np.array(values.shape)[:, None] - 1)
    table = np.log(np.maximum(values, LEAST_PX**2))
    result: FloatArray = np.exp(map_coordinates(table, place, order=3, mode="mirror"))
    return np.where(reached, result, np.nan)


def _cosine_nodes(count: int) -> FloatArray:
    """Return -cos(k pi / (count - 1)): from -1 to 1, close together at both ends."""
    result: FloatArray = -np.cos(np.pi * np.arange(count) / (count - 1))
    return result


def sigma_map(
    fit: PolynomialFit | MeshFit,
    samples: Samples,
    reference_mm: FloatArray,
    /,
    *,
    whole: tuple[Expansion, ...] | None = None,
) -> FloatArray:
    """Return the 1-sigma length (px) of the map's error, (colours, pupils, NODES, NODES); rows index v.

    Parameters
    ----------
    fit : PolynomialFit or MeshFit
    samples : Samples
        What it was fitted to.
    reference_mm : (pupils, 2) float array
        Pupil positions in the plane z = 0, mm.
    whole : tuple of Expansion, optional
        The map whose error this is, where the fit is only of a difference to a known one.
    """
    pixel = lattice_points(*map_nodes(fit.expansions[0].panel.size_px))
    if isinstance(fit, MeshFit):
        variance = _spline_variance(fit, samples, pixel, reference_mm)
    else:
        variance = polynomial_variance(
            fit, spread(fit, samples), whole or fit.expansions, samples, pixel, reference_mm
        )
    sigma = np.sqrt(np.maximum(variance, LEAST_PX**2))
    return sigma.reshape(*sigma.shape[:2], NODES, NODES)


def _spline_variance(
    fit: MeshFit, samples: Samples, pixel: FloatArray, reference_mm: FloatArray
) -> FloatArray:
    """Return the variance of a mesh in px^2, (colours, pupils, pixels).

    What the trend has of the pupil degrees that the splines have too is theirs to correct: of the trend only
    the higher ones count.
    """
    noise = _noise_without_parameters(fit.sigma_px, fit.parameters, samples.count)
    result = np.zeros((len(fit.expansions), len(reference_mm), len(pixel)))
    for colour, expansion in enumerate(fit.expansions):
        for choice in filter(None, (fit.shared, fit.own[colour])):
            result[colour] += _draw_variance(choice, expansion, pixel, reference_mm)
    trend = fit.trend
    order = trend.moments.pupil.order
    higher = np.flatnonzero(order[trend.columns.pupil] > fit.shared.columns.pupil_degree)
    if higher.size:
        own = Spread(trend.columns.take(higher), trend.factor.inverse()[np.ix_(higher, higher)])
        result += polynomial_variance(trend, own, fit.expansions, samples, pixel, reference_mm)
    return result * noise[:, None, None] ** 2


def _noise_without_parameters(sigma_px: FloatArray, parameters: int, samples: int) -> FloatArray:
    """Return the noise (colours,) per axis, px, from that of residuals: each parameter fits some of it."""
    result: FloatArray = sigma_px / np.sqrt(max(1.0 - parameters / (2.0 * samples), 0.1))
    return result


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
    variance, turn = np.empty((len(reference_mm), len(pixel))), to_panel(expansion, pixel, reference_mm)
    for place, pupil in enumerate(reference_mm):
        at_pupil = expansion.frame.values(pupil[None], columns.pupil_degree)
        error = np.stack([pupil_sum(sums, at_pupil) for sums in inner])
        moved = np.einsum("nij,djn->din", turn[place], error)
        variance[place] = np.mean(np.sum(moved * moved, axis=1), axis=0)
    return variance
