"""A fitted sum q(u, v, x, y) = sum_ij P_i(u, v) C_ij Q_j(x, y) and its derivatives at scattered points."""

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from prewarp.chebyshev import derivatives_1d, products, values_1d
from prewarp.checks import FloatArray
from prewarp.fitting.pupil import PupilFrame


class PanelBasis(Protocol):
    """What the panel bases of all families have in common."""

    @property
    def size_px(self) -> tuple[int, int]:
        """Panel width and height, px."""

    @property
    def count(self) -> int:
        """Number of basis functions."""

    def sums(self, pixel: FloatArray, coefficients: FloatArray, /) -> FloatArray:
        """Return sum_i P_i C_ijc at pixels (n, 2) for coefficients (count, j, 2), shape (2, j, n)."""

    def sums_and_slopes(
        self, pixel: FloatArray, coefficients: FloatArray, /
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return `sums` and its derivatives by u and by v (per px), each (2, j, n)."""

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
        pupil = self.frame.values(reference_mm, self.pupil_degree)
        return pupil_sum(self.panel.sums(pixel, self.coefficients), pupil)

    def values_and_jacobian(
        self, pixel: FloatArray, reference_mm: FloatArray, /
    ) -> tuple[FloatArray, FloatArray]:
        """Return q (2, n) and dq/d(u, v) (2, 2, n): first axis the component, second u or v; per px."""
        pupil = self.frame.values(reference_mm, self.pupil_degree)
        value, by_u, by_v = (
            pupil_sum(inner, pupil) for inner in self.panel.sums_and_slopes(pixel, self.coefficients)
        )
        return value, np.stack([by_u, by_v], axis=1)

    def at_pupil(self, reference_mm: FloatArray, /) -> "Expansion":
        """Return the expansion for one reference pupil position (2,) mm alone: of pupil degree 0."""
        at_pupil = self.frame.values(np.asarray(reference_mm)[None], self.pupil_degree)[:, 0]
        coefficients = np.einsum("ijc,j->ic", self.coefficients, at_pupil)[:, None]
        return Expansion(self.panel, self.frame, 0, coefficients)

    def pupil_jacobian(self, pixel: FloatArray, reference_mm: FloatArray, /) -> FloatArray:
        """Return dq/d(x, y) (2, 2, n): first axis the component, second x or y; per mm."""
        x, y = self.frame.normalised(reference_mm)
        in_x, in_y = values_1d(x, self.pupil_degree), values_1d(y, self.pupil_degree)
        slope_x = derivatives_1d(x, self.pupil_degree) / self.frame.half_mm[0]
        slope_y = derivatives_1d(y, self.pupil_degree) / self.frame.half_mm[1]
        inner = self.panel.sums(pixel, self.coefficients)
        by_x = pupil_sum(inner, products(slope_x, in_y, self.pupil_degree))
        by_y = pupil_sum(inner, products(in_x, slope_y, self.pupil_degree))
        return np.stack([by_x, by_y], axis=1)


def pupil_sum(inner: FloatArray, pupil: FloatArray, /) -> FloatArray:
    """Return sum_j inner_j Q_j, shape (2, n), for inner (2, j, n) and pupil values (j, n)."""
    if pupil.shape[0] == 1:
        return inner[:, 0] * pupil
    result: FloatArray = np.einsum("cjn,jn->cn", inner, pupil)
    return result
