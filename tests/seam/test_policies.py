"""Blend policies and the survey of the overlap, on channels whose reach is known in closed form."""

import numpy as np
import pytest

from prewarp.errors import SeamError
from prewarp.frames import tangent_from_degrees
from prewarp.seam import (
    FollowingBlend,
    blend_policy,
    build_seam,
    policy_figures,
    quintic_smoothstep,
    survey_gaps,
    survey_overlap,
)
from prewarp.seam.blend import LEAST_CLAIM
from prewarp.seam.claims import ROUNDING_PITCHES
from prewarp.seam.comparison import weight_gradient_per_deg
from prewarp.seam.reach import channel_reach
from prewarp.seam.survey import neighbours
from tests.closed_form import EYE_BOX_CORNERS, PlaneChannel, plane_set

CENTRE = np.zeros(3)
# Half a metre away: a pupil 4 mm to the side sees everything 8 mrad, 27.5 arcmin, to the other side.
DISTANCE_M = 0.5
PUPILS = np.array([[x, y, 0.0] for y in (-3.0, 3.0) for x in (-4.0, 0.0, 4.0)])


def flat(name, dir_x_deg, half_y_deg=15.0, distance_m=1e6):
    """A channel whose reach from the middle of the eye box is a rectangle of tangents."""
    low, high = tangent_from_degrees(np.array(dir_x_deg))
    half = (high - low) / 2.0
    size = (1000, round(1000 * tangent_from_degrees(half_y_deg) / half))
    return PlaneChannel(
        name, panel_size_px=size, distance_m=distance_m, centre=((low + high) / 2.0, 0.0), half_width=half
    )


def pair(overlap_deg, distance_m=DISTANCE_M):
    half = overlap_deg / 2.0
    return plane_set(
        flat("left", (-40.0, half), distance_m=distance_m),
        # Not as high: outlines that lie on each other would leave the ends of the seam to rounding.
        flat("right", (-half, 40.0), 14.0, distance_m=distance_m),
        colours=("G",),
    )


@pytest.fixture(scope="module")
def near():
    return pair(8.0)


@pytest.fixture(scope="module")
def figures(near):
    return {
        kind: policy_figures(
            kind, blend_policy(kind, near, pupils_mm=EYE_BOX_CORNERS), near, pupils_mm=PUPILS[:3]
        )
        for kind in ("fixed", "following")
    }


def test_fixed_does_not_crawl_and_following_loses_nothing(figures):
    fixed, following = figures["fixed"], figures["following"]
    assert fixed.crawl_max_arcmin_per_mm == 0.0
    assert following.field_lost_deg2 < 1e-9 and following.surplus == 0.0 and fixed.surplus == 0.0
    assert following.overlap_used_percent > fixed.overlap_used_percent + 5.0
    assert following.feather_deg[0] > fixed.feather_deg[0] + 0.5


@pytest.mark.outside
def test_following_crawls_with_the_image_plane(figures):
    # Both images lie at 0.5 m, 2 dioptres: the whole scene moves 2 mrad, 6.875 arcmin, for each mm of the
    # pupil, and the seam with it (vergence: p mm at D dioptres turn a direction by p D mrad; Smith, Modern
    # Optical Engineering, from memory).
    following = figures["following"]
    assert following.crawl_p95_arcmin_per_mm == pytest.approx(6.875, rel=0.1)


