"""How the map of a channel and colour moves with the pupil: one low polynomial over pupil positions.

The measure that single pupil positions, their signs and units are held against.
"""

from dataclasses import dataclass

import numpy as np

from prewarp.chebyshev import (
    chebyshev_terms,
    count_of_degree,
    exponents_of_degree,
    graded_place,
    values_2d,
)
from prewarp.checking.affine import Frame, group_affine, map_length, px_per_tangent
from prewarp.checking.samples import Samples, thinned
from prewarp.checks import FloatArray, IntArray, all_of_rows, extent
from prewarp.cores import on_cores
from prewarp.frames import curvature_from_slope, reference_pupil
from prewarp.robust import robust_fit

_PANEL_DEGREES = (9, 5)  # the first that the samples carry
_PER_TERM = 3
_RIM = 1.08  # of the half panel; stray points beyond do not count
_SUBSET = 20_000
_CHUNK = 1 << 11
_BROAD = 0.05  # of its length: narrower, positions are a line, and say nothing of the slope across it
_MOST_PER_GROUP = 1200  # more say nothing more of a group's affine map


@dataclass(frozen=True, eq=False)
class PanelMap:
    """A polynomial over the panel common to all pupil positions."""

    frame: Frame
    exponents: IntArray
    coefficient: FloatArray

    def __call__(self, pixel: FloatArray) -> FloatArray:
        """Return tangents (n, 2) of panel points (n, 2), made in chunks that fit into a core's cache."""
        degree = int(self.exponents.sum(axis=1).max())
        table = np.zeros((2, count_of_degree(degree)))
        table[:, graded_place(self.exponents)] = self.coefficient.T
        result = np.empty((len(pixel), 2))
        for start in range(0, len(pixel), _CHUNK):
            part = slice(start, start + _CHUNK)
            u, v = np.clip(self.frame(pixel[part]), -_RIM, _RIM).T
            result[part] = (table @ values_2d(u, v, degree)).T
        return result


@dataclass(frozen=True, eq=False)
class PupilTrend:
    """How the maps of one channel and colour move with the pupil.

    `shift` (2, 2) is d(tx, ty)/d(x, y) at the panel's middle, per mm; `shift_error` its standard error.
    """

    pair: int
    groups: IntArray  # (k,) group codes
    length_px: FloatArray  # (k,) difference of each group from the trend
    shift: FloatArray
    shift_error: float
    coefficient: FloatArray
    exponents: IntArray
    middle_mm: FloatArray
    half_mm: FloatArray
    panel: PanelMap

    @property
    def curvature_dioptres(self) -> FloatArray:
        """Return the curvature (2, 2) of the wavefront from the panel's middle: half its trace is 1/L."""
        return curvature_from_slope(self.panel(self.panel.frame.middle[None])[0], self.shift)

    def predicted(self, position_mm: FloatArray) -> FloatArray:
        """Return maps (..., 2, 3) of the trend at reference positions (..., 2), clipped a little beyond."""
        w = np.clip((position_mm - self.middle_mm) / self.half_mm, -1.5, 1.5)
        terms = chebyshev_terms(w.reshape(-1, 2), self.exponents)
        return (terms @ self.coefficient).reshape(*w.shape[:-1], 2, 3)


def pupil_trends(
    samples: Samples, frame: Frame, whole: FloatArray, skip: np.ndarray, places: dict[int, int]
) -> dict[int, PupilTrend]:
    """Fit a low polynomial over the pupil to the maps of each channel and colour with five positions or more.

    First a panel polynomial common to all positions is taken out, so that groups with different panel points
    compare. `whole` (g, 2, 3) are the groups' affine maps of tangents; `places` by pair what a panel
    polynomial rests on.
    """
    samples = thinned(samples, _MOST_PER_GROUP)
    rest = np.zeros_like(samples.tangent)
    usable = ~skip[samples.group]

    def fit(pair: int) -> PanelMap | None:
        index = np.flatnonzero(samples.pair == pair)
        fitted = _fit_panel(samples, frame, index[usable[index]], places[pair])
        if fitted is not None:
            rest[index] = samples.tangent[index] - fitted(samples.pixel[index])
        return fitted

    pairs = samples.pairs.tolist()
    fits = on_cores(fit, pairs)
    panel = {pair: fitted for pair, fitted in zip(pairs, fits, strict=True) if fitted is not None}
    maps = group_affine(samples, frame, rest, rounds=2)
    known = np.isfinite(maps).all(axis=(1, 2)) & ~skip
    trends = {}
    for pair, panel_map in panel.items():
        groups = np.flatnonzero(known & (samples.group_pair == pair))
        if len(groups) >= 5:
            trends[pair] = _trend(samples, frame, pair, groups, maps[groups], whole[groups], panel_map)
    return {pair: trend for pair, trend in trends.items() if trend is not None}


