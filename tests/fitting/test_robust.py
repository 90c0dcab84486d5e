"""Robust scale and weights: the scale of normal noise, with outliers and without, and where weight ends."""

import numpy as np
import pytest

from prewarp.robust import is_outlier, redescending_weight, sigma_with_tails


@pytest.mark.parametrize("outliers", [0, 60])
def test_the_scale_is_that_of_normal_noise(outliers):
    """Two per cent of outliers, however far away, change the scale by a few per cent."""
    length = np.hypot(*np.random.default_rng(6).normal(0.0, 0.3, (2, 3000)))
    length[:outliers] = 1e6
    assert sigma_with_tails(length) == pytest.approx(0.3, rel=0.03 if outliers == 0 else 0.1)


def test_the_median_counts_where_tails_are_short():
    """All lengths alike: the median of a 2D normal vector is sqrt(2 ln 2) of its sigma, its 95 % more."""
    assert sigma_with_tails(np.full(50, 2.0)) == pytest.approx(2.0 / np.sqrt(2.0 * np.log(2.0)))


def test_weight_is_one_to_four_sigma_and_none_beyond_six():
    np.testing.assert_allclose(
        redescending_weight(np.array([0.0, 3.9, 5.0, 6.0, 1e9]), 1.0), [1.0, 1.0, 0.5, 0.0, 0.0], atol=1e-15
    )


def test_outliers_are_far_by_sigma_and_by_length():
    length = np.array([4.9, 5.1, 5.1, 0.5])
    sigma = np.array([1.0, 1.0, 1.0, 0.01])
    np.testing.assert_array_equal(is_outlier(length, sigma, least=1.0), [False, True, True, False])