def test_the_gradient_is_that_of_the_formula():
    # Rectangles far away: across the middle b = q(d1 / f) / (q(d1 / f) + q(d2 / f)), rounded over half a
    # degree, its slope worked out by differences.
    fields = pair(8.0, distance_m=1e6)
    seam = build_seam(fields, pupils_mm=CENTRE, feather_deg=6.0)
    x = np.linspace(-3.5, 3.5, 29)

    def share(x):
        left, right = quintic_smoothstep((4.0 - x) / 6.0), quintic_smoothstep((x + 4.0) / 6.0)
        return left / (left + right)

    near = np.linspace(-4.0, 4.0, 801)
    bell = np.exp(-0.5 * near**2) / np.exp(-0.5 * near**2).sum()
    places = x[:, None] + ROUNDING_PITCHES * near
    slope = (share(places + 1e-4) - share(places - 1e-4)) @ bell / 2e-4
    expected = np.abs(slope) / (1.0 + 2.0 * LEAST_CLAIM)
    tangent = np.stack([tangent_from_degrees(x), np.zeros(29)], axis=-1)
    np.testing.assert_allclose(weight_gradient_per_deg(seam, tangent), expected, atol=4e-3)


def test_a_fixed_seam_loses_no_field_that_a_channel_lights(near, figures):
    # Shares by direction alone lose what one panel shows alone past the seam's line; slow and plain: add the
    # shares of the channels that show a direction, on a lattice of square degrees.
    seam = build_seam(near, pupils_mm=EYE_BOX_CORNERS)
    x, y = np.arange(-44.0, 44.0, 0.1), np.arange(-18.0, 18.0, 0.2)
    angle = np.stack(np.meshgrid(x, y), axis=-1)
    tangent = tangent_from_degrees(angle)
    area = 0.02 / (1 + tangent[..., 0] ** 2 + tangent[..., 1] ** 2) ** 1.5
    area = area * (1 + tangent[..., 0] ** 2) * (1 + tangent[..., 1] ** 2)
    lost = []
    for pupil in PUPILS[[0, 2]]:
        shows = np.stack([near.field(n, "G").inverse(tangent, pupil_mm=pupil).valid for n in seam.channels])
        shown = np.sum(seam.weights(tangent) * shows, axis=0)
        lost.append(np.sum(area * shows.any(axis=0) * (1.0 - np.minimum(shown, 1.0))))
    # What is lit from the pupil takes it over.
    assert max(lost) > 0.3 and figures["fixed"].field_lost_deg2 < 1e-6


def test_following_takes_the_feather_asked_for_where_it_fits(near):
    blend = blend_policy("following", near, pupils_mm=EYE_BOX_CORNERS, feather_deg=2.0)
    assert blend.at([3.0, 0.0, 0.0]).feather_deg == 2.0
    wide = FollowingBlend(near, near.channels, feather_deg=20.0)
    assert wide.at([3.0, 0.0, 0.0]).feather_deg == pytest.approx(8.0, abs=0.5)
    assert wide.at([3.0, 0.0, 0.0]) is wide.at([3.0, 0.0, 0.0])


@pytest.mark.parametrize("overlap", [8.0, 0.6, -1.0])
def test_survey_measures_the_overlap(overlap):
    fields = pair(overlap, distance_m=1e6)
    seam = build_seam(fields, pupils_mm=CENTRE)
    (found,) = survey_overlap(seam, CENTRE)
    assert found.channels == ("left", "right")
    # Constant in dir_x; rows of the survey are lines of equal height in the plane of angles, so it narrows a
    # little upward.
    assert found.least_deg == pytest.approx(overlap, abs=0.05 * abs(overlap) + 0.01)
    assert found.least_at_deg[0] == pytest.approx(0.0, abs=0.2)
    assert found.has_gap == (overlap < 0.0)
    height = 0.85 * 28.0
    (gap,) = survey_gaps(seam, CENTRE)
    assert gap.gap_deg2 == pytest.approx(height if overlap < 0.0 else 0.0, rel=0.05)
    if overlap > 1.0:
        assert found.overlap_deg2 == pytest.approx(overlap * height, rel=0.05)