def _fit_panel(samples: Samples, frame: Frame, index: IntArray, places: int) -> PanelMap | None:
    """Fit the panel polynomial together with the movement with the pupil, else noise to it."""
    w = frame(samples.pixel[index])
    inside = all_of_rows(np.abs(w) < _RIM)
    index, w = index[inside], w[inside]
    chosen = np.linspace(0, len(index) - 1, min(len(index), _SUBSET)).astype(int)
    if not len(chosen):
        return None
    index, w = index[chosen], w[chosen]
    low, high = np.quantile(samples.reference_mm[index], (0.02, 0.98), axis=0)
    pupil = (samples.reference_mm[index] - (low + high) / 2.0) / np.maximum((high - low) / 2.0, 1e-9)
    place = np.concatenate([w, np.clip(pupil, -1.5, 1.5)], axis=1)
    for degree in _PANEL_DEGREES:
        exponents = exponents_of_degree(degree, 4)
        still = exponents[:, 2:].sum(axis=1) == 0
        moves = (exponents[:, 2:].sum(axis=1) <= 2) & (exponents[:, :2].sum(axis=1) <= 1)
        exponents = exponents[still | moves]
        still = exponents[:, 2:].sum(axis=1) == 0
        if places >= _PER_TERM * still.sum() and len(index) >= _PER_TERM * len(exponents):
            fit = robust_fit(chebyshev_terms(place, exponents), samples.tangent[index], reject=False)
            return PanelMap(frame, exponents[still, :2], fit.coefficient[still])
    return None


def _reference(samples: Samples, groups: IntArray, whole: FloatArray) -> FloatArray:
    pupil = samples.pupils_mm[samples.group_pupil[groups]]
    return reference_pupil(whole[:, :, 0], pupil)


def _breadth(position: FloatArray) -> float:
    """Return how far positions (k, 2) of any unit reach to the side of the line nearest to them, over its
    length.
    """
    away = position - position.mean(axis=0)
    length, across = np.abs(away @ np.linalg.svd(away, full_matrices=False)[2].T).max(axis=0)
    return float(across / max(length, 1e-300))


def _trend(
    samples: Samples,
    frame: Frame,
    pair: int,
    groups: IntArray,
    maps: FloatArray,
    whole: FloatArray,
    panel: PanelMap,
) -> PupilTrend | None:
    position = _reference(samples, groups, whole)
    if _breadth(position) < _BROAD:
        return None
    low, high = extent(position)
    middle, half = (low + high) / 2.0, np.maximum((high - low) / 2.0, 1e-9)
    w = (position - middle) / half
    for degree in (2, 1):
        exponents = exponents_of_degree(degree)
        design = chebyshev_terms(w, exponents)
        if len(groups) >= 1.6 * len(exponents) and np.linalg.matrix_rank(design, tol=1e-3) == len(exponents):
            break
    else:
        return None
    fit = robust_fit(design, maps.reshape(len(maps), 6))
    slope = np.stack(
        [fit.coefficient[list(map(tuple, exponents)).index(one), [0, 3]] for one in ((1, 0), (0, 1))], axis=1
    )
    error = fit.scale * float(np.sqrt(np.diag(fit.covariance)[1:3].max()))
    return PupilTrend(
        pair=pair,
        groups=groups,
        length_px=map_length(fit.residual.reshape(-1, 2, 3))
        * px_per_tangent(np.median(whole, axis=0), frame),
        shift=slope / half,
        shift_error=error / float(half.min()),
        coefficient=fit.coefficient,
        exponents=exponents,
        middle_mm=middle,
        half_mm=half,
        panel=panel,
    )
