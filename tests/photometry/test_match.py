"""Target and gains: the target is shown whatever the weights, no drive is above 1, the cost is true."""

import numpy as np
import pytest

from prewarp.errors import SeamError, ShapeError
from prewarp.frames import tangent_from_degrees
from prewarp.module import Chromaticity
from prewarp.photometry import match_light
from prewarp.photometry.target import target_below
from prewarp.seam import FollowingBlend, build_seam
from prewarp.seam.directions import direction_lattice
from tests.closed_form import PlaneChannel, plane_set
from tests.photometry.conftest import EYE_BOX

CHROMATICITIES = {
    name: Chromaticity({"R": (0.68, 0.31), "G": (0.22, 0.70), "B": (0.14, 0.05)}, white)
    for name, white in (("left", (0.30, 0.32)), ("right", (0.32, 0.34)))
}


def drives(fields, match, blend, tangent, pupil, colour="G"):
    """Return drive and luminance of each channel (2, n) in directions, zero where it shows nothing."""
    weights = blend.at(pupil).weights(tangent)
    result = []
    for place, name in enumerate(blend.channels):
        found = fields.field(name, colour).inverse(tangent, pupil_mm=pupil)
        pixel = np.where(found.valid[:, None], found.pixel, 800.0)
        gain = match.gain(name, colour, pixel, tangent, pupil_mm=pupil)
        light = match.maps.map(name, colour).at(pixel, tangent, pupil_mm=pupil)
        result.append(
            np.where(found.valid, weights[place] * gain, 0.0)
            * [[1.0], [1.0]]
            * np.stack([np.ones(len(light)), light])
        )
    return np.stack(result, axis=1)


@pytest.fixture(scope="module")
def directions():
    return np.random.default_rng(3).uniform([-0.45, -0.1], [0.45, 0.1], (3000, 2))


@pytest.mark.parametrize("fall", [0.0, 1.5])
@pytest.mark.parametrize("pupil", [(0.0, 0.0, 0.0), (2.7, -1.2, 0.9)])
def test_the_sum_of_light_is_the_target(large_fields, maps, large_seam, directions, fall, pupil):
    match = match_light(large_fields, maps, large_seam, pupils_mm=EYE_BOX, fall_percent_per_deg=fall)
    drive, light = drives(large_fields, match, large_seam, directions, pupil)
    np.testing.assert_allclose(light.sum(axis=0), match.targets["G"].at(directions), rtol=1e-9)
    # Between the nodes on which the target was made a drive may pass 1 by the map's change over half a
    # degree.
    assert drive.max() < 1.01


def test_the_limit_is_where_it_is_said_to_be(large_fields, maps, large_seam, match):
    cost = match.costs[1]
    place = tangent_from_degrees(np.array(cost.limit_direction_deg))
    at = large_fields.field(cost.limit_channel, "G").inverse(place, pupil_mm=cost.limit_pupil_mm)
    weight = large_seam.at(cost.limit_pupil_mm).weights(place)[large_seam.index(cost.limit_channel)]
    gain = match.gain(cost.limit_channel, "G", at.pixel, place, pupil_mm=cost.limit_pupil_mm)
    assert weight * gain == pytest.approx(1.0, abs=1e-6)
    level = pytest.approx(float(match.targets["G"].at(place)), rel=1e-12)
    assert cost.level_lowest == level and cost.level_highest == level


def test_a_gentle_fall_costs_less_and_is_gentle(large_fields, maps, large_seam, match, directions):
    gentle = match_light(large_fields, maps, large_seam, pupils_mm=EYE_BOX, fall_percent_per_deg=1.5)
    assert gentle.kept_percent > match.kept_percent + 10.0
    target = gentle.targets["G"]
    step = np.radians(0.5)
    change = np.abs(np.log(target.at(directions + [step, 0.0]) / target.at(directions))) / 0.5
    # Half a degree of tangent is a little less than half a degree of angle; the lattice cuts no corner.
    assert change.max() < np.log1p(0.015) * 1.02


