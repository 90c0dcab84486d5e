"""Focus against point images, Coddington's mirror, and close rays traced through the demo's optics."""

import numpy as np
import pytest

from prewarp.errors import ShapeError
from prewarp.focus import channel_focus, focus_at, focus_from_slope, focus_of_panel
from prewarp.frames import unit_from_tangent
from prewarp.module import read_module
from prewarp.resources import resource_path
from prewarp.trace import read_design, trace_channel
from tests.closed_form import two_channels
from tests.sampled_fields import sampled_set
from tests.synthetic import PlaneImage

# What differences over a tenth of a millimetre leave.
TRACED_DIOPTRES = 2e-4


@pytest.mark.outside
@pytest.mark.parametrize("point_mm", [(0.0, 0.0, 2000.0), (700.0, -300.0, 1500.0), (-400.0, 900.0, 400.0)])
def test_a_point_image_has_its_distance_along_the_ray(point_mm):
    """dt/de of a point at (X, Y, Z) is -1/Z times the unit matrix; its distance along the ray is |(X, Y, Z)|.

    Vergence is the inverse of the distance in metres: Smith, Modern Optical Engineering, from memory.
    """
    point = np.array(point_mm)
    tangent, slope = point[:2] / point[2], -np.eye(2) / point[2]
    found = focus_from_slope(tangent, slope)
    assert found.dioptres == pytest.approx(1000.0 / np.linalg.norm(point), rel=1e-12)
    assert found.astigmatism_dioptres == pytest.approx(0.0, abs=1e-12)
    assert found.curl_dioptres == pytest.approx(0.0, abs=1e-12) and found.valid


@pytest.mark.outside
def test_two_focal_lines_of_a_mirror():
    """Concave mirror R = 100 mm met at 30 degrees by a parallel beam: foci at (R/2) cos I and (R/2) / cos I.

    43.301270 and 57.735027 mm (Coddington; Kingslake, Lens Design Fundamentals, from memory). Here such a
    bundle is met straight ahead, its axes at 20 degrees.
    """
    near, far = 43.301270, 57.735027
    c, s = np.cos(np.radians(20.0)), np.sin(np.radians(20.0))
    turn = np.array([[c, -s], [s, c]])
    found = focus_from_slope(np.zeros(2), -turn @ np.diag([1.0 / near, 1.0 / far]) @ turn.T)
    assert found.dioptres == pytest.approx(500.0 / near + 500.0 / far)
    assert found.astigmatism_dioptres == pytest.approx(1000.0 / near - 1000.0 / far)
    assert found.axis_deg == pytest.approx(20.0)


def test_curl_is_seen_and_kept_apart():
    slope = np.array([[-5e-4, 2e-5], [-2e-5, -5e-4]])
    found = focus_from_slope(np.zeros(2), slope)
    assert found.curl_dioptres == pytest.approx(-0.02)
    assert found.dioptres == pytest.approx(0.5) and found.astigmatism_dioptres == pytest.approx(
        0.0, abs=1e-12
    )


def test_a_plane_is_as_far_as_its_points():
    left, _ = two_channels(distance_m=(1.5, 3.0))
    tangent = np.array([[0.0, 0.0], [-0.5, 0.1], [0.9, 0.9]])
    found = focus_at(left, tangent, pupil_mm=[1.0, 2.0, -1.0])
    length = 1.501 * np.sqrt(1.0 + np.sum(tangent**2, axis=1))
    np.testing.assert_allclose(found.dioptres[:2], 1.0 / length[:2], rtol=1e-9)
    # Straight ahead the plane is 1.501 m from that pupil, whatever the direction.
    np.testing.assert_allclose(found.axial_dioptres[:2], 1.0 / 1.501, rtol=1e-9)
    assert found.valid.tolist() == [True, True, False] and np.isnan(found.dioptres[2])


def test_a_fitted_field_of_a_turned_plane_is_the_closed_form():
    """Every panel point is one point in space (tests/synthetic.py), so its distance follows from geometry."""
    display = PlaneImage(size_px=(640, 480), focal_px=720.0, yaw_deg=15.0)
    field = sampled_set({"one": display}).field("one", "G")
    pixel = np.random.default_rng(1).uniform([40, 40], [600, 440], (60, 2))
    pupil = np.array([2.0, -1.5, 1.0])
    plane = display.plane(pixel)
    angle = np.radians(15.0)
    turn = np.array([[np.cos(angle), 0, np.sin(angle)], [0, 1, 0], [-np.sin(angle), 0, np.cos(angle)]])
    point = np.column_stack([plane, np.ones(60)]) @ turn.T * 1500.0
    found = focus_of_panel(field, pixel, pupil_mm=pupil)
    np.testing.assert_allclose(found.dioptres, 1000.0 / np.linalg.norm(point - pupil, axis=1), atol=1e-6)
    assert np.abs(found.astigmatism_dioptres).max() < 1e-5 and np.abs(found.curl_dioptres).max() < 1e-5


