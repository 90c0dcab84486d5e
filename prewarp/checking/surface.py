"""A smooth model of the measured map, good enough to tell single wrong samples and to take derivatives.

One polynomial of total degree in (u, v, x0, y0) per channel and colour, x0, y0 where the ray crosses z = 0,
for direction cosines. Degree: the highest that the number of samples carries. Terms without pupil may go
higher, since panels have fine structure and pupils move it but little.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from prewarp.chebyshev import chebyshev_terms, count_of_degree, exponents_of_degree, graded_place, values_2d
from prewarp.checking.affine import Frame, scaled
from prewarp.checking.samples import Samples
from prewarp.checks import BoolArray, FloatArray, IntArray, all_of_rows
from prewarp.robust import RobustFit, robust_fit

_DEGREES = ((2, 2), (3, 3), (5, 5), (7, 7), (7, 11))  # total, and of the terms without pupil
_PUPIL_DEGREE = 3
FEWEST_POSITIONS = 5  # fewer say too little of each other to hold one against the rest
_ONE_DEPTH_MM = 0.05
_SUBSET = 6000
RIM = 1.08  # of the half panel
_PER_TERM = 6  # samples per term, so that the model does not follow noise
_CHUNK = 1 << 11  # terms of so many fit into a core's cache
_PLACES_PER_TERM = 3  # places on the panel per panel term, for the same reason
_WRONG = 5.0  # times noise or tolerance: left out altogether where the model follows the map
_TOLERANCE_PX = 0.5  # misfit that may pull the model; larger residuals may be wrong samples


@dataclass(frozen=True, eq=False)
class MapModel:
    """The model of one channel and colour.

    `starved`: there are too few samples for the highest degree, so the model may not follow the map
    everywhere.
    """

    pair: int
    frame: Frame
    middle_mm: FloatArray
    half_mm: FloatArray
    exponents: IntArray
    fit: RobustFit
    places: int  # distinct places on the panel that carry it
    starved: bool = False

    @property
    def coefficient(self) -> FloatArray:
        """Return the coefficients (k, 2) of direction cosines."""
        return self.fit.coefficient

    @property
    def scale(self) -> float:
        """Return the robust residual of one cosine component."""
        return self.fit.scale

    @cached_property
    def covariance(self) -> FloatArray:
        """The covariance (k, k) of the coefficients under unit noise, of the samples that it was fitted to:
        some thousand at most, however many there are.
        """
        return self.fit.covariance

    @property
    def panel_degree(self) -> int:
        """Return the degree of the terms without pupil."""
        return int(self.exponents[:, :2].sum(axis=1).max())

    @property
    def follows_pupil(self) -> bool:
        """Return whether the model has terms in both pupil coordinates."""
        return bool((self.exponents[:, 2:].max(axis=0) > 0).all())

    def terms(
        self, pixel: FloatArray, reference_mm: FloatArray, *, derivative: int | None = None
    ) -> FloatArray:
        """Return (n, k) model terms, or derivatives by u, v (per px), x, y (per mm): `derivative` 0 to 3."""
        w = np.concatenate(
            [_clipped(self.frame(pixel)), scaled(reference_mm, self.middle_mm, self.half_mm)], axis=1
        )
        terms = chebyshev_terms(w, self.exponents, derivative=derivative)
        if derivative is None:
            return terms
        result: FloatArray = terms / (*self.frame.half, *self.half_mm)[derivative]
        return result

    def residual(self, samples: Samples, index: IntArray) -> FloatArray:
        """Return measured minus model direction cosines (n, 2) of samples `index`, in chunks.

        Panel and pupil terms are evaluated apart and joined by a dense table of coefficients, several times
        faster.
        """
        degrees = tuple(int(self.exponents[:, axes].sum(axis=1).max()) for axes in (slice(2), slice(2, 4)))
        # Rows: pupil function, then component of the cosine; columns: panel function.
        table = np.zeros((count_of_degree(degrees[1]), 2, count_of_degree(degrees[0])))
        table[graded_place(self.exponents[:, 2:]), :, graded_place(self.exponents[:, :2])] = self.coefficient
        # Terms that the pupil moves are of lower degree on the panel: the first of its functions.
        moves = self.exponents[:, 2:].any(axis=1)
        few = count_of_degree(int(self.exponents[moves, :2].sum(axis=1).max(initial=0)))
        still, moving = table[0], np.ascontiguousarray(table[1:, :, :few]).reshape(-1, few)
        result = np.empty((len(index), 2))
        for start in range(0, len(index), _CHUNK):
            part = index[start : start + _CHUNK]
            u, v = _clipped(self.frame(samples.pixel[part])).T
            x, y = scaled(samples.reference_mm[part], self.middle_mm, self.half_mm).T
            functions = values_2d(u, v, degrees[0])
            model = still @ functions
            if len(moving):
                by_pupil = (moving @ functions[: moving.shape[1]]).reshape(-1, 2, len(part))
                model += np.einsum("jin,jn->in", by_pupil, values_2d(x, y, degrees[1])[1:])
            result[start : start + _CHUNK] = samples.cosine[part] - model.T
        return result

    def jacobian(self, pixel: FloatArray, reference_mm: FloatArray) -> FloatArray:
        """Return d(qx, qy)/d(u, v) per px, (n, 2, 2), at a fixed reference position."""
        columns = [self.terms(pixel, reference_mm, derivative=axis) @ self.coefficient for axis in (0, 1)]
        return np.stack(columns, axis=-1)


def _clipped(w: FloatArray) -> FloatArray:
    """Return panel coordinates held within the rim: beyond it the polynomial says nothing."""
    return np.clip(w, -RIM, RIM)


def fit_surface(
    samples: Samples,
    frame: Frame,
    pair: int,
    good: BoolArray,
    px_per_tangent: float,
    places: int,
    *,
    coarser: bool = False,
) -> MapModel | None:
    """Fit the model of a channel and colour from samples that are `good` (n,); None with too few samples.

    `places` on the panel bound its degree there: samples at other pupils do not fill the gaps between them.
    `coarser` takes the model of the next lower total degree, to see what a result owes to the degree.
    """
    index = np.flatnonzero((samples.pair == pair) & good)
    # A stray panel point beyond the rim would pull the model hardest of all.
    index = index[all_of_rows(np.abs(frame(samples.pixel[index])) < RIM)]
    if len(index) < 30:
        return None
    reference = samples.reference_mm[index]
    low, high = np.quantile(reference, (0.001, 0.999), axis=0)
    middle, half = (low + high) / 2.0, np.maximum((high - low) / 2.0, 1e-9)
    limits = _pupil_limits(samples, pair, half)
    subset = index[np.random.default_rng(1).permutation(len(index))[:_SUBSET]]
    w = np.concatenate([frame(samples.pixel[subset]), (samples.reference_mm[subset] - middle) / half], axis=1)
    models = [
        model
        for model in _models(limits)
        if _PER_TERM * len(model) <= len(subset)
        and _PLACES_PER_TERM * len(np.unique(model[:, :2], axis=0)) <= places
    ]
    if coarser and models:
        highest = models[-1][:, 2:].any(axis=1)
        degree = models[-1][highest].sum(axis=1).max(initial=0)
        models = [
            model for model in models if model[model[:, 2:].any(axis=1)].sum(axis=1).max(initial=0) < degree
        ]
    if not models:
        return None
    exponents = models[-1]
    starved = len(models) < len(_DEGREES)
    terms, values = chebyshev_terms(w, exponents), samples.cosine[subset]
    tolerance = _TOLERANCE_PX / px_per_tangent
    fit = robust_fit(terms, values, tolerance=tolerance, reject=False)
    if not starved:
        # Where the model follows the map, what is far off is wrong and bends it all the same.
        length = np.sqrt((fit.residual**2).sum(axis=1))
        near = length < _WRONG * max(fit.scale, tolerance)
        if not near.all():
            fit = robust_fit(terms[near], values[near], tolerance=tolerance, reject=False)
    return MapModel(
        pair=pair,
        frame=frame,
        middle_mm=middle,
        half_mm=half,
        exponents=exponents,
        fit=fit,
        places=places,
        starved=starved,
    )


def _models(limits: tuple[int, int]) -> list[IntArray]:
    """Return exponents (k, 4) of the models tried, simple ones first."""
    models = []
    for degree, panel_degree in _DEGREES:
        exponents = exponents_of_degree(panel_degree, 4)
        exponents = exponents[(exponents[:, 2:] <= limits).all(axis=1)]
        pupil = exponents[:, 2:].sum(axis=1)
        models.append(exponents[(pupil == 0) | ((pupil <= max(limits)) & (exponents.sum(axis=1) <= degree))])
    return models


def _pupil_limits(samples: Samples, pair: int, half_mm: FloatArray) -> tuple[int, int]:
    """Return the highest powers of x0, y0: below the count of distinct positions on an axis, 0 when still.

    Rays from few positions of several depths cross z = 0 at places of their own: these carry slopes.
    """
    positions = samples.pupils_mm[samples.group_pupil[samples.group_pair == pair]]
    counts = [len(np.unique(np.round(positions[:, axis], 2))) for axis in (0, 1)]
    if np.ptp(positions[:, 2]) > _ONE_DEPTH_MM:
        counts = [2, 2] if len(positions) < FEWEST_POSITIONS else [max(count, 2) for count in counts]
    x, y = (min(_PUPIL_DEGREE, n - 1) if h > 0.05 else 0 for n, h in zip(counts, half_mm, strict=True))
    return x, y