def test_cost_is_the_light_that_is_lost():
    # Plain bookkeeping: one level of 0.6 under 1.0 on half the field and 0.6 on the other half keeps 75 % of
    # the light.
    _, tangent = direction_lattice([np.array([[-0.05, -0.05], [0.05, 0.05]])], step_deg=1.0, margin_deg=0.0)
    available = np.where(np.arange(tangent.shape[1]) % 2 == 0, 1.0, 0.6) * np.ones(tangent.shape[:2])
    target = target_below(available, tangent, np.zeros(2), fall_percent_per_deg=0.0)
    np.testing.assert_allclose(np.exp(target.log_level), 0.6)
    rising = target_below(available, tangent, np.zeros(2), fall_percent_per_deg=10.0)
    # One degree from a node of 0.6 no more than 10 % above it.
    assert np.exp(rising.log_level).max() == pytest.approx(0.66, rel=0.002)


class BrighterOutward:
    """Light 1 + |t|^2 in direction t: least straight ahead, most in the corners of a wide field."""

    def map(self, channel, colour):
        return self

    def at(self, pixel, tangent, *, pupil_mm):
        return 1.0 + np.sum(np.asarray(tangent) ** 2, axis=-1)


def test_cost_weighs_directions_by_their_solid_angle():
    # One channel of 45 degrees each way, light 1 + |t|^2, target 1. A cell of tangents has the solid angle
    # dtx dty / (1 + |t|^2)^(3/2) (common practice): what is kept is worked out on a fine lattice.
    fields = plane_set(
        PlaneChannel("one", panel_size_px=(800, 800), distance_m=1e6, half_width=1.0), colours=("G",)
    )
    seam = build_seam(fields, pupils_mm=np.zeros(3))
    (cost,) = match_light(fields, BrighterOutward(), seam, pupils_mm=np.zeros(3)).costs
    middle = (np.arange(1000) + 0.5) / 500.0 - 1.0
    squared = middle[:, None] ** 2 + middle[None, :] ** 2
    solid = (1.0 + squared) ** -1.5
    expected = 100.0 * solid.sum() / np.sum(solid * (1.0 + squared))
    # Nodes of 1 degree end a field of 90 degrees somewhat raggedly; without the weight it would be 3 % less.
    assert cost.kept_percent == pytest.approx(expected, rel=0.005)


def test_results_say_what_they_are_in_a_line(large_fields, maps, large_seam, match):
    worst = max(one.figures.cross_validated_rms_percent for one in maps.maps.values())
    assert (
        repr(maps) == f"<LuminanceMaps of left, right in R, G, B: cross-validated {worst:.2g} % RMS at worst>"
    )
    assert repr(maps.shares({"G": 2.0})).startswith("<LuminanceMaps of left, right in G: cross-validated")
    assert repr(match) == (
        f"<LightMatch of left, right in R, G, B: {match.kept_percent:.1f} % of the light kept, "
        "white match none>"
    )
    table = match._repr_html_()
    assert table.count("<tr>") == 4 and f"<td>{match.costs[1].kept_percent:.1f}</td>" in table


def test_a_following_blend_is_matched_too(large_fields, maps, directions):
    blend = FollowingBlend(large_fields, large_fields.channels)
    match = match_light(large_fields, maps, blend, pupils_mm=EYE_BOX[:2])
    _, light = drives(large_fields, match, blend, directions, EYE_BOX[0])
    np.testing.assert_allclose(light.sum(axis=0), match.targets["G"].at(directions), rtol=1e-9)


def test_white_match_comes_with_it_and_costs_extra(large_fields, maps, large_seam, match):
    both = match_light(
        large_fields, maps, large_seam, pupils_mm=EYE_BOX, chromaticities=CHROMATICITIES, white="gains"
    )
    assert both.white.kind == "gains" and 0.5 < both.white.luminance < 1.0
    assert both.kept_percent == pytest.approx(match.kept_percent * both.white.luminance)
    told = both.as_dict()
    assert told["white"]["kept_percent"] == pytest.approx(100.0 * both.white.luminance)
    assert told["cost_percent"] == pytest.approx(100.0 - both.kept_percent)
    # The luminance column and the two whites were made up apart from each other, and do not agree.
    assert told["white"]["disagreement_percent"] > 5.0


def test_errors(large_fields, maps, large_seam):
    arguments = {"pupils_mm": EYE_BOX}
    with pytest.raises(
        SeamError, match=r"channel 'left' has no measured chromaticities.*\[channel.left.chromaticity\]"
    ):
        match_light(large_fields, maps, large_seam, white="gains", **arguments)
    with pytest.raises(ShapeError, match="fall_percent_per_deg is 60.0; expected 0 to 50 percent per degree"):
        match_light(large_fields, maps, large_seam, fall_percent_per_deg=60.0, **arguments)
