"""Seam between closed-form channels: reach, field of view, blend weights, misregistration."""

from dataclasses import dataclass

import numpy as np
import pytest

from prewarp.errors import SeamError, ShapeError
from prewarp.frames import arcmin_between, tangent_from_degrees, unit_from_tangent
from prewarp.seam import (
    build_seam,
    channel_reach,
    field_of_view,
    quintic_smoothstep,
    seam_error,
    seam_sensitivity,
    survey_gaps,
)
from prewarp.seam.blend import LEAST_CLAIM
from prewarp.seam.claims import ROUNDING_PITCHES
from tests.closed_form import EYE_BOX_CORNERS, PlaneChannel, plane_set, two_channels

CENTRE = np.zeros(3)
# Sum of a few ratios of doubles: one or two units in the last place.
UNITY = 1e-12
# 1e-6 arcmin: three hundredths of a milliarcsecond, far under any eye and far above rounding.
SAME_PLANE_ARCMIN = 1e-6


@pytest.fixture(scope="module")
def directions():
    return np.random.default_rng(7).uniform([-0.8, -0.5], [0.8, 0.5], (200_000, 2))


def flat_channel(name, dir_x_deg, half_y_deg=15.0):
    """A channel without distortion, as good as at infinity, whose reach is a rectangle of tangents."""
    low, high = tangent_from_degrees(np.array(dir_x_deg))
    half = (high - low) / 2.0
    aspect = tangent_from_degrees(half_y_deg) / half
    size = (1000, round(1000 * aspect))
    return PlaneChannel(
        name, panel_size_px=size, distance_m=1e6, centre=((low + high) / 2.0, 0.0), half_width=half
    )


def test_smoothstep_known_values():
    # Perlin's quintic 6 t^5 - 15 t^4 + 10 t^3 at 1/4, 1/2, 3/4, worked out by hand.
    np.testing.assert_allclose(
        quintic_smoothstep([-1.0, 0.0, 0.25, 0.5, 0.75, 1.0, 2.0]),
        [0.0, 0.0, 0.103515625, 0.5, 0.896484375, 1.0, 1.0],
        atol=1e-15,
    )
    x = np.linspace(0.0, 1.0, 101)
    np.testing.assert_allclose(quintic_smoothstep(x) + quintic_smoothstep(1.0 - x), 1.0, atol=1e-14)


@pytest.mark.outside
def test_field_of_view_of_a_flat_picture():
    # Common practice: V = 30 degrees at 16:9 gives H = 50.94198 and a diagonal of 57.31706 degrees.
    half = np.tan(np.radians(15.0)) * 16.0 / 9.0
    channel = PlaneChannel("one", panel_size_px=(1600, 900), distance_m=1e6, half_width=half)
    view = field_of_view(channel_reach([channel], pupils_mm=CENTRE))
    assert view.vertical_deg == pytest.approx(30.0, abs=1e-4)
    assert view.horizontal_deg == pytest.approx(50.94198, abs=1e-4)
    assert view.diagonal_deg == pytest.approx(57.31706, abs=1e-4)


@pytest.mark.outside
def test_tiling_arithmetic():
    # Common practice: total and overlap of two tiles follow from their ends.
    reaches = [
        channel_reach([flat_channel(name, ends)], pupils_mm=CENTRE)
        for name, ends in (("left", (-40.0, 4.0)), ("right", (-5.0, 40.0)))
    ]
    assert field_of_view(reaches[0]).horizontal_deg == pytest.approx(44.0, abs=1e-4)
    assert field_of_view(reaches).horizontal_deg == pytest.approx(80.0, abs=1e-4)


def test_reach_agrees_with_the_inverse(directions):
    left, _ = two_channels()
    reach = channel_reach([left], pupils_mm=EYE_BOX_CORNERS)
    on_panel = left.inverse(directions[:, None, :], pupil_mm=EYE_BOX_CORNERS).valid.all(axis=-1)
    differ = on_panel != reach.contains(directions)
    # Chords of the outline: only directions within a fiftieth of an arcmin of it may be judged otherwise.
    assert np.all(reach.distance_deg(directions[differ]) * 60.0 < 0.02)
    assert 0.15 < on_panel.mean() < 0.3


