"""Weights and gains as device tables."""

import numpy as np
import pytest

from prewarp.errors import ShapeError
from prewarp.lookup.coding import Format
from prewarp.lookup.device import surface_values
from prewarp.lookup.surfaces import directions_shown, fitted_surface, gain_surface, weight_surface
from prewarp.seam import build_seam
from tests.closed_form import EYE_BOX_CORNERS, plane_set, two_channels

BOX_MM = np.array([[-4.0, -3.0, -2.0], [4.0, 3.0, 2.0]])
LOW, HIGH = np.array([-1.0, 0.0]), np.array([1.0, 0.5])


def ramp(point):
    return 0.25 + 0.5 * point[..., 0] - 0.1 * point[..., 1]


def test_a_plane_needs_the_coarsest_table():
    surface = fitted_surface(ramp, LOW, HIGH, channel=0, colour=None, max_error=0.002)
    assert (surface.columns, surface.rows) == (9, 5)
    # Range 1.05 in 255 steps: half a step is 0.0021, so 8 bits miss the limit by a hair and 16 are taken.
    assert surface.block.format == Format.UINT16
    coarse = fitted_surface(ramp, LOW, HIGH, channel=0, colour=None, max_error=0.004)
    assert coarse.block.format == Format.UINT8 and coarse.error <= 0.0021


def test_values_by_hand_and_beyond_the_border():
    surface = fitted_surface(ramp, LOW, HIGH, channel=0, colour=None, max_error=1e-4)
    points = np.array([[0.0, 0.25], [1.0, 0.5], [7.0, 0.5], [np.nan, 0.0]])
    np.testing.assert_allclose(surface_values(surface, points), [0.225, 0.7, 0.7, -0.25], atol=1e-4)


def test_error_is_what_it_says():
    def wave(point):
        return 0.5 + 0.4 * np.sin(5.0 * point[..., 0]) * np.cos(4.0 * point[..., 1])

    surface = fitted_surface(wave, LOW, HIGH, channel=0, colour=None, max_error=0.002)
    points = np.random.default_rng(2).uniform(LOW, HIGH, (20_000, 2))
    error = np.abs(surface_values(surface, points) - wave(points)).max()
    assert 0.5 * surface.error < error <= 1.05 * surface.error <= 0.0021


def test_a_jump_cannot_be_reached_and_the_table_says_so(monkeypatch):
    # Of those tried the one with the least mean square is taken, wherever it stands.
    monkeypatch.setattr("prewarp.lookup.surfaces.NODE_COUNTS", (9, 33, 17))
    surface = fitted_surface(
        lambda p: (p[..., 0] > 0.1).astype(float), LOW, HIGH, channel=0, colour=None, max_error=0.01
    )
    assert surface.error > 0.3 and surface.columns == 33


def test_blend_weights_follow_the_seam(fields, seam):
    left = weight_surface(seam, fields, "left", place=0, box_mm=BOX_MM, max_error=0.01)
    tangent = np.random.default_rng(3).uniform(left.low, left.high, (5000, 2))
    error = np.abs(surface_values(left, tangent) - seam.weights(tangent)[0])
    assert np.quantile(error, 0.985) < 0.01
    # Weights jump where borders cross; the surface says that there is more than the limit somewhere.
    assert left.error > 0.3
    assert left.block.byte_count < 20_000


def test_directions_shown_hold_every_pupil(fields):
    low, high = directions_shown([fields.field("left", colour) for colour in fields.colours], BOX_MM)
    corners = np.array([[0.0, 0.0], [640.0, 0.0], [640.0, 480.0], [0.0, 480.0]])
    seen = fields.field("left", "R").forward(corners[:, None], pupil_mm=EYE_BOX_CORNERS)
    assert np.all(seen >= low - 1e-12) and np.all(seen <= high + 1e-12)


def test_gain_counts_what_the_pupil_changes():
    (field, _) = two_channels()

    def gain(pixel, tangent, pupil):
        return 0.8 + 1e-4 * pixel[..., 0] + 0.001 * pupil[0] + 0.0 * tangent[..., 0]

    surface = gain_surface(gain, field, channel=0, colour=1, box_mm=BOX_MM)
    assert (surface.channel, surface.colour) == (0, 1)
    assert surface_values(surface, np.array([320.0, 240.0])) == pytest.approx(0.832, abs=1e-3)
    # 4 mm of pupil change the gain by 0.004, which no table over the panel can hold.
    assert 0.004 <= surface.error < 0.005
    steady = gain_surface(lambda p, t, e: gain(p, t, 0 * e), field, channel=0, colour=1, box_mm=BOX_MM)
    assert steady.error <= 0.002


def test_bad_error_is_refused():
    with pytest.raises(ShapeError, match="max_error is 0.0; expected"):
        fitted_surface(ramp, LOW, HIGH, channel=0, colour=None, max_error=0.0)


def test_closed_form_seam_is_whole():
    seam = build_seam(plane_set(*two_channels(), colours=("G",)), pupils_mm=EYE_BOX_CORNERS)
    assert seam.channels == ("left", "right")
