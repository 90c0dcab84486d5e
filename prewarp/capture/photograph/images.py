"""Where a camera sees panel points, and how small patches of the panel around them are mapped.

A ray of camera direction t (the camera's own frame) through the aperture at a (mm from the entrance pupil's
middle) lands on the pixel of t + a D / 1000, D the distance in dioptres that the camera is focused on: rays
from a point that far away all land on one pixel. What a dot's light has for its centroid is the mean over the
aperture, d^2/32 times the pupil Laplacian of the field off the chief ray for a round aperture of diameter d.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from prewarp.capture.camera import Camera, pose_rotation, turned_by
from prewarp.capture.photograph.optics import Optics
from prewarp.checks import FloatArray, IntArray
from prewarp.frames import MM_PER_M

if TYPE_CHECKING:
    from prewarp.capture.plan import Photograph

# The entrance pupil walks with the direction, which is then found again: each step gains three digits.
_WALK_STEPS = 6
# Rule over the aperture for dots, and the finer one where an edge cuts part of it off.
_RULE, _CUT_RULE = 2, 5
_WHOLE = 1.0 - 1e-9
# Middles of neighbouring differences: the dot itself and eight around it, as lattice steps.
_STENCIL = np.array(
    [(0, 0), (1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (-1, -1), (1, -1), (-1, 1)], dtype=float
)


@dataclass(frozen=True)
class CameraPose:
    """Where a camera truly is: `place_mm` (3,), wearer's frame; `rotation` (3, 3), camera to wearer."""

    place_mm: FloatArray
    rotation: FloatArray

    @classmethod
    def of(cls, photograph: "Photograph", /) -> "CameraPose":
        """Return the pose that a plan's row names."""
        return cls(photograph.pupil_mm, pose_rotation(*photograph.turn_deg))


@dataclass(frozen=True)
class View:
    """A camera at a pose, as the light of one colour meets it: the camera, and what its lens does on top.

    `focus_dioptres` distance for which it is focused; `magnification` of its lens over its file's;
    `vignetting` share of light lost at the sensor's corner.
    """

    camera: Camera
    pose: CameraPose
    focus_dioptres: float = 0.0
    magnification: float = 1.0
    vignetting: float = 0.0

    def pixel(self, tangent: FloatArray, offset_mm: FloatArray, /) -> FloatArray:
        """Return where rays (..., 2) through the aperture at offsets (..., 2) land, px."""
        ideal = self.camera.pixel(tangent + offset_mm * (self.focus_dioptres / MM_PER_M))
        centre = np.array(self.camera.centre_px)
        moved: FloatArray = centre + self.magnification * (ideal - centre)
        return moved

    def tangent(self, pixel: FloatArray, offset_mm: FloatArray, /) -> FloatArray:
        """Return the rays through the aperture at offsets that land on pixels; inverse of `pixel`."""
        centre = np.array(self.camera.centre_px)
        ideal = self.camera.tangent(centre + (pixel - centre) / self.magnification)
        found: FloatArray = ideal - offset_mm * (self.focus_dioptres / MM_PER_M)
        return found

    def crossing_mm(self, tangent: FloatArray, offset_mm: FloatArray, /) -> FloatArray:
        """Return where rays cross the entrance pupil, (..., 3) mm, wearer's frame."""
        ahead = self.camera.entrance_from_tangent(tangent)
        own = np.concatenate([offset_mm, ahead[..., None]], axis=-1)
        place: FloatArray = self.pose.place_mm + own @ self.pose.rotation.T
        return place

    def outward(self, tangent: FloatArray, /) -> FloatArray:
        """Return directions of the camera's frame in the wearer's."""
        return turned_by(tangent, self.pose.rotation)

    def kept(self, pixel: FloatArray, /) -> FloatArray:
        """Return which share of the light the lens lets through at pixels (..., 2); not below 0.

        The camera's own `falloff` where it is known, and the bench's vignetting.
        """
        off = pixel - np.array(self.camera.centre_px)
        corner = np.sum(np.square(self.camera.size_px)) / 4.0
        share: FloatArray = np.maximum(1.0 - self.vignetting * np.sum(off * off, axis=-1) / corner, 0.0)
        if self.camera.falloff is None:
            return share
        own = self.camera.light_share(self.tangent(pixel, np.zeros(2)))
        assert own is not None
        return share * np.nan_to_num(own)


