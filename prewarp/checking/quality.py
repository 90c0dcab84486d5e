"""Outliers, folds and curl: what a smooth model of the measured map says about single samples and the whole."""

from collections.abc import Iterator

import numpy as np
from scipy.spatial import cKDTree

from prewarp.checking.lattice import Lattice, node_table
from prewarp.checking.result import Finding, finding
from prewarp.checking.samples import Samples, median_by
from prewarp.checking.surface import Surface
from prewarp.checks import FloatArray, IntArray
from prewarp.frames import ARCMIN_PER_RADIAN

OUTLIER_SIGMA = 7.0
_SUSPECT_SIGMA = 4.0  # looked at more closely
LEAST_OUTLIER_PX = 0.5
CURL_SIGMA = 4.0
LEAST_CURL = 0.02  # arcmin per mm; below, an eye box of 8 mm hides it under 0.2 arcmin
_CELLS = 6  # per panel side: residuals are compared with those around them
_SAMPLED = 1500
_NEIGHBOURS = 40
_FOLLOWS = 5  # panel degree from which the model follows distortion closely enough to tell single points
_COARSE = 0.1  # of the half panel: an outlier where the model does not
_PUPIL_WEIGHT = 0.03  # other pupils at the same place are nearer neighbours than other places
_LEVEL = 1e-3  # weight of "no slope, no curvature" against one neighbour at full distance
_FARTHEST = 4.0  # noise amplification beyond which reaching further excuses nothing
_MEDIAN_OF_LENGTH_2D = 1.17741


def residual_px(samples: Samples, surface: Surface, index: IntArray) -> FloatArray:
    """Return (n, 2) residuals in panel px: cosine residuals through the inverse of the model's mean Jacobian by cell."""
    residual = surface.residual(samples, index)
    chosen = index[np.linspace(0, len(index) - 1, min(len(index), _SAMPLED)).astype(int)]
    cell, count = _cells(samples, surface, chosen)
    jacobian = surface.jacobian(samples.pixel[chosen], samples.reference_mm[chosen])
    typical = np.median(jacobian, axis=0)
    by_cell = np.broadcast_to(typical, (count, 2, 2)).copy()
    for number in np.unique(cell):
        by_cell[number] = np.median(jacobian[cell == number], axis=0)
    determinant = np.linalg.det(by_cell)
    weak = np.abs(determinant) < 0.05 * abs(np.linalg.det(typical)) + 1e-300
    by_cell[weak] = typical
    inverse = np.linalg.pinv(by_cell)
    return np.einsum("nij,nj->ni", inverse[_cells(samples, surface, index)[0]], residual)


def find_outliers(
    samples: Samples, surface: Surface, index: IntArray
) -> tuple[np.ndarray, FloatArray, float]:
    """Return (n,) True for outliers, their distance in px, and the robust noise of one component in px.

    Residuals are first compared with the median of those around them in the same group; those that stand out, with a
    plane through their nearest neighbours, so that what the model cannot follow does not count.
    """
    residual = residual_px(samples, surface, index)
    cell, count = _cells(samples, surface, index)
    place = samples.group[index] * count + cell
    if np.median(np.bincount(place)[place]) < 8:  # few samples per group: pool the pupil positions
        place = cell
    local = np.stack([median_by(residual[:, axis], place) for axis in (0, 1)], axis=-1)
    distance = np.sqrt(((residual - local) ** 2).sum(axis=1))
    sigma = float(np.median(distance)) / _MEDIAN_OF_LENGTH_2D
    least = LEAST_OUTLIER_PX
    if surface.starved and surface.panel_degree < _FOLLOWS:
        least = _COARSE * float(surface.frame.half.max())
    outlier = np.zeros(len(index), dtype=bool)
    suspect = np.flatnonzero(distance > max(_SUSPECT_SIGMA * sigma, least))
    if len(suspect):
        distance[suspect], rough, reach = _from_neighbours(samples, surface, index, residual, suspect)
        limit = np.maximum(OUTLIER_SIGMA * rough, least) * reach * (2.0 if surface.starved else 1.0)
        outlier[suspect] = distance[suspect] > limit
    return outlier, distance, sigma


