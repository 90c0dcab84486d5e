"""Chebyshev bases: published values, graded order, exact products."""

import numpy as np
import pytest

from prewarp.chebyshev import count_of_degree, derivatives_1d, exponents_of_degree, values_1d, values_2d
from prewarp.fitting.chebyshev import ChebyshevPanel, index_of, pair_products


@pytest.mark.outside
def test_values_against_handbook():
    """T0..T7 at 0.3, -0.7 (recurrence of Abramowitz and Stegun, Handbook of Mathematical Functions, 22.7)."""
    known = {
        0.3: [1, 0.3, -0.82, -0.792, 0.3448, 0.99888, 0.254528, -0.8461632],
        -0.7: [1, -0.7, -0.02, 0.728, -0.9992, 0.67088, 0.059968, -0.7548352],
    }
    for x, expected in known.items():
        np.testing.assert_allclose(values_1d(np.array([x]), 7)[:, 0], expected, atol=1e-12)


def test_derivatives_against_numpy():
    x = np.linspace(-1.05, 1.05, 11)
    for k in range(9):
        expected = np.polynomial.chebyshev.Chebyshev.basis(k).deriv()(x)
        np.testing.assert_allclose(derivatives_1d(x, 8)[k], expected, atol=1e-11)


def test_order_is_graded_and_lower_degrees_are_prefixes():
    exponents = exponents_of_degree(6)
    np.testing.assert_array_equal(index_of(exponents), np.arange(count_of_degree(6)))
    np.testing.assert_array_equal(exponents_of_degree(3), exponents[: count_of_degree(3)])


def test_products_are_exact():
    random = np.random.default_rng(1)
    x, y = random.uniform(-1, 1, (2, 7))
    base, wide = values_2d(x, y, 4), values_2d(x, y, 8)
    expected = (base[:, None] * base[None]).reshape(-1, 7)
    np.testing.assert_allclose(pair_products(4) @ wide, expected, atol=1e-13)


def test_panel_slopes_against_differences():
    basis = ChebyshevPanel((640, 480), 5)
    pixel = np.array([[100.0, 50.0], [333.0, 400.0]])
    _, by_u, by_v = basis.values_and_slopes(pixel)
    for slope, step in ((by_u, [1e-3, 0.0]), (by_v, [0.0, 1e-3])):
        difference = (basis.values(pixel + step) - basis.values(pixel - step)) / 2e-3
        np.testing.assert_allclose(slope, difference, atol=1e-8)


def test_lattice_factors_and_tensor_agree_with_scattered_values():
    basis = ChebyshevPanel((640, 480), 4)
    coefficients = np.random.default_rng(2).normal(size=basis.count)
    u, v = np.array([10.0, 300.0, 639.0]), np.array([5.0, 470.0])
    in_u, in_v = basis.lattice_factors(u, v)
    lattice = np.einsum("kl,ku,lv->vu", basis.tensor(coefficients), in_u, in_v)
    columns, rows = np.meshgrid(u, v)
    scattered = coefficients @ basis.values(np.stack([columns.ravel(), rows.ravel()], axis=-1))
    np.testing.assert_allclose(lattice.ravel(), scattered, atol=1e-12)
