"""The lit part of a panel as a function of the pupil: where rays of one channel and colour come through.

A ray is lit or dark as a whole, so what is lit is a set of rays (u, v, x0, y0), with (x0, y0) where the ray
crosses the plane z = 0: pupils at any depth join one model, as they do for directions. Its border is where a
polynomial of these four is zero, fitted by logistic regression to the samples that are there and the ones
that are missing; so it need not be convex, changes smoothly between captured pupils, and may leave holes.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.special import expit

from prewarp.chebyshev import chebyshev_terms, exponents_of_degree
from prewarp.checks import BoolArray, FloatArray, IntArray
from prewarp.errors import ShapeError
from prewarp.fitting.pupil import PupilFrame

# Total degrees that are tried, and the highest degree in the pupil among them.
DEGREES = (2, 4, 6)
PUPIL_DEGREE = 2
# Pull of coefficients towards zero, per unit of squared coefficient: data without noise leave them free to
# grow for ever. The border hardly depends on it (a tenth of it moves the border by less than 0.02 spacings).
RIDGE = 1e-3
_MOST_STEPS = 60
_HALVINGS = 12
# Newton stops where a step gains less than this share of what is left.
_GAIN = 1e-4
# Distances further than this, in spacings, are not told apart.
_FARTHEST = 8.0


@dataclass(frozen=True, eq=False)
class LitRegion:
    """What of a panel is lit, for one channel and colour.

    Parameters
    ----------
    panel_size_px : (int, int)
        Width and height of the panel.
    frame : PupilFrame
        Normalisation of the reference pupil plane, channel's own frame.
    exponents : (k, 4) int array
        Chebyshev exponents of u, v, x0, y0, each normalised to -1 .. 1 over panel and captured pupils.
    coefficients : (k,) float array
        Of the polynomial whose sign says lit (positive) or dark.
    spacing_px : float
        Distance of neighbouring dots, panel px: the border is known to about so much (1-sigma, a tenth to a
        fifth of it).
    """

    panel_size_px: tuple[int, int]
    frame: PupilFrame
    exponents: IntArray
    coefficients: FloatArray
    spacing_px: float

    def __post_init__(self) -> None:
        exponents, coefficients = np.asarray(self.exponents), np.asarray(self.coefficients, dtype=float)
        if exponents.ndim != 2 or exponents.shape[1] != 4 or exponents.shape[:1] != coefficients.shape:
            raise ShapeError(
                f"exponents have shape {exponents.shape}, coefficients {coefficients.shape}; expected (k, 4) "
                "and (k,)."
            )
        if len(exponents) == 0 or exponents.min() < 0 or exponents.max() > 2 * max(DEGREES):
            raise ShapeError(f"exponents of the lit region must be 0 to {2 * max(DEGREES)}, one row or more.")
        if not np.isfinite(coefficients).all() or not 0.0 < self.spacing_px < np.inf:
            raise ShapeError("coefficients and spacing_px of the lit region must be finite, spacing above 0.")

    def values(self, place: FloatArray, /) -> FloatArray:
        """Return the log odds (n,) of being lit, above 0 inside, at places (n, 4) as of `ray_place`."""
        result: FloatArray = chebyshev_terms(place, self.exponents) @ self.coefficients
        return result

    def depth_px(self, pixel: FloatArray, reference_mm: FloatArray, /) -> FloatArray:
        """Return signed distances to the border of what is lit, px, positive where lit.

        Parameters
        ----------
        pixel : (n, 2) float array
            Panel points, px.
        reference_mm : (n, 2) float array
            Where their rays cross the plane z = 0, mm, channel's own frame.

        Notes
        -----
        The polynomial over the length of its gradient on the panel: exact at the border, to first order near
        it; cut at eight spacings.
        """
        value, steep = self.values_at(pixel, reference_mm), self.slopes_at(pixel, reference_mm)
        farthest = _FARTHEST * self.spacing_px
        depth: FloatArray = value / np.maximum(steep, np.abs(value) / farthest + 1e-300)
        return depth

    def values_at(self, pixel: FloatArray, reference_mm: FloatArray, /) -> FloatArray:
        """Return `values` (n,) at panel points and places as of `depth_px`."""
        return self.values(ray_place(pixel, reference_mm, self.panel_size_px, self.frame))

    def slopes_at(self, pixel: FloatArray, reference_mm: FloatArray, /) -> FloatArray:
        """Return how fast `values` change at most, (n,), per px; arguments as of `depth_px`."""
        place = ray_place(pixel, reference_mm, self.panel_size_px, self.frame)
        half = 0.5 * np.asarray(self.panel_size_px, dtype=float)
        slope = np.stack(
            [
                chebyshev_terms(place, self.exponents, derivative=axis) @ self.coefficients / half[axis]
                for axis in (0, 1)
            ]
        )
        return np.asarray(np.sqrt(np.sum(slope * slope, axis=0)))


def fit_lit_region(
    place: FloatArray,
    lit: BoolArray,
    /,
    *,
    panel_size_px: tuple[int, int],
    frame: PupilFrame,
    spacing_px: float,
    pupil_degree: int = PUPIL_DEGREE,
    start: LitRegion | None = None,
) -> LitRegion:
    """Fit the border between rays that are lit and rays that are dark.

    Parameters
    ----------
    place : (n, 4) float array
        u, v, x0, y0 of the rays, normalised as `ray_place` does.
    lit : (n,) bool array
        Which are lit; both kinds are needed.
    panel_size_px, frame, spacing_px
        See `LitRegion`.
    pupil_degree : int
        Highest degree in the pupil that the captured positions show, at most `PUPIL_DEGREE`.
    start : LitRegion, optional
        Region of another colour of this channel: its degree is taken, and its coefficients to begin with.

    Notes
    -----
    The total degree is the one with the least 2 (parameters - log likelihood) (Akaike, IEEE Trans. Autom.
    Control 19, 1974); Newton's method with step halving (D. R. Cox, J. R. Stat. Soc. B 20, 1958, for the
    likelihood).
    """
    if start is not None:
        terms = chebyshev_terms(place, start.exponents)
        coefficients, _ = _maximise(terms, lit, start.coefficients)
        return LitRegion(panel_size_px, frame, start.exponents, coefficients, spacing_px)
    best: tuple[float, IntArray, FloatArray] | None = None
    for degree in DEGREES:
        exponents = _exponents(degree, pupil_degree)
        # No better likelihood than certainty makes up for this many more parameters.
        if best is not None and 2.0 * len(exponents) >= best[0]:
            break
        terms = chebyshev_terms(place, exponents)
        coefficients, cost = _maximise(terms, lit, np.zeros(len(exponents)))
        score = 2.0 * (len(exponents) + cost)
        if best is None or score < best[0]:
            best = score, exponents, coefficients
    assert best is not None  # there are degrees to try
    return LitRegion(panel_size_px, frame, best[1], best[2], spacing_px)


def _exponents(degree: int, pupil_degree: int) -> IntArray:
    every = exponents_of_degree(degree, 4)
    return np.asarray(every[every[:, 2:].sum(axis=1) <= pupil_degree])


def ray_place(
    pixel: FloatArray, reference_mm: FloatArray, size_px: Sequence[int], frame: PupilFrame, /
) -> FloatArray:
    """Return u, v, x0, y0 of rays, (n, 4), each -1 .. 1 over panel and captured pupils.

    `pixel` (n, 2), px; `reference_mm` (n, 2), where the rays cross z = 0, mm, channel's own frame.
    """
    panel = 2.0 * pixel / np.asarray(size_px, dtype=float) - 1.0
    return np.concatenate([panel, np.stack(frame.normalised(reference_mm), axis=-1)], axis=1)


def _maximise(terms: FloatArray, lit: BoolArray, start: FloatArray) -> tuple[FloatArray, float]:
    """Return the coefficients of the most likely border, and minus its log likelihood."""
    sign = np.where(lit, 1.0, -1.0)

    def cost_of(coefficients: FloatArray) -> float:
        lack = np.logaddexp(0.0, -sign * (terms @ coefficients))
        return float(lack.sum() + 0.5 * RIDGE * coefficients @ coefficients)

    coefficients = start
    cost = cost_of(coefficients)
    for _ in range(_MOST_STEPS):
        chance = expit(terms @ coefficients)
        slope = terms.T @ (lit - chance) - RIDGE * coefficients
        curvature = (terms * (chance * (1.0 - chance))[:, None]).T @ terms
        curvature[np.diag_indices_from(curvature)] += RIDGE
        step = cho_solve(cho_factor(curvature), slope)
        for _ in range(_HALVINGS):
            lower = cost_of(coefficients + step)
            if lower < cost:
                break
            step = 0.5 * step
        else:
            break
        gained, coefficients, cost = cost - lower, coefficients + step, lower
        if gained < _GAIN * cost:
            break
    return coefficients, cost
