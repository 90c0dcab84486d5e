"""Chebyshev functions of two variables for fits: products of two, and the polynomial panel basis."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import sparse

from prewarp.chebyshev import (
    count_of_degree,
    derivatives_1d,
    exponents_of_degree,
    products,
    values_1d,
    values_2d,
)
from prewarp.checks import FloatArray, IntArray


def exponents_up_to(place: int, /) -> IntArray:
    """Return the exponents of at least the first `place + 1` functions."""
    degree = 0
    while count_of_degree(degree) <= place:
        degree += 1
    return exponents_of_degree(degree)


def index_of(exponents: IntArray, /) -> IntArray:
    """Return the place of each exponent pair (..., 2) in the graded order."""
    total = exponents[..., 0] + exponents[..., 1]
    return total * (total + 1) // 2 + exponents[..., 1]


@lru_cache(maxsize=16)
def product_terms(degree: int, /) -> IntArray:
    """Return where the four terms of a product of two functions lie in the basis of twice the degree.

    Shape (4, count, count); the product of functions i and k is the mean of functions [0..3, i, k], as
    T_a T_b = (T_a+b + T_|a-b|) / 2 in each variable. Read only.
    """
    exponents = exponents_of_degree(degree)
    first, second = exponents[:, None, :], exponents[None, :, :]
    signs = np.array([[0, 0], [0, 1], [1, 0], [1, 1]])[:, None, None, :]
    terms = index_of(np.where(signs == 0, first + second, np.abs(first - second)))
    terms.setflags(write=False)
    return terms


@lru_cache(maxsize=16)
def pair_products(degree: int, /) -> sparse.csr_matrix:
    """Return the matrix that writes every product of two basis functions in the basis of twice the degree.

    Row i * count + k holds the coefficients of basis_i * basis_k: four entries of 1/4 (`product_terms`).
    Shape (count(degree)^2, count(2 degree)).
    """
    columns = product_terms(degree).reshape(4, -1)
    pairs = columns.shape[1]
    rows = np.broadcast_to(np.arange(pairs), (4, pairs))
    data = np.full(columns.size, 0.25)
    shape = (pairs, count_of_degree(2 * degree))
    return sparse.csr_matrix((data, (rows.ravel(), columns.ravel())), shape=shape)


@dataclass(frozen=True)
class ChebyshevPanel:
    """Panel basis of the polynomial family: T_a(u') T_b(v'), a + b <= degree, u' = (u - width / 2) / half_u.

    Parameters
    ----------
    size_px : (int, int)
        Panel width and height, px.
    degree : int
        Total degree.
    half_px : (float, float), optional
        Half the width and height of what the samples cover, about the panel's middle: where the functions
        stay within +-1. Half the panel where not given.
    """

    size_px: tuple[int, int]
    degree: int
    half_px: tuple[float, float] | None = None

    @property
    def count(self) -> int:
        """Number of basis functions."""
        return count_of_degree(self.degree)

    @property
    def half(self) -> tuple[float, float]:
        """Half width and half height of the region that is normalised, px."""
        return self.half_px or (self.size_px[0] / 2.0, self.size_px[1] / 2.0)

    def normalised(self, pixel: FloatArray, /) -> tuple[FloatArray, FloatArray]:
        """Return u', v' for pixels (n, 2)."""
        (width, height), (half_u, half_v) = self.size_px, self.half
        return (pixel[:, 0] - width / 2.0) / half_u, (pixel[:, 1] - height / 2.0) / half_v

    def values(self, pixel: FloatArray, /) -> FloatArray:
        """Return the basis at pixels (n, 2), shape (count, n)."""
        u, v = self.normalised(pixel)
        return values_2d(u, v, self.degree)

    def values_and_slopes(self, pixel: FloatArray, /) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the basis and its derivatives by u and by v (per px), each (count, n)."""
        u, v = self.normalised(pixel)
        in_u, in_v = values_1d(u, self.degree), values_1d(v, self.degree)
        slope_u = derivatives_1d(u, self.degree) / self.half[0]
        slope_v = derivatives_1d(v, self.degree) / self.half[1]
        return (
            products(in_u, in_v, self.degree),
            products(slope_u, in_v, self.degree),
            products(in_u, slope_v, self.degree),
        )

    def sums(self, pixel: FloatArray, coefficients: FloatArray, /) -> FloatArray:
        """Return sum_i P_i C_ijc at pixels (n, 2) for coefficients (count, j, 2), shape (2, j, n)."""
        return _panel_sum(self.values(pixel), coefficients)

    def sums_and_slopes(
        self, pixel: FloatArray, coefficients: FloatArray, /
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return `sums` and its derivatives by u and by v (per px), each (2, j, n)."""
        value, by_u, by_v = (_panel_sum(table, coefficients) for table in self.values_and_slopes(pixel))
        return value, by_u, by_v

    def lattice_factors(self, u: FloatArray, v: FloatArray, /) -> tuple[FloatArray, FloatArray]:
        """Return 1D values in u (degree + 1, nu) and in v (degree + 1, nv), for tensor evaluation."""
        (width, height), (half_u, half_v) = self.size_px, self.half
        return (
            values_1d((u - width / 2.0) / half_u, self.degree),
            values_1d((v - height / 2.0) / half_v, self.degree),
        )

    def tensor(self, coefficients: FloatArray, /) -> FloatArray:
        """Return coefficients (count, ...) as (degree + 1, degree + 1, ...), for `lattice_factors`."""
        exponents = exponents_of_degree(self.degree)
        full = np.zeros((self.degree + 1, self.degree + 1, *coefficients.shape[1:]))
        full[exponents[:, 0], exponents[:, 1]] = coefficients
        return full


def _panel_sum(panel: FloatArray, coefficients: FloatArray) -> FloatArray:
    """Return sum_i P_i C_ijc, shape (2, j, n), for panel values (i, n)."""
    flat = np.ascontiguousarray(coefficients.transpose(2, 1, 0)).reshape(-1, coefficients.shape[0])
    return (flat @ panel).reshape(2, coefficients.shape[1], -1)
