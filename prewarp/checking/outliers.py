"""Single samples that do not belong: told from noise, and from what a smooth model cannot follow."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from prewarp.checking.result import Finding, finding
from prewarp.checking.samples import Samples
from prewarp.checking.surface import MapModel
from prewarp.checks import BoolArray, FloatArray, IntArray, lengths_of_rows
from prewarp.neighbours import nearest_others
from prewarp.robust import RAYLEIGH_MEDIAN, medians_by, sigma_of_lengths

OUTLIER_SIGMA = 7.0
LEAST_OUTLIER_PX = 0.5
BOUND_SIGMA = 5.0  # a single wrong sample may pull a mean by so much of its noise at most
_SUSPECT_SIGMA = 4.0  # looked at more closely
_CELLS = 6  # per panel side: residuals are first compared with those around them
_AROUND = 8  # samples of a cell whose middle says what is usual there
_SAMPLED = 1500
_CHUNK = 4096
_STEPS = 3
_NEIGHBOURS = 40
# What a step over half the pupil counts against one over half the panel: other pupils at the same place come
# first, both alike, or the same pupil comes first.
_PUPIL_WEIGHTS = (0.03, 0.3, 3.0)
_LEVEL = 1e-3  # weight of "no slope, no curvature" against one neighbour at full distance
_SLOPE = 1.5  # where the model's error varies this much over the neighbours, it may go on to the suspect
_FARTHEST = 4.0  # noise amplification beyond which reaching further excuses nothing
_PUPIL_CORNER, _PANEL_RIM = 0.6, 0.8  # of the half eye box, both axes, and of the half panel, either axis
FOLLOWS = 5  # panel degree from which the model follows distortion closely enough to tell single points
_COARSE = 0.1  # of the half panel: an outlier where the model does not


@dataclass(frozen=True, eq=False)
class CellScale:
    """Px per direction cosine over the panel: the inverse mean Jacobian (c, 2, 2) of each of its cells."""

    surface: MapModel
    by_cell: FloatArray

    def __call__(self, pixel: FloatArray) -> FloatArray:
        """Return (n, 2, 2) at panel points (n, 2)."""
        result: FloatArray = self.by_cell[_cells(self.surface, pixel)[0]]
        return result

    def applied(self, pixel: FloatArray, cosine: FloatArray) -> FloatArray:
        """Return differences of direction cosines (n, 2) at panel points (n, 2) as px, (n, 2)."""
        cell = _cells(self.surface, pixel)[0]
        x, y = cosine.T
        columns = [self.by_cell[:, axis, 0][cell] * x + self.by_cell[:, axis, 1][cell] * y for axis in (0, 1)]
        return np.stack(columns, axis=-1)


def cell_scale(samples: Samples, surface: MapModel, index: IntArray) -> CellScale:
    """Return the scale over the panel, from some of the samples `index`."""
    chosen = index[np.linspace(0, len(index) - 1, min(len(index), _SAMPLED)).astype(int)]
    cell, count = _cells(surface, samples.pixel[chosen])
    jacobian = surface.jacobian(samples.pixel[chosen], samples.reference_mm[chosen])
    typical = np.median(jacobian, axis=0)
    by_cell = np.broadcast_to(typical, (count, 2, 2)).copy()
    for number in np.unique(cell):
        by_cell[number] = np.median(jacobian[cell == number], axis=0)
    determinant = np.linalg.det(by_cell)
    weak = np.abs(determinant) < 0.05 * abs(np.linalg.det(typical)) + 1e-300
    by_cell[weak] = typical
    return CellScale(surface, np.asarray(np.linalg.pinv(by_cell), dtype=np.float64))


@dataclass(frozen=True, eq=False)
class Residuals:
    """Residuals of the samples `index` (n,) of a channel and colour.

    `px` (n, 2) through `scale`; `local` (n, 2) the middle of those around in
    the same group, px; `distance` (n,) px from the middle of
    those around in the same group; `sigma`, px, robust noise of one component.
    """

    index: IntArray
    scale: CellScale
    px: FloatArray
    local: FloatArray
    distance: FloatArray
    sigma: float
    told: bool = True


def measure_residuals(samples: Samples, surface: MapModel, index: IntArray) -> Residuals:
    """Return the residuals of samples `index` against the smooth model, and against those around them."""
    scale = cell_scale(samples, surface, index)
    pixel = samples.pixel[index]
    residual = scale.applied(pixel, surface.residual(samples, index))
    cell, count = _cells(surface, pixel)
    place: IntArray = samples.group[index] * count + cell
    if np.median(np.bincount(place)[place]) < _AROUND:  # few samples per group: pool the pupil positions
        place = cell
    told = bool(np.median(np.bincount(place)[place]) >= _AROUND)
    local = np.stack([medians_by(place, residual[:, axis])[place] for axis in (0, 1)], axis=-1)
    distance = lengths_of_rows(residual - local)
    return Residuals(index, scale, residual, local, distance, sigma_of_lengths(distance), told)


def bounded(residuals: Residuals, sigma: float) -> FloatArray:
    """Return residuals (n, 2) px of which none is further than `BOUND_SIGMA` sigma from those around it."""
    factor = np.minimum(1.0, BOUND_SIGMA * sigma / np.maximum(residuals.distance, 1e-300))
    result: FloatArray = residuals.local + (residuals.px - residuals.local) * factor[:, None]
    return result


def refined(samples: Samples, residuals: Residuals, sigma: float) -> FloatArray:
    """Return residuals (n, 2) px with those of samples far off taken again at the place they point to.

    The scale of a cell is some per cent off, which is too much for a sample that is 20 px off.
    """
    result = residuals.px.copy()
    far = np.flatnonzero(residuals.distance > BOUND_SIGMA * sigma)
    index, surface = residuals.index[far], residuals.scale.surface
    for _ in range(_STEPS):
        pixel = samples.pixel[index] + result[far]
        model = surface.terms(pixel, samples.reference_mm[index]) @ surface.coefficient
        result[far] += residuals.scale.applied(pixel, samples.cosine[index] - model)
    return result


def px_per_degree(samples: Samples, residuals: Residuals) -> float:
    """Return panel px per degree on the sphere: the middle one over the samples, geometric mean of both axes.

    A solid angle is dqx dqy / qz.
    """
    few = np.linspace(0, len(residuals.index) - 1, min(len(residuals.index), _SAMPLED)).astype(int)
    index = residuals.index[few]
    cosine = samples.cosine[index]
    ahead = np.sqrt(np.maximum(1.0 - (cosine * cosine).sum(axis=1), 0.0))
    squared = np.abs(np.linalg.det(residuals.scale(samples.pixel[index]))) * ahead
    return float(np.radians(np.median(np.sqrt(squared))))


def find_outliers(
    samples: Samples, surface: MapModel, residuals: Residuals, good: BoolArray
) -> tuple[BoolArray, FloatArray]:
    """Return (n,) True for outliers, and their distance in px.

    `good` (n,) leaves out those found wrong before.

    Those that stand out against others around them are compared with surfaces through their nearest
    neighbours on the panel, over the pupil and in both, so that what the model cannot follow does not count:
    it is smooth along one of these at least.
    """
    least = LEAST_OUTLIER_PX
    if surface.starved and surface.panel_degree < FOLLOWS:
        least = _COARSE * float(surface.frame.half.max())
    outlier = np.zeros(len(good), dtype=bool)
    distance = residuals.distance.copy()
    there = np.flatnonzero(good)
    suspect = np.flatnonzero(distance[there] > max(_SUSPECT_SIGMA * residuals.sigma, least))
    least *= 2.0 if surface.starved else 1.0
    for start in range(0, len(suspect), _CHUNK):
        part = suspect[start : start + _CHUNK]
        distance[there[part]], outlier[there[part]] = _stand_out(
            samples, surface, residuals.index[there], residuals.px[there], part, least
        )
    return outlier, distance


def _stand_out(
    samples: Samples,
    surface: MapModel,
    index: IntArray,
    residual: FloatArray,
    suspect: IntArray,
    least: float,
) -> tuple[FloatArray, np.ndarray]:
    """Return each suspect's distance (px) from its neighbours, and True where it stands out of every kind."""
    w = surface.frame(samples.pixel[index])
    pupil = np.clip((samples.reference_mm[index] - surface.middle_mm) / surface.half_mm, -2.0, 2.0)
    pupil = pupil * surface.follows_pupil
    distance = np.full(len(suspect), np.inf)
    least_ratio = np.full(len(suspect), np.inf)
    for pupil_weight in _PUPIL_WEIGHTS if surface.follows_pupil else _PUPIL_WEIGHTS[:1]:
        near = nearest_others(np.concatenate([w, pupil_weight * pupil], axis=1), suspect, _NEIGHBOURS)
        away, spread, reach, slope = _from_surface(surface, w, pupil, residual, suspect, near)
        ratio = away / (np.maximum(OUTLIER_SIGMA * spread, least) * reach + _SLOPE * slope)
        distance = np.where(ratio < least_ratio, away, distance)
        least_ratio = np.minimum(ratio, least_ratio)
    return distance, least_ratio > 1.0