def _from_neighbours(
    samples: Samples, surface: Surface, index: IntArray, residual: FloatArray, suspect: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return, per suspect, its distance from a robust quadratic through its neighbours, their spread (both px), and the
    factor by which reaching from the neighbours to the suspect amplifies noise (1 amid them, several at a corner).

    What the model cannot follow, at the rim above all, is shared by neighbours on the panel and at other pupils.
    """
    w = surface.frame(samples.pixel[index])
    pupil = (samples.reference_mm[index] - surface.middle_mm) / surface.half_mm
    place = np.concatenate([w, _PUPIL_WEIGHT * pupil * surface.follows_pupil], axis=1)
    _, near = cKDTree(place).query(place[suspect], k=min(_NEIGHBOURS + 1, len(place)))
    # A repeat of the suspect itself may come first; it is the one with its own number that is left out.
    own = near == suspect[:, None]
    own[~own.any(axis=1), -1] = True
    near = near[~own].reshape(len(suspect), -1)
    offset = w[near] - w[suspect][:, None]
    # All neighbours may sit at one place (a node seen from other pupils): then they give a level, no slope.
    spacing = 2.0 / np.sqrt(surface.places)
    offset /= np.maximum(np.abs(offset).max(axis=(1, 2), keepdims=True), spacing)
    du, dv = offset[..., 0], offset[..., 1]
    basis = np.stack([np.ones_like(du), du, dv, du * du, du * dv, dv * dv], axis=-1)
    values = residual[near]
    weight = np.ones(near.shape)
    for _ in range(6):
        normal = np.einsum("sni,sn,snj->sij", basis, weight, basis)
        normal += _LEVEL * weight.sum(axis=1)[:, None, None] * np.diag([1e-9, 1.0, 1.0, 1.0, 1.0, 1.0])
        fit = np.linalg.solve(normal, np.einsum("sni,sn,snk->sik", basis, weight, values))
        length = np.sqrt(((values - basis @ fit) ** 2).sum(axis=-1))
        spread = np.median(length, axis=1) / _MEDIAN_OF_LENGTH_2D
        weight = 1.0 / (1.0 + (length / np.maximum(2.0 * spread, 1e-12)[:, None]) ** 2) ** 2
    at_suspect = np.linalg.solve(normal, np.broadcast_to(np.eye(6)[:, :1], (len(suspect), 6, 1)))[:, 0, 0]
    distance = np.sqrt(((residual[suspect] - fit[:, 0]) ** 2).sum(axis=-1))
    return distance, spread, np.minimum(np.sqrt(1.0 + np.maximum(at_suspect, 0.0)), _FARTHEST)


def _cells(samples: Samples, surface: Surface, index: IntArray) -> tuple[IntArray, int]:
    w = np.clip(surface.frame(samples.pixel[index]), -1.0, 0.999999)
    cell = np.floor((w + 1.0) / 2.0 * _CELLS).astype(np.int64)
    return cell[:, 1] * _CELLS + cell[:, 0], _CELLS * _CELLS


def outlier_finding(
    samples: Samples, pair: int, index: IntArray, distance: FloatArray, sigma: float
) -> Finding:
    """Return the finding that names the outliers `index` of a channel and colour."""
    return finding(
        "outlier",
        "warning",
        f"up to {float(distance.max()):.3g} px from their neighbours; noise is about {sigma:.2g} px.",
        "Measure these points again or delete the rows; a fit gives them little weight.",
        channel=samples.channel_of(pair),
        colour=samples.colour_of(pair),
        rows=samples.row[index],
    )


def check_folds(samples: Samples, surface: Surface, lattice: Lattice, good: np.ndarray) -> Iterator[Finding]:
    """Yield where the map turns over: lattice cells whose area has the other sign, or the model's Jacobian.

    `good` (n,) leaves out samples already found wrong.
    """
    if lattice.kind == "scattered":
        index = np.flatnonzero((samples.pair == surface.pair) & good)
        index = index[np.linspace(0, len(index) - 1, min(len(index), 6 * _SAMPLED)).astype(int)]
        area = np.linalg.det(surface.jacobian(samples.pixel[index], samples.reference_mm[index]))
    else:
        values = samples.cosine if lattice.kind == "panel" else samples.pixel
        _, table = node_table(samples, lattice)
        table = np.where((table >= 0) & good[table], table, -1)
        corners = (table[:, :-1, :-1], table[:, :-1, 1:], table[:, 1:, :-1], table[:, 1:, 1:])
        whole = np.logical_and.reduce([corner >= 0 for corner in corners])
        a, b, c, d = (corner[whole] for corner in corners)
        # Cells next to a wide gap (missing levels) have other sizes, but never another sign.
        one, two = values[d] - values[a], values[c] - values[b]
        area = one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]
        index = a
    if not len(index):
        return
    typical = float(np.median(area))
    folded = area * np.sign(typical) < -0.02 * abs(typical)
    if not folded.any():
        return
    first = index[np.flatnonzero(folded)[0]]
    u, v = samples.pixel[first]
    x, y, z = samples.pupil_mm[first]
    yield finding(
        "fold",
        "error",
        f"the map folds at u={u:.0f} v={v:.0f} px for pupil ({x:g}, {y:g}, {z:g}) mm: one direction would be seen at two "
        "panel points.",
        "Leave out the part of the panel beyond the fold, or check these points.",
        channel=samples.channel_of(surface.pair),
        colour=samples.colour_of(surface.pair),
        rows=samples.row[np.unique(index[folded])],
    )


def measure_curl(samples: Samples, surface: Surface) -> tuple[float, float] | None:
    """Return the RMS curl dqx/dy - dqy/dx over samples and what noise alone gives, arcmin per mm; None without pupils.

    At a fixed panel point direction cosines over the pupil plane are a gradient (Malus-Dupin; Born and Wolf, Principles
    of Optics, section 3.3; references 6.3), so the curl of true data is zero. Noise through the fit's covariance.
    """
    if not surface.follows_pupil:
        return None
    index = np.flatnonzero(samples.pair == surface.pair)
    index = index[np.linspace(0, len(index) - 1, min(len(index), _SAMPLED)).astype(int)]
    by_x = surface.terms(samples.pixel[index], samples.reference_mm[index], derivative=2)
    by_y = surface.terms(samples.pixel[index], samples.reference_mm[index], derivative=3)
    curl = by_y @ surface.coefficient[:, 0] - by_x @ surface.coefficient[:, 1]
    variance = sum(((by @ surface.covariance) * by).sum(axis=1) for by in (by_x, by_y)) * surface.scale**2
    inside = _away_from_rim(samples, surface, index)
    curl, variance = curl[inside], np.maximum(variance[inside], 0.0)
    return tuple(float(np.sqrt(np.mean(x))) * ARCMIN_PER_RADIAN for x in (curl * curl, variance))


def _away_from_rim(samples: Samples, surface: Surface, index: IntArray) -> np.ndarray:
    """Return True for the inner samples, where a polynomial's derivative can be trusted; all when too few."""
    panel = np.abs(surface.frame(samples.pixel[index])).max(axis=1)
    pupil = np.abs((samples.reference_mm[index] - surface.middle_mm) / surface.half_mm).max(axis=1)
    inside = (panel < 0.8) & (pupil < 0.9)
    return inside if inside.sum() >= 50 else np.ones(len(index), dtype=bool)


def curl_finding(samples: Samples, pair: int, curl: float, noise: float) -> Finding:
    """Return the finding for a curl beyond noise."""
    return finding(
        "curl",
        "warning",
        f"curl of the directions over the pupil is {curl:.3g} arcmin/mm; noise explains {noise:.2g} (Malus-Dupin: it is "
        "zero for one panel point seen from all positions).",
        "Check that pupil axes and direction axes are parallel, that no capture is turned, and that positions are right.",
        channel=samples.channel_of(pair),
        colour=samples.colour_of(pair),
    )
