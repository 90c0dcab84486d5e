"""Lattices of directions, and seams that follow the pupil."""

import numpy as np
import pytest

from prewarp.frames import tangent_from_degrees
from prewarp.seam import FollowingBlend
from prewarp.seam.directions import (
    SQUARE_DEGREES,
    node_areas_deg2,
    plane_deg_from_tangent,
    tangent_from_plane_deg,
)
from tests.closed_form import PlaneChannel, plane_set


def test_areas_of_nodes_add_up_to_the_solid_angle_of_a_cone():
    """A cone of half angle a has 2 pi (1 - cos a) steradians."""
    step = 0.25
    x, y = np.meshgrid(*(np.arange(-60.0, 60.0 + step, step),) * 2)
    plane = np.stack([x, y], axis=-1)
    inside = np.hypot(x, y) < 50.0
    expected = 2.0 * np.pi * (1.0 - np.cos(np.radians(50.0))) * SQUARE_DEGREES
    assert node_areas_deg2(plane, step)[inside].sum() == pytest.approx(expected, rel=1e-3)


def test_the_plane_is_the_angle_along_the_azimuth():
    angle = np.array([[30.0, 0.0], [0.0, -40.0], [12.0, 16.0], [0.0, 0.0]])
    length = np.tan(np.radians([30.0, 40.0, 20.0, 0.0]))
    expected = np.array([[1.0, 0.0], [0.0, -1.0], [0.6, 0.8], [0.0, 0.0]]) * length[:, None]
    np.testing.assert_allclose(tangent_from_plane_deg(angle), expected, atol=1e-12)
    np.testing.assert_allclose(plane_deg_from_tangent(expected), angle, atol=1e-9)


def test_a_pupil_a_fraction_of_a_mm_aside_has_a_seam_of_its_own():
    """At half a metre 0.4 mm of the pupil turn the picture, and with it the seam, by 0.8 mrad."""
    half = tangent_from_degrees(30.0)
    channels = [
        PlaneChannel(
            name, panel_size_px=(800, 400), distance_m=0.5, centre=(sign * 0.9 * half, 0.0), half_width=half
        )
        for name, sign in (("left", -1.0), ("right", 1.0))
    ]
    policy = FollowingBlend(plane_set(*channels, colours=("G",)), ("left", "right"))
    here, aside = np.zeros(3), np.array([0.4, 0.0, 0.0])
    tangent = np.array([[0.01, 0.0], [-0.01, 0.05]])
    assert policy.at(here) is policy.at(here)
    shift = np.array([0.4 / 500.0, 0.0])
    np.testing.assert_allclose(
        policy.at(aside).weights(tangent - shift), policy.at(here).weights(tangent), atol=2e-3
    )
    assert np.abs(policy.at(aside).weights(tangent) - policy.at(here).weights(tangent)).max() > 5e-3
