"""The closed-form display must itself be right: others use it as truth."""

from dataclasses import replace

import numpy as np
import pytest

from tests.synthetic import PlaneImage, make_grid, plane_image_forward, plane_image_inverse, two_channels


def test_all_rays_of_one_panel_point_meet_in_one_image_point():
    display = two_channels()["inner"]
    pupils = np.array([[0.0, 0.0, 0.0], [4.0, -3.0, 0.0], [-2.0, 4.0, 2.0]])
    tangent = plane_image_forward(np.array([300.0, 2100.0]), pupils, display)
    depth = np.linspace(1000.0, 2000.0, 100_001)
    at = (
        pupils[:, None, :2]
        + (depth[:, None] - pupils[:, None, None, 2]).squeeze(2)[..., None] * tangent[:, None]
    )
    spread = np.ptp(at, axis=0).max(axis=1)
    assert spread.min() < 0.01  # mm; the depth is sampled every 0.01 mm
    assert spread[0] > 0.5


def test_undistorted_display_is_similar_triangles():
    plain = PlaneImage(radial=(0.0, 0.0), decentring=(0.0, 0.0), keystone=(0.0, 0.0))
    # 300 px right of and 600 px above the middle at 3000 px focal length, image at 1500 mm, pupil 3 mm right.
    tangent = plane_image_forward(np.array([1580.0, 680.0]), np.array([3.0, 0.0, 0.0]), plain)
    assert tangent == pytest.approx([(150.0 - 3.0) / 1500.0, 0.2])


@pytest.mark.parametrize("backwards", [False, True])
def test_inverse_returns_the_panel_point(backwards):
    display = replace(two_channels()["outer"], u_backwards=backwards)
    pixel = np.random.default_rng(0).uniform(0, 2560, (500, 2))
    pupil = np.array([3.0, -2.0, 1.5])
    again = plane_image_inverse(plane_image_forward(pixel, pupil, display), pupil, display)
    assert np.abs(again - pixel).max() < 1e-9


@pytest.mark.parametrize("kind", ["panel", "direction", "scattered"])
def test_noise_has_the_size_asked_for(kind):
    quiet, noisy = make_grid(kind, points=9), make_grid(kind, points=9, noise_px=0.1)
    if kind == "panel":
        shift = np.abs(noisy.tangent - quiet.tangent).mean()
        assert 0.1 / 3000 * 0.5 < shift < 0.1 / 3000 * 1.5
    else:
        assert (noisy.pixel - quiet.pixel).std() == pytest.approx(0.1, rel=0.1)
