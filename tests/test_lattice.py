"""Cubic B-splines on a lattice: published values, polynomials, order of error, continuation, bad input."""

import numpy as np
import pytest
from scipy.interpolate import make_interp_spline

from prewarp.errors import ShapeError
from prewarp.lattice import cubic_weights, fill_outward, spline_through


@pytest.mark.outside
def test_weights_of_de_boor():
    # C. de Boor, A Practical Guide to Splines (1978), uniform cubic: at t = 0, 1/4, 1/2 of a cell.
    first, weights = cubic_weights(np.array([2.0, 2.25, 2.5, 9.0]), 10)
    assert first.tolist() == [2, 2, 2, 8]
    np.testing.assert_allclose(weights[0], [1 / 6, 2 / 3, 1 / 6, 0.0], atol=1e-15)
    np.testing.assert_allclose(weights[1], [0.0703125, 0.61197917, 0.31510417, 0.00260417], atol=5e-9)
    np.testing.assert_allclose(weights[2], [1 / 48, 23 / 48, 23 / 48, 1 / 48], atol=1e-15)
    # The last node is the right end of the last cell.
    np.testing.assert_allclose(weights[3], [0.0, 1 / 6, 2 / 3, 1 / 6], atol=1e-15)


@pytest.mark.outside
def test_agrees_with_scipy_not_a_knot():
    x = np.linspace(0.0, 5.0, 11)
    values = np.sin(x)[:, None] * np.cos(0.7 * x)
    spline = spline_through(values[..., None], origin=np.zeros(2), step=np.array([0.5, 0.5]))
    fine = np.linspace(0.0, 5.0, 47)
    rows = make_interp_spline(x, values, k=3, axis=0)(fine)
    expected = make_interp_spline(x, rows, k=3, axis=1)(fine)
    np.testing.assert_allclose(spline.on_lattice(fine, fine)[..., 0], expected, atol=1e-12)


def test_a_bicubic_is_reproduced_and_axes_are_not_swapped():
    def surface(u, v):
        return np.stack([0.1 * u**3 - u * v + 2.0, v**3 - 3.0 * u**2], axis=-1)

    u, v = np.linspace(-1.0, 2.0, 7), np.linspace(0.0, 1.0, 5)
    spline = spline_through(
        surface(*np.meshgrid(u, v)), origin=np.array([-1.0, 0.0]), step=np.array([0.5, 0.25])
    )
    assert spline.node_shape == (5, 7)
    point = np.random.default_rng(0).uniform([-1.0, 0.0], [2.0, 1.0], (4, 50, 2))
    np.testing.assert_allclose(spline.at(point), surface(point[..., 0], point[..., 1]), atol=1e-12)
    fine_u, fine_v = np.linspace(-1.0, 2.0, 31), np.linspace(0.0, 1.0, 17)
    expected = surface(*np.meshgrid(fine_u, fine_v))
    np.testing.assert_allclose(spline.on_lattice(fine_u, fine_v), expected, atol=1e-12)


def test_error_is_of_fourth_order():
    # Hall and Meyer (J. Approx. Theory 16, 1976, from memory): order 4; halving the step divides the error by
    # 16.
    errors = []
    for nodes in (17, 33):
        x = np.linspace(0.0, np.pi, nodes)
        values = np.sin(x)[None, :, None] * np.ones((4, 1, 1))
        spline = spline_through(values, origin=np.zeros(2), step=np.array([x[1], 1.0]))
        fine = np.linspace(0.0, np.pi, 999)
        errors.append(np.max(np.abs(spline.on_lattice(fine, np.zeros(1))[0, :, 0] - np.sin(fine))))
    assert 3.7 < np.log2(errors[0] / errors[1]) < 5.2


def test_continuation_is_exact_for_polynomials():
    x, y = np.meshgrid(np.linspace(-1, 1, 21), np.linspace(-1, 1, 17))
    values = np.stack([x**5 + y, x * y**3 - y**5], axis=-1)
    valid = np.hypot(x, y) < 0.75
    filled = fill_outward(values, valid)
    np.testing.assert_array_equal(filled[valid], values[valid])
    ring = (np.hypot(x, y) < 0.9) & ~valid
    np.testing.assert_allclose(filled[ring], values[ring], atol=0.02)
    two_rings = np.zeros((9, 30), dtype=bool)
    two_rings[:, 2:28] = True
    line = np.broadcast_to((np.linspace(-1, 1, 30) ** 5)[None, :, None], (9, 30, 1))
    np.testing.assert_allclose(fill_outward(line, two_rings), line, atol=1e-12)


def test_continuation_fills_everything_from_one_node():
    valid = np.zeros((40, 50), dtype=bool)
    valid[3, 4] = True
    filled = fill_outward(np.full((40, 50, 2), 7.0), valid)
    np.testing.assert_allclose(filled, 7.0)


def test_too_few_nodes_and_nothing_valid_are_errors():
    with pytest.raises(ShapeError, match="lattice has 3 x 9 nodes; expected at least 4 each way"):
        spline_through(np.zeros((3, 9, 1)), origin=np.zeros(2), step=np.ones(2))
    with pytest.raises(ShapeError, match="no node is valid"):
        fill_outward(np.zeros((5, 5, 2)), np.zeros((5, 5), dtype=bool))