def test_reach_ends_where_the_captured_part_of_the_panel_ends(directions):
    @dataclass(frozen=True)
    class PartlyCaptured(PlaneChannel):
        # The panel without its left tenth and its lower right corner.
        border_pixel: tuple = ((64.0, 0.0), (640.0, 0.0), (640.0, 300.0), (500.0, 480.0), (64.0, 480.0))

    channel = PartlyCaptured("one", division=0.05)
    reach = channel_reach([channel], pupils_mm=CENTRE)
    found = channel.inverse(directions, pupil_mm=CENTRE)
    u, v = found.pixel[..., 0], found.pixel[..., 1]
    expected = found.valid & (u >= 64.0) & ((v - 300.0) * 140.0 + (u - 640.0) * 180.0 <= 0.0)
    differ = expected != reach.contains(directions)
    assert np.all(reach.distance_deg(directions[differ]) * 60.0 < 0.02)
    assert expected.sum() < 0.93 * found.valid.sum()


def test_reach_turns_with_a_panel_that_counts_backwards(directions):
    plain = PlaneChannel("one", division=0.05)
    mirrored = PlaneChannel("one", division=0.05, u_backwards=True)
    both = [channel_reach([c], pupils_mm=CENTRE).contains(directions) for c in (plain, mirrored)]
    np.testing.assert_array_equal(*both)


def test_distance_is_the_angle_to_the_border():
    reach = channel_reach([flat_channel("one", (-20.0, 20.0))], pupils_mm=CENTRE)
    border = reach.outline + np.linspace(0.0, 1.0, 50)[:, None, None] * (
        np.roll(reach.outline, -1, axis=0) - reach.outline
    )
    border = unit_from_tangent(border).reshape(-1, 3)
    points = np.random.default_rng(1).uniform(-0.5, 0.5, (100, 2))
    # Slow and plain: the largest cosine over a dense sampling of the outline.
    plain = np.degrees(np.arccos(np.max(unit_from_tangent(points) @ border.T, axis=1)))
    np.testing.assert_allclose(reach.distance_deg(points), plain, atol=2e-5)
    inside = np.all(np.abs(points) < [np.tan(np.radians(20)), np.tan(np.radians(15))], axis=1)
    np.testing.assert_array_equal(reach.signed_distance_deg(points) > 0, inside)


def test_weights_are_a_partition_of_unity(seam, directions):
    weights = seam.weights(directions)
    served = seam.served(directions)
    union = served.any(axis=0)
    assert weights.shape == (2, len(directions))
    assert weights.min() >= 0.0 and weights.max() <= 1.0
    assert np.max(np.abs(weights.sum(axis=0) - 1.0)[union]) <= UNITY
    # Where only one channel serves a direction, it gives all the light.
    for channel in range(2):
        alone = served[channel] & ~served[1 - channel]
        assert alone.sum() > 10_000
        assert np.max(np.abs(weights[channel, alone] - 1.0)) < 1e-6


def test_single_channel_weighs_exactly_one(directions):
    seam = build_seam(plane_set(two_channels()[0]), pupils_mm=CENTRE)
    assert np.all(seam.weights(directions) == 1.0)


def test_weights_ramp_as_the_formula_says():
    # Two rectangles overlap from -4 to +4 degrees: half-way they share alike, and b = r(d1) / (r(d1) +
    # r(d2)).
    fields = plane_set(
        flat_channel("left", (-40.0, 4.0)), flat_channel("right", (-4.0, 40.0)), colours=("G",)
    )
    seam = build_seam(fields, pupils_mm=CENTRE, feather_deg=6.0)
    assert seam.widest_feather_deg == pytest.approx(8.0, abs=0.26)
    x = np.array([-5.0, -3.0, -1.0, 0.0, 2.0, 3.9, 6.0])
    weights = seam.weights(np.stack([tangent_from_degrees(x), np.zeros(7)], axis=-1))
    # Claims are that ramp rounded over half a degree, each a little larger.
    near = np.linspace(-4.0, 4.0, 801)
    bell = np.exp(-0.5 * near**2) / np.exp(-0.5 * near**2).sum()
    place = x[:, None] + ROUNDING_PITCHES * near
    left, right = quintic_smoothstep((4.0 - place) / 6.0), quintic_smoothstep((place + 4.0) / 6.0)
    claim = (left / (left + right)) @ bell
    both = np.abs(x) < 4.0
    expected = np.where(both, (claim + LEAST_CLAIM) / (1.0 + 2.0 * LEAST_CLAIM), x < 0.0)
    # The lattice, one degree wide, takes the rest.
    np.testing.assert_allclose(weights[0], expected, atol=2e-3)


