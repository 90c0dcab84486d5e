"""The polynomial of the seam error answers to the exact seam error, and so do lookup residuals."""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.budget import lookup_residual, seam_surface
from prewarp.errors import SeamError
from prewarp.frames import arcmin_step
from prewarp.module import EyeBox
from prewarp.seam import seam_error, seam_sensitivity
from tests.budget.scenes import ARCMIN_PER_MM, BOX, linear_scene
from tests.closed_form import PlaneChannel, two_channels
from tests.sampled_fields import sampled_set
from tests.synthetic import two_channels as two_displays

# A hundredth of the 1 arcmin that a budget is held to.
MISSED_ARCMIN = 0.01


@pytest.fixture(scope="module")
def displays():
    """Two channels whose image planes stand at 30 degrees to each other, one 0.4 m ahead, unlike bent."""
    channels = two_displays(size_px=(640, 480), focal_px=720.0)
    channels["outer"] = replace(channels["outer"], distance_m=0.4)
    fields = sampled_set(channels)
    return fields.field("inner", "G"), fields.field("outer", "G")


def test_agrees_with_the_exact_seam_error(displays):
    tangent = np.array([[0.0, 0.0], [0.02, 0.15], [-0.03, -0.18]])
    box = EyeBox(4.0, 3.0, 2.0)
    surface = seam_surface(*displays, tangent, eye_box=box)
    random = np.random.default_rng(8)
    pupil, tracked = random.uniform(-1.0, 1.0, (2, 200, 3)) * box.half_mm
    tracked[100:] = np.clip(pupil[100:] + random.normal(0.0, 0.3, (100, 3)), -box.half_mm, box.half_mm)
    largest = 0.0
    for place, one in enumerate(tangent):
        exact = seam_error(*displays, one, pupil_mm=pupil, tracked_pupil_mm=tracked)
        missed = np.hypot(*(surface.step_arcmin(place, pupil.T, tracked.T) - exact.vector_arcmin.T))
        assert exact.valid.all() and np.sqrt(np.mean(missed**2)) < MISSED_ARCMIN
        assert missed.max() < 2.0 * surface.error_max_arcmin + 1e-3
        # Near the diagonal, where a tracked eye lives, it is better still.
        assert missed[100:].max() < MISSED_ARCMIN
        largest = max(largest, exact.error_arcmin.max())
    assert largest > 5.0 and surface.error_rms_arcmin < MISSED_ARCMIN


def test_directions_between_those_of_the_surface_agree_too(displays):
    random = np.random.default_rng(9)
    nodes = random.uniform([-0.04, -0.2], [0.04, 0.2], (60, 2))
    surface = seam_surface(*displays, nodes, eye_box=BOX)
    tangent = random.uniform([-0.03, -0.18], [0.03, 0.18], (200, 2))
    pupil, tracked = random.uniform(-1.0, 1.0, (2, 200, 3)) * BOX.half_mm
    exact = seam_error(*displays, tangent, pupil_mm=pupil, tracked_pupil_mm=tracked)
    missed = np.hypot(*(surface.step_between_arcmin(tangent, pupil.T, tracked.T) - exact.vector_arcmin.T))
    assert np.sqrt(np.mean(missed**2)) < MISSED_ARCMIN and missed.max() < 2.0 * MISSED_ARCMIN
    assert exact.error_arcmin.max() > 1.0
    # With few directions nothing is known between them but their mean.
    few = seam_surface(*displays, nodes[:1], eye_box=BOX)
    one = few.step_between_arcmin(np.broadcast_to(nodes[0], (200, 2)), pupil.T, tracked.T)
    np.testing.assert_allclose(one, few.step_arcmin(0, pupil.T, tracked.T), atol=1e-9)


def test_first_order_is_the_sensitivity(displays):
    tangent = np.array([[0.0, 0.0], [0.02, 0.15]])
    surface = seam_surface(*displays, tangent, eye_box=EyeBox(4.0, 3.0, 2.0))
    exact = seam_sensitivity(*displays, tangent, pupil_mm=np.zeros(3))
    np.testing.assert_allclose(surface.first_order(), exact, atol=2e-3)


def test_a_right_tracker_leaves_nothing(displays):
    surface = seam_surface(*displays, np.zeros((1, 2)), eye_box=BOX)
    pupil = np.random.default_rng(3).uniform(-1.0, 1.0, (3, 50)) * BOX.half_mm[:, None]
    np.testing.assert_array_equal(surface.step_arcmin(0, pupil, pupil), 0.0)


def test_two_planes_have_their_closed_form():
    surface = linear_scene().surface
    step = surface.step_arcmin(0, np.array([[1.5], [-1.0], [0.0]]), np.array([[-0.5], [0.0], [0.0]]))[:, 0]
    # The second plane is farther, so its picture moves less against the pupil: the step goes with the pupil
    # error.
    np.testing.assert_allclose(step, np.array([2.0, -1.0]) * ARCMIN_PER_MM, rtol=2e-3)


def test_a_flat_eye_box_is_enough():
    left, right = two_channels(distance_m=(1.5, 3.0))
    surface = seam_surface(left, right, np.zeros((1, 2)), eye_box=EyeBox(3.0, 3.0, 0.0))
    step = surface.step_arcmin(0, np.array([[1.0], [0.0], [0.1]]), np.zeros((3, 1)))[:, 0]
    np.testing.assert_allclose(step, [ARCMIN_PER_MM, 0.0], atol=2e-3)


def test_directions_out_of_reach_are_an_error_that_says_where():
    left, right = two_channels()
    with pytest.raises(
        SeamError, match=r"dir_x 16.70, dir_y 0.00 degrees: channels 'left' and 'right' both show it"
    ):
        seam_surface(left, right, [[0.3, 0.0]], eye_box=BOX)


def test_lookup_residual_falls_with_the_square_of_the_pitch(displays):
    tangent = np.array([[0.0, 0.0], [0.02, 0.15], [-0.03, -0.15]])
    box = EyeBox(4.0, 3.0, 2.0)
    sizes = [
        np.sqrt(np.mean(lookup_residual(*displays, tangent, eye_box=box, nodes=nodes, samples=1024) ** 2))
        for nodes in ((3, 3, 3), (5, 5, 5), (9, 9, 9))
    ]
    # Linear interpolation: h^2 / 8 times the second derivative (common practice), so halving h quarters it.
    np.testing.assert_allclose(np.array(sizes[:-1]) / sizes[1:], 4.0, rtol=0.1)


def test_lookup_residual_against_the_bound_of_linear_interpolation():
    """Undistorted channels: the panel point is linear in x, y and, but for its product with direction, z."""
    channels = [PlaneChannel(name, distance_m=1.5, half_width=0.4) for name in ("one", "two")]
    flat = lookup_residual(*channels, np.zeros((1, 2)), eye_box=EyeBox(3.0, 3.0, 0.0), nodes=(2, 2, 1))
    assert np.abs(flat).max() < 1e-9
    step = lookup_residual(*channels, np.array([[0.1, 0.0]]), eye_box=EyeBox(3.0, 3.0, 2.0), nodes=(2, 2, 2))
    assert np.abs(step).max() < 1e-9 and step.shape == (4096, 2)
    assert arcmin_step(np.zeros(2), np.array([1e-3, 0.0]))[0] == pytest.approx(3.43775, abs=1e-4)


def test_lookup_nodes_out_of_range_are_refused(displays):
    with pytest.raises(SeamError, match=r"nodes is \(1, 5, 5\); expected 2 to 65"):
        lookup_residual(*displays, np.zeros((1, 2)), eye_box=BOX, nodes=(1, 5, 5))
