"""Wavefront curvature from the pupil Jacobian: image distance along the ray, astigmatism, and curl."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import BoolArray, FloatArray, as_pixel, as_pupil, as_tangent, as_vectors
from prewarp.errors import ShapeError
from prewarp.frames import curvature_from_slope

if TYPE_CHECKING:
    from prewarp.field import Field


@dataclass(frozen=True)
class FocusResult:
    """Focus in some directions; all arrays (...), NaN where not `valid`.

    Parameters
    ----------
    tangent : (..., 2) float array
        The directions, tangents.
    dioptres : float array
        Mean vergence: 1/L, L the distance from pupil to virtual image along the ray; 0 at infinity, negative
        beyond it.
    astigmatism_dioptres : float array
        Difference of the two principal vergences, never negative.
    axis_deg : float array
        Direction in which the vergence is largest, 0 to 180 from the right toward up.
    curl_dioptres : float array
        What no wavefront has (Malus-Dupin): a quality figure of the fit.
    valid : bool array
        True where the channel shows the direction.
    """

    tangent: FloatArray
    dioptres: FloatArray
    astigmatism_dioptres: FloatArray
    axis_deg: FloatArray
    curl_dioptres: FloatArray
    valid: BoolArray

    @property
    def axial_dioptres(self) -> FloatArray:
        """Mean vergence (...) by the distance straight ahead, along +z from the pupil, to the image.

        A ray at the angle theta from straight ahead goes L to reach what lies L cos theta ahead. So a flat
        image at right angles to straight ahead has one value in all directions, which falls along the ray.
        """
        return np.asarray(self.dioptres * np.sqrt(1.0 + np.sum(self.tangent**2, axis=-1)))


def focus_from_slope(tangent: ArrayLike, slope: ArrayLike, /) -> FocusResult:
    """Return the focus of ray bundles from how their direction turns as the pupil moves.

    Parameters
    ----------
    tangent : (..., 2) float array
        Directions, tangents, eye frame.
    slope : (..., 2, 2) float array
        d(tx, ty)/d(x, y) at a fixed panel point, per mm, rows tx, ty (`Field.pupil_jacobian`); NaN where
        there is none.

    Returns
    -------
    FocusResult

    Raises
    ------
    ShapeError
        The last axes are not 2, or 2 and 2.

    Notes
    -----
    From the curvature matrix of `prewarp.frames.curvature_from_slope`: for a point image 1/L times the unit
    matrix.

    References
    ----------
    Derived here. Malus-Dupin: Born and Wolf, Principles of Optics, section 3.3, from
    memory.
    """
    tangent = as_tangent(tangent)
    slope = as_vectors(slope, "slope", size=2, meaning="d(tx, ty)/d(x, y), per mm")
    if slope.ndim < 2 or slope.shape[-2] != 2:
        raise ShapeError(f"slope has shape {slope.shape}; expected (..., 2, 2): d(tx, ty)/d(x, y), per mm.")
    curvature = curvature_from_slope(tangent, slope)
    half = 0.5 * (curvature[..., 0, 0] - curvature[..., 1, 1])
    cross = 0.5 * (curvature[..., 0, 1] + curvature[..., 1, 0])
    return FocusResult(
        tangent=tangent,
        dioptres=0.5 * (curvature[..., 0, 0] + curvature[..., 1, 1]),
        astigmatism_dioptres=2.0 * np.hypot(half, cross),
        axis_deg=np.degrees(0.5 * np.arctan2(cross, half)) % 180.0,
        curl_dioptres=0.5 * (curvature[..., 0, 1] - curvature[..., 1, 0]),
        valid=np.asarray(np.isfinite(curvature).all(axis=(-2, -1))),
    )


def focus_at(field: "Field", tangent: ArrayLike, /, *, pupil_mm: ArrayLike) -> FocusResult:
    """Return the focus of one channel in directions (..., 2), tangents, from a pupil (..., 3), mm."""
    tangent = as_tangent(tangent)
    found = field.inverse(tangent, pupil_mm=as_pupil(pupil_mm))
    slope = field.pupil_jacobian(found.pixel, pupil_mm=pupil_mm)
    return focus_from_slope(np.broadcast_to(tangent, found.pixel.shape), slope)


def focus_of_panel(field: "Field", pixel: ArrayLike, /, *, pupil_mm: ArrayLike) -> FocusResult:
    """Return the focus of panel points (..., 2), px, from a pupil position (..., 3), mm."""
    pixel = as_pixel(pixel)
    return focus_from_slope(
        field.forward(pixel, pupil_mm=pupil_mm), field.pupil_jacobian(pixel, pupil_mm=pupil_mm)
    )
