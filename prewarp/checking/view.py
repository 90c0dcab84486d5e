"""One view (a pupil position of one channel and colour) by itself: a polynomial over the panel through it."""

from dataclasses import dataclass

import numpy as np

from prewarp.chebyshev import chebyshev_terms, count_of_degree, exponents_of_degree
from prewarp.checking.outliers import BOUND_SIGMA, FOLLOWS
from prewarp.checking.patch import LEAST_NOISE_PX
from prewarp.checking.samples import Samples
from prewarp.checking.surface import RIM, MapModel
from prewarp.checks import BoolArray, FloatArray, IntArray, lengths_of_rows
from prewarp.robust import robust_fit, sigma_of_lengths

_DEGREES = (1, 2, 3, 5, 7, 9, 11)  # over the panel
_SCALE_DEGREE = 5  # of the polynomial that says how many px a direction cosine is
_WEAK = 0.05  # of the usual determinant: less says nothing
_PER_TERM = 6  # samples per term, so that the polynomial does not follow noise
_SUBSET = 6000  # samples that choose degree and coefficients
_TOLERANCE_PX = 0.5  # misfit that may pull the polynomial
_SETTLED = 1.5  # times the highest degree's score may the next lower one's be
OWN_SHARE = 0.15  # of some samples' step, that the polynomial must leave to them


@dataclass(frozen=True, eq=False)
class View:
    """A view: its samples `own` (m,), terms (m, k) of the polynomial with their (terms' terms)^-1 (k, k),
    residuals (m, 2) px, their noise, and residuals `apart` (m, 2) px from a fit that drops what is far off.
    """

    own: IntArray
    terms: FloatArray
    inverse: FloatArray
    rest: FloatArray
    sigma: float
    apart: FloatArray

    def bounded(self, kept: BoolArray | None = None) -> FloatArray:
        """Return residuals (m, 2), none longer than `BOUND_SIGMA` sigma but those `kept` (m,)."""
        values = bounded_rows(self.rest, self.sigma)
        if kept is not None:
            values[kept] = self.rest[kept]
        return values

    def fitted(self, values: FloatArray) -> FloatArray:
        """Return what the polynomial follows of values (m, 2)."""
        result: FloatArray = self.terms @ (self.inverse @ (self.terms.T @ values))
        return result

    def with_step(self, moved: BoolArray) -> tuple[FloatArray, FloatArray]:
        """Return the common step (2,) of some samples, and residuals (m, 2) from the polynomial so fitted.

        `moved` (m,); the residuals hold the step. With r those of the polynomial alone and 1 marking the
        samples the step is 1'r / (1'1 - 1'H 1), and adds H 1 step to what the polynomial leaves, H its hat
        matrix (derived here).
        """
        values = self.bounded(moved)
        followed = self.fitted(values)
        bent = self.fitted(moved[:, None].astype(float))
        free = max(float(moved.sum() - bent[moved].sum()), OWN_SHARE * float(moved.sum()))
        step: FloatArray = (values - followed)[moved].sum(axis=0) / free
        return step, self.rest - followed + bent * step

    def score(self, bound: float, moved: BoolArray | None = None) -> float:
        """Return the generalised score, px^2, of the polynomial alone or with a step of those that `moved`.

        Residuals count up to `bound`.
        """
        numbers = int(self.terms.shape[1])
        left = self.rest
        if moved is not None:
            step, left = self.with_step(moved)
            left = left - moved[:, None] * step
            numbers += 1
        squares = np.minimum(lengths_of_rows(left), bound) ** 2
        spent = 1.0 - numbers / len(left)
        return float(np.mean(squares)) / (spent * spent)


def bounded_rows(values: FloatArray, sigma: float) -> FloatArray:
    """Return values (n, 2) of which none is longer than `BOUND_SIGMA` sigma."""
    factor = np.minimum(1.0, BOUND_SIGMA * sigma / np.maximum(lengths_of_rows(values), 1e-300))
    result: FloatArray = values * factor[:, None]
    return result


def fit_views(samples: Samples, surface: MapModel, index: IntArray, own: IntArray) -> list[View]:
    """Return a view by polynomials of rising degree; none where so many samples do not carry enough of them.

    Parameters
    ----------
    samples : Samples
    surface : MapModel
        Its frame is used.
    index : (n,) int array
        Samples of the channel and colour.
    own : (m,) int array
        Those of the view, numbers into `index`.
    """
    here = index[own]
    w = np.clip(surface.frame(samples.pixel[here]), -RIM, RIM)
    few = np.random.default_rng(4).permutation(len(own))[:_SUBSET]
    degrees = [degree for degree in _DEGREES if _PER_TERM * count_of_degree(degree) <= len(few)]
    if not degrees or degrees[-1] < FOLLOWS:
        return []
    cosine = samples.cosine[here]
    to_px = _px_per_cosine(w, few, cosine, surface, min(degrees[-1], _SCALE_DEGREE))
    every = chebyshev_terms(w, exponents_of_degree(degrees[-1]))
    normal = every.T @ every
    normal[np.diag_indices_from(normal)] += 1e-12 * np.trace(normal) / len(normal)
    tolerance = _TOLERANCE_PX / float(np.sqrt(np.median(np.abs(np.linalg.det(to_px[few])))))
    views = []
    for degree in degrees:
        size = count_of_degree(degree)
        terms = every[:, :size]
        fit = robust_fit(terms[few], cosine[few], tolerance=tolerance, reject=False)
        rest = _applied(to_px, cosine - terms @ fit.coefficient)
        spent = np.sqrt(1.0 - size / len(few))
        sigma = max(sigma_of_lengths(lengths_of_rows(rest)) / spent, LEAST_NOISE_PX)
        again = robust_fit(terms[few], cosine[few])
        apart = _applied(to_px, cosine - terms @ again.coefficient)
        inverse = np.asarray(np.linalg.inv(normal[:size, :size]))
        views.append(View(own, terms, inverse, rest, sigma, apart))
    return views if _has_settled(views) else []


def simplest(views: list[View]) -> View:
    """Return the view of those of rising degree that has the least score."""
    bound = BOUND_SIGMA * views[-1].sigma
    return min(views, key=lambda view: view.score(bound))


def _has_settled(views: list[View]) -> bool:
    """Return whether higher degrees have ceased to say more: else the polynomials do not follow the map."""
    bound = BOUND_SIGMA * views[-1].sigma
    return views[-2].score(bound) < _SETTLED * views[-1].score(bound)


def _px_per_cosine(
    w: FloatArray, few: IntArray, cosine: FloatArray, surface: MapModel, degree: int
) -> FloatArray:
    """Return the inverse Jacobian (m, 2, 2) at the samples' places (m, 2), px per direction cosine."""
    exponents = exponents_of_degree(degree)
    coefficient = robust_fit(chebyshev_terms(w[few], exponents), cosine[few]).coefficient
    slopes = [
        chebyshev_terms(w, exponents, derivative=axis) @ coefficient / surface.frame.half[axis]
        for axis in (0, 1)
    ]
    jacobian = np.stack(slopes, axis=-1)
    typical = np.median(jacobian, axis=0)
    weak = np.abs(np.linalg.det(jacobian)) < _WEAK * abs(np.linalg.det(typical)) + 1e-300
    jacobian[weak] = typical
    return np.asarray(np.linalg.pinv(jacobian), dtype=np.float64)


def _applied(to_px: FloatArray, cosine: FloatArray) -> FloatArray:
    """Return differences of direction cosines (m, 2) as px, (m, 2)."""
    result: FloatArray = np.einsum("nij,nj->ni", to_px, cosine)
    return result
