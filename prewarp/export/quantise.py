"""16-bit tables: spline coefficients of a pre-warp map, less their affine part, as whole numbers.

value(u, v) = affine . (1, u, v) + scale * spline of codes at (u, v). Taking the affine part away first leaves a range of
some tens of px instead of thousands, and so a step some fifty times finer (design's section 7).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prewarp.checks import FloatArray
from prewarp.lattice import SplineLattice

LARGEST_CODE = 65535
COMPONENTS = ("content_u", "content_v", "weight")


@dataclass(frozen=True)
class CodedTable:
    """One map in whole numbers.

    Parameters
    ----------
    codes : (rows + 2, columns + 2, 3) uint16 array
        Components `COMPONENTS`; content in px, weight 0 to 1.
    affine : (3, 3) float array
        Rows per component: constant, per panel px along u, per panel px along v.
    scale : (3,) float array
        Value per code.
    step : (2,) float array
        Panel px between nodes along u and v; node (0, 0) is the panel's top-left corner.
    """

    codes: NDArray[np.uint16]
    affine: FloatArray
    scale: FloatArray
    step: FloatArray

    def spline(self) -> SplineLattice:
        """Return the map that the codes stand for."""
        u, v = _coefficient_px(self.codes.shape[:2], self.step)
        plane = self.affine[:, 0] + u[..., None] * self.affine[:, 1] + v[..., None] * self.affine[:, 2]
        return SplineLattice(plane + self.scale * self.codes, np.zeros(2), self.step)


def coded_table(spline: SplineLattice, /) -> CodedTable:
    """Round a map's coefficients to 16 bits; the error is at most half of `scale` (B-splines add up to 1)."""
    u, v = _coefficient_px(spline.coefficients.shape[:2], spline.step)
    basis = np.stack([np.ones_like(u), u, v], axis=-1)
    # Content follows the best plane; weights are near 0 to 1 already and stay as they are.
    affine = np.zeros((3, 3))
    flat = basis.reshape(-1, 3)
    affine[:2] = np.linalg.lstsq(flat, spline.coefficients[..., :2].reshape(-1, 2), rcond=None)[0].T
    rest = spline.coefficients - basis @ affine.T
    low, high = rest.min(axis=(0, 1)), rest.max(axis=(0, 1))
    affine[:, 0] += low
    scale = np.maximum(high - low, 1e-9) / LARGEST_CODE
    codes = np.clip(np.rint((rest - low) / scale), 0, LARGEST_CODE).astype(np.uint16)
    return CodedTable(codes, affine, scale, spline.step)


def _coefficient_px(shape: tuple[int, ...], step: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Panel px of the coefficients: one ring beyond the nodes. A spline whose coefficients are affine there is affine."""
    u, v = (step[axis] * (np.arange(shape[1 - axis]) - 1.0) for axis in range(2))
    return tuple(np.meshgrid(u, v))
