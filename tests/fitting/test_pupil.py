"""Pupil columns: gradients have no curl, curl columns have, together they span everything."""

import numpy as np
import pytest

from prewarp.fitting.pupil import PupilFrame, pupil_columns

HALF = (4.0, 3.0)


def _values(columns, x, y):
    scalar = PupilFrame((0.0, 0.0), HALF).values(np.stack([x, y], axis=-1), columns.degree)
    return columns.x @ scalar, columns.y @ scalar


def test_gradient_columns_obey_malus_dupin_and_curl_columns_do_not():
    columns = pupil_columns(3, HALF)
    random = np.random.default_rng(0)
    x, y = random.uniform(-3, 3, (2, 9))
    step = 1e-4
    by_y = (_values(columns, x, y + step)[0] - _values(columns, x, y - step)[0]) / (2 * step)
    by_x = (_values(columns, x + step, y)[1] - _values(columns, x - step, y)[1]) / (2 * step)
    curl = np.abs(by_y - by_x).max(axis=1)
    assert curl[~columns.is_curl].max() < 1e-8
    assert curl[columns.is_curl].min() > 1e-3


@pytest.mark.parametrize("half_mm", [HALF, (3.0, 3.0)])
def test_columns_span_all_vector_polynomials(half_mm):
    columns = pupil_columns(4, half_mm)
    table = np.concatenate([columns.x, columns.y], axis=1)
    assert table.shape == (30, 30)
    assert np.linalg.matrix_rank(table) == 30


def test_parity_tells_the_mirror():
    """A mirror of x (with u) turns qx and keeps qy: columns of even parity do that by themselves."""
    columns = pupil_columns(3, HALF)
    x, y = np.array([1.3]), np.array([0.7])
    (qx, qy), (mx, my) = _values(columns, x, y), _values(columns, -x, y)
    sign = np.where(columns.parity[:, 0] == 0, 1.0, -1.0)
    np.testing.assert_allclose(mx[:, 0], -sign * qx[:, 0], atol=1e-12)
    np.testing.assert_allclose(my[:, 0], sign * qy[:, 0], atol=1e-12)


def test_products_against_values():
    columns = pupil_columns(2, HALF)
    x, y = np.array([0.4, -2.0]), np.array([1.9, 0.1])
    gx, gy = _values(columns, x, y)
    wide = PupilFrame((0.0, 0.0), HALF).values(np.stack([x, y], axis=-1), 4)
    products = columns.products @ wide
    np.testing.assert_allclose(products[:, :, 0], gx[:, None] * gx[None], atol=1e-12)
    np.testing.assert_allclose(products[:, :, 1], gx[:, None] * gy[None] + gy[:, None] * gx[None], atol=1e-12)
    np.testing.assert_allclose(products[:, :, 2], gy[:, None] * gy[None], atol=1e-12)