def test_weights_are_smooth_across_the_ends_of_the_overlap(seam):
    # Across the middle of the seam: the first difference of a C1 function changes by a step's worth, never
    # jumps.
    x = np.linspace(-0.15, 0.15, 6001)
    tangent = np.stack([x, np.full_like(x, 0.05)], axis=-1)
    # Of both, lit everywhere; where one alone serves it takes over what is left, two thousandths.
    weight = seam.weights_among(tangent, np.full((2, len(x)), np.inf))[0]
    step = x[1] - x[0]
    slope = np.diff(weight) / step
    least = LEAST_CLAIM / (1.0 + 2.0 * LEAST_CLAIM)
    np.testing.assert_allclose(weight[[0, -1]], [1.0 - least, least], atol=1e-4)
    # Never back, but for what a spline a degree wide swings past its ends.
    assert slope.max() <= -2e-3 * slope.min()
    curvature = np.abs(np.diff(slope)) / step
    feather = np.radians(seam.feather_deg)
    # The quintic's curvature is at most 10 / sqrt(3) / feather^2; the division by the sum no more than
    # doubles it.
    assert curvature.max() < 2.0 * 5.78 / feather**2
    assert slope.min() < -1.0 / feather


def test_weights_outside_are_definite(seam):
    odd = np.array([[np.nan, 0.0], [np.inf, 0.0], [1e9, -1e9], [0.0, 3.0], [0.0, 0.0]])
    weights = seam.weights(odd)
    assert np.isfinite(weights).all()
    assert np.all(weights[:, :2] == 0.0)
    assert weights[:, -1].sum() == pytest.approx(1.0, abs=UNITY)


def test_seams_and_reaches_say_what_they_are_in_a_line():
    channels = [flat_channel("left", (-40.0, 4.0)), flat_channel("right", (-4.0, 40.0))]
    seam = build_seam(plane_set(*channels, colours=("G",)), pupils_mm=CENTRE, feather_deg=6.0)
    assert repr(seam) == "<Seam of left, right: feather 6 degrees, field of view 80.0 x 30.0 degrees>"
    assert repr(seam.reaches[0]) == "<ChannelReach of left: 44.0 x 28.1 degrees about dir_x -21.0, dir_y 0.0>"
    alone = build_seam(plane_set(channels[0], colours=("G",)), pupils_mm=CENTRE)
    assert repr(alone).startswith("<Seam of left: one channel, no blend, field of view 44.0 x")


def test_three_channels_in_a_row(directions):
    channels = [
        flat_channel(n, e) for n, e in (("a", (-40.0, -8.0)), ("b", (-12.0, 14.0)), ("c", (8.0, 40.0)))
    ]
    seam = build_seam(plane_set(*channels), pupils_mm=EYE_BOX_CORNERS)
    weights = seam.weights(directions)
    assert np.max(np.abs(weights.sum(axis=0) - 1.0)[seam.served(directions).any(axis=0)]) <= UNITY
    assert seam.index("c") == 2
    with pytest.raises(SeamError, match="channel 'd' is not in this seam; it joins a, b, c"):
        seam.index("d")


