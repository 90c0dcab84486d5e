"""Steps between directions and the axes across the line of sight."""

import numpy as np
import pytest

from prewarp.frames import arcmin_between, arcmin_step, reference_pupil, sight_axes, unit_from_tangent


def test_axes_are_right_up_and_across():
    tangent = np.random.default_rng(0).uniform(-1.2, 1.2, (50, 2))
    right, up = np.moveaxis(sight_axes(tangent), 1, 0)
    forward = unit_from_tangent(tangent)
    for one, other, expected in (
        (right, right, 1.0),
        (up, up, 1.0),
        (right, up, 0.0),
        (right, forward, 0.0),
        (up, forward, 0.0),
    ):
        np.testing.assert_allclose(np.sum(one * other, axis=1), expected, atol=1e-14)
    assert np.all(right[:, 1] == 0.0) and np.all(right[:, 0] > 0.0) and np.all(up[:, 1] > 0.0)
    np.testing.assert_allclose(sight_axes(np.zeros(2)), [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])


def test_a_ray_crosses_the_reference_plane_where_it_is_walked_to():
    pupil = np.random.default_rng(2).uniform(-5.0, 5.0, (20, 3))
    tangent = np.random.default_rng(3).uniform(-0.8, 0.8, (20, 2))
    walked = pupil - pupil[:, 2:] * np.column_stack([tangent, np.ones(20)])
    np.testing.assert_allclose(walked[:, 2], 0.0, atol=1e-15)
    np.testing.assert_allclose(reference_pupil(tangent, pupil), walked[:, :2])
    # Behind the plane, looking to the right: the crossing lies further right.
    assert reference_pupil(np.array([0.5, 0.0]), np.array([0.0, 0.0, -2.0]))[0] == 1.0


@pytest.mark.outside
def test_a_step_of_one_mrad():
    # 1 mrad = 3.43775 arcmin (common practice); a step up seen 45 degrees to the side is 1 / sqrt(2) of the
    # tangent's.
    np.testing.assert_allclose(arcmin_step(np.zeros(2), np.array([1e-3, 0.0])), [3.43775, 0.0], atol=1e-4)
    np.testing.assert_allclose(
        arcmin_step(np.array([1.0, 0.0]), np.array([1.0, 1e-3])), [0.0, 3.43775 / np.sqrt(2)], atol=1e-4
    )


def test_its_length_is_the_angle_and_turning_back_its_negative():
    one, other = np.random.default_rng(1).uniform(-0.8, 0.8, (2, 200, 2))
    other[:100] = one[:100] + 1e-5 * other[:100]
    step = arcmin_step(one, other)
    # Steps lie across the sight of the middle direction, which the chord meets at right angles but for second
    # order.
    np.testing.assert_allclose(np.hypot(*step[:100].T), arcmin_between(one, other)[:100], rtol=1e-6)
    np.testing.assert_allclose(arcmin_step(other, one), -step, atol=1e-9)
    assert np.all(arcmin_step(one, one) == 0.0)
    assert np.isnan(arcmin_step(np.array([np.nan, 0.0]), np.zeros(2))).all()


def test_pupils_on_one_ray_have_one_reference():
    tangent = np.array([[0.3, -0.2], [-0.5, 0.4]])
    start = np.array([[1.0, 2.0], [-3.0, 0.5]])
    for z in (-2.0, 0.0, 1.5):
        on_ray = np.column_stack([start + z * tangent, [z, z]])
        np.testing.assert_allclose(reference_pupil(tangent, on_ray), start, atol=1e-15)