@dataclass(frozen=True)
class PointImages:
    """How n panel points and patches around them are seen; rows of points that are not seen are NaN.

    Parameters
    ----------
    panel_px : (n, 2) float array
        The points.
    pixel : (n, 2) float array
        Where their light has its centroid, mean over the aperture, px.
    slopes : (n, 2, 2) float array
        d(x, y)/d(u, v) of the chief ray; rows x, y.
    bends : (n, 2, 2, 2) float array
        Second derivatives, [x or y, u or v, u or v].
    footprint : (n, 2, 2) float array
        Pixels per mm of the aperture, rows x, y: how far out of focus, and with what astigmatism.
    light : (n,) float array
        Light that arrives, relative to a white panel straight on through the open aperture.
    light_slope : (n, 2) float array
        Relative change of that per px of the panel.
    """

    panel_px: FloatArray
    pixel: FloatArray
    slopes: FloatArray
    bends: FloatArray
    footprint: FloatArray
    light: FloatArray
    light_slope: FloatArray

    def rows(self, rows: IntArray, /) -> "PointImages":
        """Return those of some points."""
        return PointImages(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))

    def placed(self, step: FloatArray, /) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return where points beside the panel points land.

        Parameters
        ----------
        step : (n, q, 2) float array
            Panel px from each point.

        Returns
        -------
        (n, q, 2), (n, q), (n, q) float arrays
            Pixels; pixels of the photograph per pixel of the panel, by area; relative light.
        """
        bent = np.einsum("nijk,nqk->nqij", self.bends, step)
        slopes = self.slopes[:, None] + bent
        pixel = self.pixel[:, None] + np.einsum("nqij,nqj->nqi", slopes - 0.5 * bent, step)
        area = np.abs(slopes[..., 0, 0] * slopes[..., 1, 1] - slopes[..., 0, 1] * slopes[..., 1, 0])
        light = self.light[:, None] * (1.0 + np.einsum("nj,nqj->nq", self.light_slope, step))
        return pixel, area, light


def aperture_rule(fineness: int, /) -> tuple[FloatArray, FloatArray]:
    """Return points (k, 2) of the unit disc and their shares (k,): their mean is that over the disc.

    Gauss-Legendre in the squared radius times even angles: exact for polynomials of degree 4 n - 1 or less, n
    the fineness (common practice).
    """
    node, weight = np.polynomial.legendre.leggauss(fineness)
    angles = 4 * fineness
    angle = (np.arange(angles) + 0.5) * (2.0 * np.pi / angles)
    radius = np.sqrt(0.5 * (node + 1.0))[:, None]
    point = np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=-1).reshape(-1, 2)
    return point, np.repeat(weight / 2.0, angles) / angles


def images_of_points(
    optics: Optics, view: View, panel_px: FloatArray, /, *, reach_px: FloatArray
) -> PointImages:
    """Return how a camera sees panel points (n, 2); `reach_px` (n,): how far patches around them go.

    Raises nothing: what is not seen, or folds in the camera, is NaN with light 0.
    """
    count = len(panel_px)
    around = panel_px[:, None] + reach_px[:, None, None] * _STENCIL
    nothing = np.zeros((1, 1, 2))
    chief, crossing = _sight(optics, view, around, nothing)
    with np.errstate(invalid="ignore"):
        spot = view.pixel(chief, nothing)
        seen = optics.seen(view.outward(chief), crossing)
        slopes, bends = _derivatives(spot, reach_px)
        found = _through_aperture(optics, view, panel_px, chief[:, 0], spot[:, 0], _RULE)
        cut = np.flatnonzero((found.open_share > 0.0) & (found.open_share < _WHOLE))
        if len(cut) and view.camera.aperture_mm:
            finer = _through_aperture(optics, view, panel_px[cut], chief[cut, 0], spot[cut, 0], _CUT_RULE)
            found.put(cut, finer)
        own = np.where(seen.light > 0.0, seen.light, np.nan)
        steps = np.stack([own[:, 1] - own[:, 2], own[:, 3] - own[:, 4]], axis=-1)
        light_slope = steps / (2.0 * reach_px * own[:, 0])[:, None]
    parts = (found.pixel, slopes, bends, found.footprint)
    known = np.all([np.isfinite(part).reshape(count, -1).all(axis=-1) for part in parts], axis=0)
    known &= found.light > 0.0
    for part in parts:
        part[~known] = np.nan
    light_slope[~known | ~np.isfinite(light_slope).all(axis=-1)] = 0.0
    return PointImages(panel_px, *parts, np.where(known, found.light, 0.0), light_slope)


def _sight(
    optics: Optics,
    view: View,
    point: FloatArray,
    offset_mm: FloatArray,
    start: FloatArray | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Return the camera directions (..., 2) of rays from panel points through the aperture, and crossings."""
    turn = view.pose.rotation
    camera = view.camera
    tangent = np.zeros((*np.broadcast_shapes(point.shape[:-1], offset_mm.shape[:-1]), 2))
    offset_mm = np.broadcast_to(offset_mm, tangent.shape)
    if start is not None:
        tangent = tangent + start
    wearer = view.outward(tangent) if start is not None else None
    for _ in range(_WALK_STEPS):
        crossing = view.crossing_mm(tangent, offset_mm)
        wearer = optics.direction(point, crossing, wearer)
        before, tangent = tangent, turned_by(wearer, turn.T)
        with np.errstate(invalid="ignore"):
            if not camera.walk_mm or not np.any(np.abs(tangent - before) > 1e-12):
                break
    return tangent, view.crossing_mm(tangent, offset_mm)