def test_a_gap_from_one_pupil_only_is_told_never_silent():
    # The right image is far, the left one near: from 4 mm to the right the left channel ends 27 arcmin too
    # early.
    fields = plane_set(
        flat("left", (-40.0, 0.2), distance_m=0.5),
        flat("right", (-0.1, 40.0), distance_m=1e6),
        colours=("G",),
    )
    seam = build_seam(fields, pupils_mm=EYE_BOX_CORNERS)
    by_pupil = {found.pupil_mm[0]: found for found in survey_overlap(seam, PUPILS[:3])}
    assert not by_pupil[-4.0].has_gap and not by_pupil[0.0].has_gap and by_pupil[4.0].has_gap
    # 0.3 degree less 8 mrad.
    assert by_pupil[4.0].least_deg == pytest.approx(0.3 - np.degrees(0.008), abs=0.02)
    gaps = {found.pupil_mm[0]: found for found in survey_gaps(seam, PUPILS[:3])}
    # 27.5 arcmin less 0.3 degree wide, 30 degrees high, of which 85 per cent count.
    assert gaps[-4.0].gap_deg2 == 0.0 == gaps[0.0].gap_deg2
    assert gaps[4.0].gap_deg2 == pytest.approx(25.5 * (np.degrees(0.008) - 0.3), rel=0.1)
    sentence = gaps[4.0].sentence()
    assert sentence.startswith("pupil (4, -3, 0) mm: nothing is shown in")
    assert "square degrees of the field" in sentence and "dir_y -1" in sentence
    assert gaps[-4.0].sentence() == "" == by_pupil[-4.0].sentence()
    assert "less than the feather of 5.00" in by_pupil[-4.0].sentence(5.0)
    for kind in ("fixed", "following"):
        blend = blend_policy(kind, fields, pupils_mm=EYE_BOX_CORNERS)
        x = np.linspace(-0.6, 0.6, 241)
        tangent = tangent_from_degrees(np.stack([x, np.zeros(241)], axis=-1))
        dark = blend.at(PUPILS[2]).weights(tangent).sum(axis=0) == 0.0
        assert 241 * (np.degrees(0.008) - 0.3) / 1.2 == pytest.approx(dark.sum(), abs=2)
        assert not (blend.at(PUPILS[0]).weights(tangent).sum(axis=0) == 0.0).any()


def test_only_neighbours_are_surveyed():
    channels = [flat(n, e) for n, e in (("a", (-40.0, -8.0)), ("b", (-12.0, 14.0)), ("c", (8.0, 40.0)))]
    reaches = [channel_reach([channel], pupils_mm=CENTRE) for channel in channels]
    assert [(a.channel, b.channel) for a, b in neighbours(reaches)] == [("a", "b"), ("b", "c")]


def test_one_channel_has_weights_and_no_seam_to_compare():
    alone = plane_set(flat("only", (-20.0, 20.0)), colours=("G",))
    blends = [blend_policy(kind, alone, pupils_mm=EYE_BOX_CORNERS) for kind in ("fixed", "following")]
    for blend in blends:
        seam = blend.at(CENTRE)
        assert seam.weights(CENTRE[:2]).tolist() == [1.0] and seam.weights(np.zeros((0, 2))).shape == (1, 0)
        with pytest.raises(
            SeamError, match="'only' stands alone: there is no seam.* Join it with a channel of the same eye"
        ):
            policy_figures("fixed", blend, alone, pupils_mm=PUPILS)
    seam = build_seam(alone, pupils_mm=EYE_BOX_CORNERS)
    assert survey_overlap(seam, PUPILS) == () and all(
        one.gap_deg2 == 0.0 for one in survey_gaps(seam, PUPILS)
    )


def test_bad_input(near):
    with pytest.raises(SeamError, match="blend policy is 'moving'; expected one of fixed, following"):
        blend_policy("moving", near, pupils_mm=EYE_BOX_CORNERS)
    with pytest.raises(SeamError, match="feather_deg is -1.0; expected 0.001 to 90 degrees"):
        blend_policy("following", near, pupils_mm=EYE_BOX_CORNERS, feather_deg=-1.0)
    with pytest.raises(SeamError, match="pupils_mm holds 1 position; crawl needs 2 or more"):
        policy_figures("fixed", build_seam(near, pupils_mm=CENTRE), near, pupils_mm=CENTRE)
