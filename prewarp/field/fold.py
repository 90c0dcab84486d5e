"""The fold test: the Jacobian determinant of a map that is one-to-one keeps one sign over panel and eye box."""

from dataclasses import dataclass

import numpy as np

from prewarp.checks import FloatArray
from prewarp.field.border import inside_convex
from prewarp.field.field import Field

NODES = 49
PUPIL_NODES = 5


@dataclass(frozen=True)
class FoldResult:
    """Result of `find_fold`.

    `folds` says whether the determinant changes sign; `pixel` (2,) px and `pupil_mm` (3,) where it is worst; `share` of the lattice
    that is folded over.
    """

    folds: bool
    pixel: FloatArray
    pupil_mm: FloatArray
    share: float


def find_fold(field: Field, pupil_box_mm: FloatArray, /) -> FoldResult:
    """Look for folds on a lattice of NODES^2 panel points within the border and PUPIL_NODES^2 pupils, z at both ends.

    Parameters
    ----------
    field : Field
    pupil_box_mm : (2, 3) float array
        Lowest and highest pupil position, mm.
    """
    width, height = field.panel_size_px
    v, u = np.meshgrid(np.linspace(0, height, NODES), np.linspace(0, width, NODES), indexing="ij")
    pixel = np.stack([u.ravel(), v.ravel()], axis=-1)
    pixel = pixel[inside_convex(pixel, field.border_pixel, slack=1e-6)]
    axes = [np.linspace(low, high, PUPIL_NODES) for low, high in pupil_box_mm.T[:2]]
    depths = np.unique(pupil_box_mm[:, 2])
    pupils = np.stack(np.meshgrid(*axes, depths, indexing="ij"), axis=-1).reshape(-1, 3)
    determinant = np.stack([_determinant(field, pixel, pupil) for pupil in pupils])
    typical = np.median(determinant)
    relative = determinant / typical
    place = np.unravel_index(np.argmin(relative), relative.shape)
    folded = relative <= 0.0
    return FoldResult(
        folds=bool(folded.any()),
        pixel=pixel[place[1]],
        pupil_mm=pupils[place[0]],
        share=float(folded.mean()),
    )


def _determinant(field: Field, pixel: FloatArray, pupil: FloatArray) -> FloatArray:
    slope = field.jacobian(pixel, pupil_mm=pupil)
    return np.nan_to_num(slope[:, 0, 0] * slope[:, 1, 1] - slope[:, 0, 1] * slope[:, 1, 0])