@pytest.mark.parametrize("name", ["coaxial", "folded"])
def test_close_by_rays_of_the_trace_meet_where_the_focus_says(name):
    """Rays of one panel point from pupils 0.1 mm apart, found by tracing alone; they cross at the image.

    The pupil steps along the two principal axes, where rays do meet; where they come nearest is the focal
    line.
    """
    module = read_module(resource_path("calib", f"{name}.module.toml"))
    design = read_design(resource_path("calib", f"{name}.design.toml"))
    channel = module.channels[0]
    optics, wavelength = design.channel(channel.name), module.colour("G").wavelength_nm

    def panel(tangent, pupil):
        return trace_channel(optics, channel.panel, tangent, pupil_mm=pupil, wavelength_nm=wavelength).pixel

    middle = np.tan(np.radians([np.mean(channel.reach.dir_x_deg), np.mean(channel.reach.dir_y_deg)]))
    tangent = middle + np.array([[0.0, 0.0], [0.1, 0.05], [-0.12, 0.1], [0.05, -0.15]])
    step = 0.1

    def slope(of, size):
        return np.stack([(of(size * axis) - of(-size * axis)) / (2.0 * size) for axis in np.eye(2)], axis=-1)

    by_tangent = slope(lambda d: panel(tangent + d, np.zeros(3)), 1e-4)
    by_pupil = slope(lambda d: panel(tangent, np.append(d, 0.0)), step)
    found = focus_from_slope(tangent, -np.linalg.solve(by_tangent, by_pupil))
    assert found.valid.all() and np.abs(found.curl_dioptres).max() < 5.0 * TRACED_DIOPTRES

    def seen_from(pupil):
        """Directions in which the panel points of the middle pupil are seen, by Newton steps on the trace."""
        goal, direction = panel(tangent, np.zeros(3)), tangent.copy()
        for _ in range(6):
            rest = goal - panel(direction, pupil)
            direction = direction + np.linalg.solve(by_tangent, rest[..., None])[..., 0]
        return unit_from_tangent(direction)

    vergence = []
    for turned in (0.0, 90.0):
        axis = np.radians(found.axis_deg + turned)
        forward = unit_from_tangent(tangent)
        level = np.stack([np.ones(4), np.zeros(4), -tangent[:, 0]], axis=-1)
        right = level / np.linalg.norm(level, axis=1, keepdims=True)
        across = np.cos(axis)[:, None] * right + np.sin(axis)[:, None] * np.cross(forward, right)
        ends = [sign * step * across for sign in (1.0, -1.0)]
        rays = [seen_from(end) for end in ends]
        apart, closing = ends[0] - ends[1], rays[1] - rays[0]
        # Nearest approach of the two lines, from the pupil: (apart . closing) / |closing|^2, mm.
        vergence.append(1000.0 * np.sum(closing * apart, axis=1) / np.sum(apart * apart, axis=1))
    near, far = vergence
    np.testing.assert_allclose(found.dioptres, 0.5 * (near + far), atol=TRACED_DIOPTRES)
    np.testing.assert_allclose(found.astigmatism_dioptres, near - far, atol=5.0 * TRACED_DIOPTRES)


def test_wrong_shapes_are_refused():
    with pytest.raises(ShapeError, match=r"slope has shape \(2,\); expected \(..., 2, 2\)"):
        focus_from_slope(np.zeros(2), np.zeros(2))
    with pytest.raises(ShapeError, match=r"tangent has shape \(3,\)"):
        focus_from_slope(np.zeros(3), np.zeros((2, 2)))


def test_a_flat_image_has_one_distance_straight_ahead_and_many_along_the_ray():
    """A plane 1.5 m ahead is 0.667 dioptres away straight ahead, less along slanting rays."""
    fields = sampled_set({"one": PlaneImage(size_px=(640, 480), focal_px=560.0, yaw_deg=0.0)})
    figures = channel_focus(fields, "one", pupil_mm=np.zeros(3))
    for part in ("mean", "p05", "p95"):
        assert figures[f"image_vergence_axial_{part}_dioptres"] == pytest.approx(1.0 / 1.5, abs=1e-5)
    assert figures["image_vergence_mean_dioptres"] < 0.62
    assert figures["image_vergence_p05_dioptres"] < 0.58
