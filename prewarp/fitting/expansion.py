"""A fitted sum: q(u, v, x, y) = sum_ij P_i(u, v) C_ij Q_j(x, y), evaluated with its derivatives at scattered points."""

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from prewarp.checks import FloatArray
from prewarp.fitting.chebyshev import derivatives_1d, products, values_1d
from prewarp.fitting.pupil import PupilFrame


class PanelBasis(Protocol):
    """What the polynomial and the spline panel bases have in common."""

    size_px: tuple[int, int]

    @property
    def count(self) -> int:
        """Number of basis functions."""

    def values(self, pixel: FloatArray, /) -> FloatArray:
        """Return the basis at pixels (n, 2), shape (count, n)."""

    def values_and_slopes(self, pixel: FloatArray, /) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the basis and its derivatives by u and v (per px), each (count, n)."""

    def lattice_factors(self, u: FloatArray, v: FloatArray, /) -> tuple[FloatArray, FloatArray]:
        """Return one-dimensional values in u (k, nu) and v (l, nv)."""

    def tensor(self, coefficients: FloatArray, /) -> FloatArray:
        """Return coefficients (count, ...) as (k, l, ...), to go with `lattice_factors`."""


@dataclass(frozen=True)
class Expansion:
    """Coefficients (count of panel functions, count of pupil functions, 2) and the bases they belong to."""

    panel: PanelBasis
    frame: PupilFrame
    pupil_degree: int
    coefficients: FloatArray

    def values(self, pixel: FloatArray, reference_mm: FloatArray, /) -> FloatArray:
        """Return direction cosines (2, n) at pixels (n, 2) and reference pupil positions (n, 2) mm."""
        return contract(
            self.panel.values(pixel), self.coefficients, self.frame.values(reference_mm, self.pupil_degree)
        )

    def values_and_jacobian(
        self, pixel: FloatArray, reference_mm: FloatArray, /
    ) -> tuple[FloatArray, FloatArray]:
        """Return q (2, n) and dq/d(u, v) (2, 2, n): first axis the component, second u or v; per px."""
        pupil = self.frame.values(reference_mm, self.pupil_degree)
        base, slope_u, slope_v = self.panel.values_and_slopes(pixel)
        value = contract(base, self.coefficients, pupil)
        by_u = contract(slope_u, self.coefficients, pupil)
        by_v = contract(slope_v, self.coefficients, pupil)
        return value, np.stack([by_u, by_v], axis=1)

    def pupil_jacobian(self, pixel: FloatArray, reference_mm: FloatArray, /) -> FloatArray:
        """Return dq/d(x, y) (2, 2, n): first axis the component, second x or y; per mm."""
        x, y = self.frame.normalised(reference_mm)
        in_x, in_y = values_1d(x, self.pupil_degree), values_1d(y, self.pupil_degree)
        slope_x = derivatives_1d(x, self.pupil_degree) / self.frame.half_mm[0]
        slope_y = derivatives_1d(y, self.pupil_degree) / self.frame.half_mm[1]
        base = self.panel.values(pixel)
        by_x = contract(base, self.coefficients, products(slope_x, in_y, self.pupil_degree))
        by_y = contract(base, self.coefficients, products(in_x, slope_y, self.pupil_degree))
        return np.stack([by_x, by_y], axis=1)


def contract(panel: FloatArray, coefficients: FloatArray, pupil: FloatArray, /) -> FloatArray:
    """Return sum_ij P_i C_ij Q_j, shape (2, n), for panel values (i, n), coefficients (i, j, 2), pupil values (j, n)."""
    if pupil.shape[0] == 1:
        return np.ascontiguousarray(coefficients[:, 0].T) @ panel
    return pupil_sum(panel_sum(panel, coefficients), pupil)


def panel_sum(panel: FloatArray, coefficients: FloatArray, /) -> FloatArray:
    """Return sum_i P_i C_ij, shape (2, j, n)."""
    flat = np.ascontiguousarray(coefficients.transpose(2, 1, 0)).reshape(-1, coefficients.shape[0])
    return (flat @ panel).reshape(2, coefficients.shape[1], -1)


def pupil_sum(inner: FloatArray, pupil: FloatArray, /) -> FloatArray:
    """Return sum_j inner_j Q_j, shape (2, n), for inner (2, j, n) and pupil values (j, n)."""
    return np.einsum("cjn,jn->cn", inner, pupil)