@dataclass(frozen=True)
class _Gathered:
    """What comes through the aperture: mean pixel (n, 2), pixels per mm (n, 2, 2), light (n,) relative to the
    white panel through the open aperture, and the share (n,) of the aperture that is open.
    """

    pixel: FloatArray
    footprint: FloatArray
    light: FloatArray
    open_share: FloatArray

    def put(self, rows: IntArray, other: "_Gathered") -> None:
        for name in self.__dataclass_fields__:
            getattr(self, name)[rows] = getattr(other, name)


def _through_aperture(
    optics: Optics, view: View, point: FloatArray, chief: FloatArray, spot: FloatArray, fineness: int
) -> _Gathered:
    """Return what comes of panel points (n, 2) through the aperture; `chief` their chief rays' directions."""
    radius_mm = (view.camera.aperture_mm or 0.0) / 2.0
    place, weight = aperture_rule(fineness) if radius_mm else (np.zeros((1, 2)), np.ones(1))
    offset = radius_mm * place
    tangent, crossing = _sight(optics, view, point[:, None], offset[None], chief[:, None])
    seen = optics.seen(view.outward(tangent), crossing)
    pixel = view.pixel(tangent, np.broadcast_to(offset, tangent.shape))
    clear = (seen.clearance > 0.0) & np.isfinite(pixel[..., 0])
    lit = np.where(clear, weight * seen.light, 0.0)
    light = lit.sum(axis=-1)
    off = np.where(clear[..., None], pixel - spot[:, None], 0.0)
    share = lit / np.where(light > 0.0, light, np.nan)[:, None]
    # The mean of a_i a_j over the disc is r^2 / 4 on the diagonal.
    scale = 4.0 / radius_mm**2 if radius_mm else 0.0
    return _Gathered(
        spot + np.einsum("nk,nki->ni", share, off),
        scale * np.einsum("k,nki,kj->nij", weight, off, offset),
        light,
        np.where(clear, weight, 0.0).sum(axis=-1),
    )


def _derivatives(spot: FloatArray, reach_px: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return slopes (n, 2, 2) and bends (n, 2, 2, 2) from the pixels (n, 9, 2) of the stencil."""
    here, east, west, south, north, down, up, across, back = np.moveaxis(spot, 1, 0)
    step = reach_px[:, None]
    slopes = np.stack([east - west, south - north], axis=-1) / (2.0 * step[..., None])
    uu, vv = (east - 2.0 * here + west) / step**2, (south - 2.0 * here + north) / step**2
    uv = (down + up - across - back) / (4.0 * step**2)
    bends = np.stack([np.stack([uu, uv], axis=-1), np.stack([uv, vv], axis=-1)], axis=-1)
    return slopes, bends