def test_a_gap_is_a_hole_that_says_where():
    fields = plane_set(
        flat_channel("left", (-40.0, -1.0)), flat_channel("right", (1.0, 40.0)), colours=("G",)
    )
    seam = build_seam(fields, pupils_mm=CENTRE)
    (gap,) = survey_gaps(seam, CENTRE)
    # A rectangle of tangents spans the solid angle 4 asin(a b / sqrt((1 + a^2) (1 + b^2))) (handbooks of
    # radiometry, from memory; steradian).
    a, b = np.tan(np.radians([1.0, 15.0]))
    solid = 4.0 * np.arcsin(a * b / np.sqrt((1.0 + a * a) * (1.0 + b * b))) * np.degrees(1.0) ** 2
    # Where outlines do not meet, the field is what lies between them over the inner 85 per cent.
    assert gap.gap_deg2 == pytest.approx(0.85 * solid, rel=0.03) and gap.is_certain and gap.spacing_deg == 0.0
    assert gap.wide_deg == pytest.approx(2.0, abs=0.2) and gap.widest_deg == pytest.approx(
        0.85 * 30.0, abs=0.6
    )
    np.testing.assert_allclose([gap.low_deg, gap.high_deg], [[-1.0, -12.75], [1.0, 12.75]], atol=0.3)
    assert "nothing is shown in 50." in gap.sentence() and "to 1.0, dir_y -12.6 to" in gap.sentence()
    across = tangent_from_degrees(np.stack([[-1.5, 0.0, 1.5], np.zeros(3)], axis=-1))
    # The hole is dark, its sides are each one channel's.
    assert seam.at(CENTRE).weights(across).T.tolist() == [[1.0, 0.0], [0.0, 0.0], [0.0, 1.0]]


def test_feather_wider_than_the_overlap_is_an_error(fields):
    with pytest.raises(
        SeamError, match=r"feather is 30 degrees; the tightest overlap of left, right takes at most"
    ):
        build_seam(fields, pupils_mm=CENTRE, feather_deg=30.0)


@pytest.mark.parametrize("seed", range(3))
def test_images_in_one_plane_leave_no_seam_error(seed):
    left, right = two_channels()
    rng = np.random.default_rng(seed)
    content = rng.uniform([-0.04, -0.15], [0.04, 0.15], (300, 2))
    pupil, tracked = rng.uniform(-4.0, 4.0, (2, 300, 3))
    result = seam_error(left, right, content, pupil_mm=pupil, tracked_pupil_mm=tracked)
    assert result.valid.all()
    assert result.error_arcmin.max() < SAME_PLANE_ARCMIN
    # Yet the content moves: the picture is not where it was meant to be.
    assert np.median(arcmin_between(result.shown[0], content)) > 1.0


@pytest.mark.outside
def test_seam_error_of_two_planes():
    # Smith, Modern Optical Engineering (vergence, from memory): p mm at D dioptres turn the direction by p D
    # mrad. Planes at 1.5 m and 3 m, a third of a dioptre apart: 3 mm leave 1 mrad, 3.43775 arcmin.
    left, right = two_channels(distance_m=(1.5, 3.0))
    result = seam_error(left, right, [0.0, 0.0], pupil_mm=[3.0, 0.0, 0.0], tracked_pupil_mm=CENTRE)
    assert result.error_arcmin == pytest.approx(3.43775, abs=1e-3)
    # The nearer image (left) falls back more as the pupil moves right, so the step to the right one points
    # right.
    np.testing.assert_allclose(result.vector_arcmin, [3.43775, 0.0], atol=1e-3)


def test_sensitivity_is_the_derivative_of_the_seam_error():
    left, right = two_channels(distance_m=(1.5, 3.0))
    content = np.array([[0.0, 0.0], [0.05, -0.12], [-0.02, 0.15]])
    matrix = seam_sensitivity(left, right, content, pupil_mm=CENTRE)
    for axis in range(2):
        pupil = np.eye(3)[axis] * 1e-3
        exact = seam_error(left, right, content, pupil_mm=pupil, tracked_pupil_mm=CENTRE).vector_arcmin / 1e-3
        np.testing.assert_allclose(matrix[..., axis], exact, atol=1e-4)


def test_content_out_of_reach_is_invalid_not_an_error():
    left, right = two_channels()
    result = seam_error(left, right, [[0.3, 0.0], [0.0, 0.0]], pupil_mm=CENTRE, tracked_pupil_mm=CENTRE)
    assert result.valid.tolist() == [False, True]
    assert np.isnan(result.error_arcmin[0]) and np.isfinite(result.shown[1, 0]).all()


def test_wrong_shapes_are_refused(seam):
    with pytest.raises(ShapeError, match=r"tangent has shape \(3,\); expected \(..., 2\)"):
        seam.weights(np.zeros(3))
    left, right = two_channels()
    with pytest.raises(ShapeError, match=r"tracked_pupil_mm has shape \(2,\); expected \(..., 3\)"):
        seam_error(left, right, [0.0, 0.0], pupil_mm=CENTRE, tracked_pupil_mm=[0.0, 0.0])
