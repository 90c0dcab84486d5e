"""Azimuth and elevation of a goniometer written as projected angles: found, named, mended by what is said."""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.checking import check_grid
from prewarp.checking.angles import tangent_from_goniometer
from prewarp.frames import arcmin_between, unit_from_tangent
from tests.synthetic import make_grid, pupil_lattice


@pytest.fixture(scope="module")
def clean():
    return make_grid(noise_px=0.05, points=13, pupils=pupil_lattice(5), colours=("G",), seed=2)


def goniometer_deg(tangent, inner):
    """Return the two angles of a goniometer that looks along tangents (n, 2), degrees.

    `inner` 1: the instrument turns about the vertical axis first (azimuth), then tips up in that plane.
    """
    x, y, z = unit_from_tangent(tangent).T
    if inner == 1:
        return np.degrees(np.stack([np.arctan2(x, z), np.arcsin(y)], axis=-1))
    return np.degrees(np.stack([np.arcsin(x), np.arctan2(y, z)], axis=-1))


@pytest.mark.parametrize("inner", [0, 1])
def test_the_cause_is_named_with_its_size(clean, inner):
    angles = goniometer_deg(clean.tangent, inner)
    result = check_grid(replace(clean, tangent=np.tan(np.radians(angles)), direction_deg=None))
    (found,) = result.of("angles", "error")
    assert not result.of("curl") and not result.of("shot") and not result.of("patch")
    worst = arcmin_between(np.tan(np.radians(angles)), clean.tangent).max() / 60.0
    assert found.size.value == pytest.approx(worst, rel=0.02) and found.size.unit == "degrees" and worst > 1.5
    assert ("azimuth and elevation" in found.text) == (inner == 1)


@pytest.mark.parametrize("inner", [0, 1])
def test_the_formula_is_that_of_the_rotations(inner):
    true = np.random.default_rng(1).uniform(-0.7, 0.7, (50, 2))
    written = np.tan(np.radians(goniometer_deg(true, inner)))
    np.testing.assert_allclose(tangent_from_goniometer(written, inner=inner), true, atol=1e-12)


def test_projected_angles_and_another_curl_are_not_named_so(clean):
    assert not check_grid(clean).of("angles")
    a = np.radians(3.0)
    turn = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]])
    result = check_grid(replace(clean, pupil_mm=clean.pupil_mm @ turn))
    assert not result.of("angles") and result.of("curl")
