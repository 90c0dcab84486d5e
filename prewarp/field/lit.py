"""The lit part of a panel as a function of the pupil: where rays of one channel and colour come through.

A ray is lit or dark as a whole, so what is lit is a set of rays (u, v, x0, y0), with (x0, y0) where the ray
crosses the plane z = 0: pupils at any depth join one model, as they do for directions. The border of a region
is where a polynomial of these four is zero, fitted to the samples that are there and the ones that are
missing (`prewarp.field.edges`); so it need not be convex, changes smoothly between captured pupils, and may
leave holes. What several regions share is lit.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from prewarp.chebyshev import chebyshev_terms
from prewarp.checks import FloatArray, IntArray
from prewarp.errors import ShapeError
from prewarp.fitting.pupil import PupilFrame

# Highest degree of a region.
MAX_DEGREE = 12
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
        if len(exponents) == 0 or exponents.min() < 0 or exponents.max() > MAX_DEGREE:
            raise ShapeError(f"exponents of the lit region must be 0 to {MAX_DEGREE}, one row or more.")
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


def ray_place(
    pixel: FloatArray, reference_mm: FloatArray, size_px: Sequence[int], frame: PupilFrame, /
) -> FloatArray:
    """Return u, v, x0, y0 of rays, (n, 4), each -1 .. 1 over panel and captured pupils.

    `pixel` (n, 2), px; `reference_mm` (n, 2), where the rays cross z = 0, mm, channel's own frame.
    """
    panel = 2.0 * pixel / np.asarray(size_px, dtype=float) - 1.0
    return np.concatenate([panel, np.stack(frame.normalised(reference_mm), axis=-1)], axis=1)
