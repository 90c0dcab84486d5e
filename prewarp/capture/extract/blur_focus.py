"""What a camera is focused on, by the blur of its dots.

Light of one panel point that crosses the aperture at a lands J (W + D I) a px aside: W the slope of the
field over the pupil, D the distance that the camera is focused on (both radians per mm), J the camera's px
per tangent. Over an even disc of radius r the mean of a a' is r^2/4, so the second moments of the blur are

    V = L + r^2/4 (J W W' J' + D J (W + W') J'),

L, which changes slowly over the photograph, the lens's own blur with what D^2 adds. V is linear in D: no
second distance has the same blur. D is told from L only where dots at one place of the photograph lie at
different distances: of two channels, or seen from pupil positions between which the image bends.
"""

from dataclasses import dataclass

import numpy as np

from prewarp.checks import FloatArray, IntArray
from prewarp.frames import MM_PER_M

# The lens's own blur is a polynomial of this degree over the photograph.
_LENS_DEGREE = 4
# The blur of a view's dots is fitted together: fewer views do not say how sure their mean is.
LEAST_VIEWS = 8
# Two patterns of blur that are alike to this share are one.
_ALIKE = 1e-4


@dataclass(frozen=True)
class Blur:
    """How n dots are blurred, and what makes that depend on their distance.

    Parameters
    ----------
    spread : (n, 3) float array
        Second moments xx, xy, yy of what blurs each dot, the pixel apart, px^2.
    place : (n, 2) float array
        Where in the photograph, px.
    slopes : (n, 2, 2) float array
        px per tangent of the camera; rows x, y.
    view : (n,) int array
        Which photographed view the dot belongs to.
    camera : (n,) int array
        Which camera took it.
    """

    spread: FloatArray
    place: FloatArray
    slopes: FloatArray
    view: IntArray
    camera: IntArray

    def rows(self, rows: np.ndarray, /) -> "Blur":
        """Return those of some dots."""
        return Blur(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))


@dataclass(frozen=True)
class FocusByBlur:
    """`dioptres` that a camera is focused on, and `sigma`, the standard uncertainty."""

    dioptres: float
    sigma: float


def focus_by_blur(blur: Blur, bend: FloatArray, radius_mm: FloatArray, /) -> FocusByBlur | None:
    """Return the focus that blur shows; None where it depends on no distance, or views are too few.

    Parameters
    ----------
    blur : Blur
        Of n dots of one camera.
    bend : (n, 2, 2) float array
        Slope of the field over the pupil, tangents per mm, camera frame.
    radius_mm : (n,) float array
        Of the aperture.
    """
    known = np.isfinite(
        np.concatenate([blur.spread, bend.reshape(-1, 4), blur.slopes.reshape(-1, 4)], axis=1)
    )
    rows = np.flatnonzero(known.all(axis=1))
    blur, own = blur.rows(rows), blur.slopes[rows] @ bend[rows]
    views, view = np.unique(blur.view, return_inverse=True)
    if len(views) < LEAST_VIEWS:
        return None
    share = (radius_mm[rows] ** 2 / 4.0)[:, None, None]
    mixed = own @ blur.slopes.transpose(0, 2, 1)
    patterns = (share * own @ own.transpose(0, 2, 1), share * (mixed + mixed.transpose(0, 2, 1)) / MM_PER_M)
    columns = np.stack([*map(_moments, patterns), blur.spread], axis=-1)
    # The lens's own blur is free: what it can be is taken out.
    lens = np.linalg.qr(_polynomials(blur.place))[0]
    rest = columns - np.einsum("nt,tck->nck", lens, np.einsum("nt,nck->tck", lens, columns))
    design, seen = rest[..., :2], rest[..., 2]
    size = np.sqrt(np.sum(design**2, axis=(0, 1)))
    if np.any(size < _ALIKE * np.sqrt(np.sum(columns[..., :2] ** 2, axis=(0, 1)))):
        return None
    design = design / size
    normal = np.einsum("nci,ncj->ij", design, design)
    if 1.0 - abs(normal[0, 1]) < _ALIKE:
        return None
    inverse = np.linalg.inv(normal)
    found = inverse @ np.einsum("nci,nc->i", design, seen)
    score = np.zeros((len(views), 2))
    np.add.at(score, view, np.einsum("nci,nc->ni", design, seen - design @ found))
    # Dots of a view err together, views apart: covariance by their sums (common practice).
    spread = inverse @ score.T @ score @ inverse * len(views) / (len(views) - 2)
    (area, by_focus), spread = found / size, spread / np.outer(size, size)
    if area <= 0.0:
        return None
    slope = np.array([-by_focus / area, 1.0]) / area
    # With the aperture as stated; what differs is what a wrong one does, blur that is no Gaussian, or bends
    # that are not quite known.
    second = float(np.einsum("nc,nc->", design[..., 1], seen - size[0] * design[..., 0])) / size[1]
    dioptres = float(by_focus / area)
    return FocusByBlur(dioptres, float(np.sqrt(slope @ spread @ slope + (second - dioptres) ** 2)))


def _moments(matrix: FloatArray) -> FloatArray:
    """Return xx, xy, yy of symmetric matrices (n, 2, 2), (n, 3)."""
    return np.stack([matrix[:, 0, 0], matrix[:, 0, 1], matrix[:, 1, 1]], axis=1)


def _polynomials(place: FloatArray) -> FloatArray:
    low, high = place.min(axis=0), place.max(axis=0)
    x, y = ((place - (low + high) / 2.0) / np.maximum((high - low) / 2.0, 1.0)).T
    powers = [(i, total - i) for total in range(_LENS_DEGREE + 1) for i in range(total + 1)]
    return np.stack([x**i * y**j for i, j in powers], axis=1)