def _from_surface(
    surface: MapModel,
    w: FloatArray,
    pupil: FloatArray,
    residual: FloatArray,
    suspect: IntArray,
    near: IntArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return distances from a robust surface, spreads, amplifications and slopes, one per suspect.

    Distance from the surface through the neighbours and their spread, px; the factor by which reaching from
    them to the suspect amplifies noise (1 amid them, several at a corner); how much the surface varies over
    them, px. The surface is quadratic on the panel and linear over the pupil.
    """
    offset = w[near] - w[suspect][:, None]
    # All neighbours may sit at one place (a node seen from other pupils): then they give a level, no slope.
    spacing = 2.0 / np.sqrt(surface.places)
    offset /= np.maximum(np.abs(offset).max(axis=(1, 2), keepdims=True), spacing)
    du, dv = offset[..., 0], offset[..., 1]
    dx, dy = np.moveaxis(pupil[near] - pupil[suspect][:, None], -1, 0)
    basis = np.stack([np.ones_like(du), du, dv, du * du, du * dv, dv * dv, dx, dy], axis=-1)
    size = basis.shape[-1]
    values = residual[near]
    weight = np.ones(near.shape)
    for _ in range(6):
        normal = np.einsum("sni,sn,snj->sij", basis, weight, basis)
        normal += _LEVEL * weight.sum(axis=1)[:, None, None] * np.diag([1e-9] + [1.0] * (size - 1))
        fit = np.linalg.solve(normal, np.einsum("sni,sn,snk->sik", basis, weight, values))
        length = np.sqrt(((values - basis @ fit) ** 2).sum(axis=-1))
        spread = np.median(length, axis=1) / RAYLEIGH_MEDIAN
        weight = 1.0 / (1.0 + (length / np.maximum(2.0 * spread, 1e-12)[:, None]) ** 2) ** 2
    level = np.broadcast_to(np.eye(size)[:, :1], (len(suspect), size, 1))
    at_suspect = np.linalg.solve(normal, level)[:, 0, 0]
    away = np.sqrt(((residual[suspect] - fit[:, 0]) ** 2).sum(axis=-1))
    slope = np.sqrt((np.ptp(basis @ fit, axis=1) ** 2).sum(axis=-1))
    return away, spread, np.minimum(np.sqrt(1.0 + np.maximum(at_suspect, 0.0)), _FARTHEST), slope


def _cells(surface: MapModel, pixel: FloatArray) -> tuple[IntArray, int]:
    w = np.clip(surface.frame(pixel), -1.0, 0.999999)
    cell = ((w + 1.0) / 2.0 * _CELLS).astype(np.int64)  # not negative, so whole numbers are the floor
    return cell[:, 1] * _CELLS + cell[:, 0], _CELLS * _CELLS


def outlier_findings(
    samples: Samples, surface: MapModel, index: IntArray, distance: FloatArray, sigma: float
) -> Iterator[Finding]:
    """Yield what names the outliers `index` of a channel and colour: a warning; a remark for the outermost.

    Where panel's rim and the pupil's corner come together, real optics may turn within one step of the
    lattice, and no neighbour lies beyond to tell that from a wrong sample.
    """
    outermost = np.zeros(len(index), dtype=bool)
    if surface.follows_pupil:
        pupil = np.abs(samples.reference_mm[index] - surface.middle_mm) / surface.half_mm
        panel = np.abs(surface.frame(samples.pixel[index])).max(axis=1)
        outermost = (pupil > _PUPIL_CORNER).all(axis=1) & (panel > _PANEL_RIM)
    for severity, chosen, text, mend in (
        (
            "warning",
            ~outermost,
            "",
            "Measure these points again or delete the rows; a fit gives them little weight.",
        ),
        (
            "remark",
            outermost,
            " at the panel's rim seen from a corner of the eye box, where the field may really "
            "change so fast",
            "Look at these points in the fit's residuals.",
        ),
    ):
        if chosen.any():
            yield finding(
                "outlier",
                severity,
                f"up to {float(distance[chosen].max()):.3g} px from their neighbours{text}; noise is about "
                f"{sigma:.2g} px.",
                mend,
                channel=samples.channel_of(surface.pair),
                colour=samples.colour_of(surface.pair),
                rows=samples.row[index[chosen]],
            )
