"""The content picture: how its pixels lie on viewing directions, seen from the eye-box centre.

Two projections. `flat`: a flat picture, pixel positions proportional to tangents. `equidistant`: pixel
distance from the middle proportional to the angle from the middle, for fields too wide for a flat picture.
"""

from dataclasses import dataclass

import numpy as np

from prewarp.checks import FloatArray, as_pixel, as_tangent, require_range
from prewarp.errors import ModuleError

PROJECTIONS = ("flat", "equidistant")


def focal_lengths_from_tangent(tangent: FloatArray, projection: str, /) -> FloatArray:
    """Return points (..., 2) of the picture's plane, focal lengths from its middle, +y up, for tangents.

    That is the tangent itself (flat), or the angle from straight ahead in radians, along the azimuth
    (equidistant). Twin of `prewarp_plane_from_tangent` in `shaders/projection.glsl`.
    """
    if projection == "flat":
        return tangent
    radius = np.sqrt(np.sum(tangent * tangent, axis=-1, keepdims=True))
    safe = np.where(radius > 1e-9, radius, 1.0)
    return tangent * np.where(radius > 1e-9, np.arctan(radius) / safe, 1.0)


@dataclass(frozen=True)
class ContentProjection:
    """Size and projection of the content picture.

    Parameters
    ----------
    projection : str
        One of `PROJECTIONS`.
    size_px : (int, int)
        Width and height, px.
    field_x_deg : float
        Full angle across the width through the middle row, degrees. Pixels are square at the middle.
    """

    projection: str
    size_px: tuple[int, int]
    field_x_deg: float

    def __post_init__(self) -> None:
        if self.projection not in PROJECTIONS:
            raise ModuleError(
                f"content.projection is {self.projection!r}; expected one of {', '.join(PROJECTIONS)}."
            )
        for name, value in zip(("width", "height"), self.size_px, strict=True):
            require_range(value, f"content.{name}_px", 16, 32768, unit="px", error=ModuleError)
        widest = 160.0 if self.projection == "flat" else 340.0
        require_range(self.field_x_deg, "content.field_x_deg", 1.0, widest, unit="degrees", error=ModuleError)

    @property
    def focal_px(self) -> float:
        """Pixels per unit tangent (flat) or per radian (equidistant) at the middle of the picture."""
        half = np.radians(self.field_x_deg) / 2.0
        return float(self.size_px[0] / 2.0 / (np.tan(half) if self.projection == "flat" else half))

    def pixel_from_tangent(self, tangent: FloatArray, /) -> FloatArray:
        """Return content px (..., 2), v down, first pixel's centre (0.5, 0.5), for directions (..., 2)."""
        plane = focal_lengths_from_tangent(as_tangent(tangent), self.projection)
        middle = np.asarray(self.size_px) / 2.0
        result: FloatArray = middle + plane * np.array([self.focal_px, -self.focal_px])
        return result

    def tangent_from_pixel(self, pixel: FloatArray, /) -> FloatArray:
        """Return directions (..., 2) of content px (..., 2); NaN from 90 degrees on (equidistant)."""
        pixel = as_pixel(pixel)
        middle = np.asarray(self.size_px) / 2.0
        plane = (pixel - middle) / np.array([self.focal_px, -self.focal_px])
        if self.projection == "flat":
            result: FloatArray = plane
            return result
        angle = np.sqrt(np.sum(plane * plane, axis=-1, keepdims=True))
        safe = np.where(angle > 1e-9, angle, 1.0)
        scale = np.where(angle > 1e-9, np.tan(angle) / safe, 1.0)
        return np.where(angle < np.pi / 2.0, plane * scale, np.nan)
