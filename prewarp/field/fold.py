"""The fold test: the Jacobian determinant of a one-to-one map keeps one sign over panel and eye box."""

from dataclasses import dataclass

import numpy as np

from prewarp.checks import FloatArray
from prewarp.field.border import inside_convex
from prewarp.field.field import Field
from prewarp.fitting.expansion import pupil_sum
from prewarp.frames import tangent_from_cosine
from prewarp.points import lattice_points

NODES = 49
PUPIL_NODES = 5


@dataclass(frozen=True)
class FoldResult:
    """Result of `find_fold`.

    `folds` says whether the determinant changes sign; `pixel` (2,) px and `pupil_mm` (3,) where it is worst;
    `share` of the lattice that is folded over.
    """

    folds: bool
    pixel: FloatArray
    pupil_mm: FloatArray
    share: float


def find_fold(field: Field, pupil_box_mm: FloatArray, /) -> FoldResult:
    """Look for folds at NODES^2 panel points within the border and PUPIL_NODES^2 pupils, z at both ends.

    Parameters
    ----------
    field : Field
    pupil_box_mm : (2, 3) float array
        Lowest and highest pupil position, mm.
    """
    width, height = field.panel_size_px
    pixel = lattice_points(np.linspace(0, width, NODES), np.linspace(0, height, NODES))
    pixel = pixel[inside_convex(pixel, field.border_pixel, slack=1e-6)]
    axes = [np.linspace(low, high, PUPIL_NODES) for low, high in pupil_box_mm.T[:2]]
    depths = np.unique(pupil_box_mm[:, 2])
    pupils = lattice_points(*axes, depths)
    determinant = _determinants(field, pixel, pupils)
    relative = determinant / np.median(determinant)
    place = np.unravel_index(np.argmin(relative), relative.shape)
    folded = relative <= 0.0
    return FoldResult(
        folds=bool(folded.any()),
        pixel=pixel[place[1]],
        pupil_mm=pupils[place[0]],
        share=float(folded.mean()),
    )


def _determinants(field: Field, pixel: FloatArray, pupils: FloatArray) -> FloatArray:
    """Return det dq/d(u, v) (pupils, pixels); up to the image it has the sign of det dt/d(u, v).

    The reference pupil of a depth comes from the direction seen at z = 0, one step of the fixed point: it is
    off by some micrometres, over which a determinant does not change.
    """
    expansion = field.expansion
    sums = expansion.panel.sums_and_slopes(pixel, expansion.coefficients)
    determinant = np.empty((len(pupils), len(pixel)))
    for place, (x, y, z) in enumerate(pupils):
        reference = np.array([[x, y]])
        at_pupil = expansion.frame.values(reference, expansion.pupil_degree)
        if z != 0.0:
            tangent = tangent_from_cosine(pupil_sum(sums[0], at_pupil).T)
            at_pupil = expansion.frame.values(reference - z * np.nan_to_num(tangent), expansion.pupil_degree)
        by_u, by_v = (pupil_sum(inner, at_pupil) for inner in sums[1:])
        determinant[place] = by_u[0] * by_v[1] - by_u[1] * by_v[0]
    return determinant
