"""Tables of spline coefficients: a pre-warp map less a plane, in units of a scale.

value(u, v) = affine . (1, u, v) + scale * spline of the numbers at (u, v). Taking the plane away first leaves
a range of some tens of px instead of thousands, and so a step some fifty times finer.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prewarp.checks import FloatArray
from prewarp.lattice import SplineLattice

LARGEST_CODE = 65535
COMPONENTS = ("content_u", "content_v", "weight")
# The smallest range of a component, in its own unit.
LEAST_RANGE = 1e-9


@dataclass(frozen=True)
class TableScale:
    """What stands between a map and the numbers of its table.

    Parameters
    ----------
    affine : (3, 3) float array
        Rows per component of `COMPONENTS`: constant, per panel px along u, per panel px along v.
    scale : (3,) float array
        Value per number.
    step : (2,) float array
        Panel px between nodes along u and v; node (0, 0) is the panel's top-left corner.
    """

    affine: FloatArray
    scale: FloatArray
    step: FloatArray

    def numbers(self, spline: SplineLattice, /) -> FloatArray:
        """Return the numbers (rows + 2, columns + 2, 3) of a map."""
        return np.asarray(self.rest(spline) / self.scale)

    def rest(self, spline: SplineLattice, /) -> FloatArray:
        """Return what the plane leaves of a map's coefficients (rows + 2, columns + 2, 3)."""
        return spline.coefficients - self._plane(spline.coefficients.shape)

    def spline(self, numbers: FloatArray | NDArray[np.uint16], /) -> SplineLattice:
        """Return the map that numbers (rows + 2, columns + 2, 3) stand for."""
        return SplineLattice(self._plane(numbers.shape) + self.scale * numbers, np.zeros(2), self.step)

    def as_dict(self) -> dict[str, object]:
        """Return it for the manifest."""
        return {"affine": self.affine.tolist(), "scale": self.scale.tolist(), "step_px": self.step.tolist()}

    @classmethod
    def from_dict(cls, details: Mapping[str, object], /) -> "TableScale":
        """Return what `as_dict` wrote."""
        affine, scale, step = (
            np.array(details[name], dtype=float) for name in ("affine", "scale", "step_px")
        )
        return cls(affine.reshape(3, 3), scale.reshape(3), step.reshape(2))

    def _plane(self, shape: tuple[int, ...]) -> FloatArray:
        return _basis(shape, self.step) @ self.affine.T


def nearest_plane(spline: SplineLattice, /) -> TableScale:
    """Return the plane nearest to a map's content; weights are near 0 to 1 already and stay as they are."""
    basis = _basis(spline.coefficients.shape, spline.step).reshape(-1, 3)
    affine = np.zeros((3, 3))
    affine[:2] = np.linalg.lstsq(basis, spline.coefficients[..., :2].reshape(-1, 2), rcond=None)[0].T
    return TableScale(affine, np.ones(3), spline.step)


def coded_table(spline: SplineLattice, /) -> tuple[NDArray[np.uint16], TableScale]:
    """Round a map's coefficients to 16 bits; the error is at most half of `scale` (B-splines add up to 1)."""
    plane = nearest_plane(spline)
    rest = plane.rest(spline)
    low, high = rest.min(axis=(0, 1)), rest.max(axis=(0, 1))
    scale = np.maximum(high - low, LEAST_RANGE) / LARGEST_CODE
    codes = np.clip(np.rint((rest - low) / scale), 0, LARGEST_CODE).astype(np.uint16)
    plane.affine[:, 0] += low
    return codes, TableScale(plane.affine, scale, spline.step)


def _basis(shape: tuple[int, ...], step: FloatArray) -> FloatArray:
    """Return 1, u, v in panel px of coefficients (rows, columns, ...): one ring beyond the nodes.

    A spline whose coefficients are affine there is affine.
    """
    u, v = np.meshgrid(*(step[axis] * (np.arange(shape[1 - axis]) - 1.0) for axis in range(2)))
    return np.stack([np.ones_like(u), u, v], axis=-1)
