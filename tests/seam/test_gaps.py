"""Gaps between channels, shares of light and the white that can be shown, held to a trace."""

import json
from functools import cache

import numpy as np
import pytest
from scipy.spatial import cKDTree

from prewarp.errors import ShapeError
from prewarp.frames import degrees_from_tangent
from prewarp.seam.directions import node_areas_deg2, plane_deg_from_tangent, tangent_from_plane_deg
from prewarp.seam.gaps import survey_gaps
from prewarp.seam.light import ChannelLight
from tests.cli.conftest import run
from tests.dark_cases import (
    BETWEEN,
    CENTRED,
    CHECKED,
    CORNER,
    FIRST,
    SIDE,
    WAVELENGTH_UM,
    case,
    eye,
    fitted,
    gap_nodes,
    module_text,
)
from tests.support import LONG, long_form

PUPILS = (CENTRED, SIDE, CORNER, *BETWEEN) if LONG else (CENTRED, CORNER, BETWEEN[0])
# From here the upper channel of "apart from some pupils" ends before the lower one begins.
BELOW = (0.0, -4.0, 0.0)
DARK = [name for name in CHECKED if name != "nothing dark"]
STEP_DEG = 0.4


def places_of(name):
    return (*PUPILS, BELOW) if name.startswith("apart") else PUPILS


@cache
def gaps(name):
    return survey_gaps(eye(name).seam, np.array(places_of(name)))


@cache
def traced(name, pupil):
    """Return a lattice of the plane (m, n, 2), degrees, over the whole field, and the white of each channel
    there (2, m, n).
    """
    pair, x = case(name), np.arange(-62.0, 62.0, STEP_DEG)
    plane = np.stack(np.meshgrid(x, x), axis=-1)
    return plane, np.stack([pair.on_lattice(pair.white, one, plane, pupil) for one in pair.optics])


def shares(name, pupil, plane):
    return eye(name).seam.at(pupil).weights(tangent_from_plane_deg(plane))


def nearest_deg(places, among):
    """Return the distance from places (n, 2) to the nearest of others (m, 2), degrees in the plane."""
    return cKDTree(among).query(places)[0]


@pytest.mark.outside
@pytest.mark.parametrize("name", DARK)
def test_the_gap_is_as_large_as_the_trace_finds_it(name):
    """Within 15 %, or 2 square degrees where 15 % is less, from captured pupils and from between them."""
    found = gaps(name)
    assert [gap.pupil_mm for gap in found] == list(places_of(name))
    for gap in found:
        hole = case(name).hole(gap.pupil_mm)
        assert gap.gap_deg2 == pytest.approx(hole.area_deg2, rel=0.15, abs=2.0), gap.pupil_mm


@long_form
@pytest.mark.outside
@pytest.mark.parametrize("name", DARK)
def test_the_gap_is_where_the_trace_finds_it(name):
    """Its place lies in the traced hole, its extent is the traced one's, its uncertainty the dots'."""
    spacing = case(name).spacing_deg
    for gap in gaps(name):
        hole = case(name).hole(gap.pupil_mm)
        place = plane_deg_from_tangent(np.tan(np.radians(np.array(gap.at_deg))))
        assert nearest_deg(place, plane_deg_from_tangent(hole.tangent)) < spacing
        # Two parts may be as good as equal in size; how far their tips reach, a hair decides.
        wide = hole.extents_deg(0.7)
        assert 0.65 * wide.min() < gap.widest_deg < 1.35 * wide.max() + spacing
        assert gap.spacing_deg == pytest.approx(spacing, rel=0.35)


@pytest.mark.outside
@pytest.mark.parametrize("name", DARK)
def test_borders_of_the_gap_lie_within_a_dot_spacing(name):
    """Where trace and seam disagree on what is dark, the other is nearer than one spacing."""
    for pupil in places_of(name):
        plane, white = traced(name, pupil)
        lit, said = white.any(axis=0), shares(name, pupil, plane).sum(axis=0) > 0.0
        for wrong, others in ((~lit & said, lit), (lit & ~said, ~lit)):
            away = nearest_deg(plane[wrong], plane[others]) if wrong.any() else np.zeros(1)
            assert away.max() < case(name).spacing_deg + STEP_DEG, pupil


@long_form
@pytest.mark.parametrize("name", DARK)
def test_the_gap_counted_is_the_gap_of_the_shares(name):
    """Weights that are all 0 make a hole, by the definition of the trace, of a size that the survey allows.

    White ends a little inside the border, so there is more of it than the best guess.
    """
    pair, step = case(name), 0.2
    for gap in gaps(name):
        forward = pair.along(gap.pupil_mm)
        x = np.arange(-70.0, 70.1, step)
        plane = x[None, :, None] * forward + x[:, None, None] * np.array([-forward[1], forward[0]])
        captured = [pair.on_lattice(pair.captured, one, plane, gap.pupil_mm) for one in pair.optics]
        own = gap_nodes(shares(name, gap.pupil_mm, plane) > 0.0, captured)
        own_deg2 = node_areas_deg2(plane, step)[own].sum()
        assert gap.gap_deg2 * 0.95 - 1.0 < own_deg2 < gap.most_deg2 * 1.05 + 2.0, gap.pupil_mm
        assert gap.least_deg2 <= gap.gap_deg2 <= gap.most_deg2


@pytest.mark.outside
@pytest.mark.parametrize("name", CHECKED)
def test_shares_add_up_where_light_is_and_vanish_where_it_is_not(name):
    spacing = case(name).spacing_deg
    for pupil in places_of(name):
        plane, white = traced(name, pupil)
        weights = shares(name, pupil, plane)
        assert weights.shape == white.shape and (weights >= 0.0).all()
        total = weights.sum(axis=0)
        np.testing.assert_allclose(total[total > 0.0], 1.0, atol=1e-9)
        lit = white.any(axis=0)
        deep = lit & (from_the_other(plane, lit) > spacing + STEP_DEG)
        np.testing.assert_allclose(total[deep], 1.0, atol=1e-9)
        assert (total[~lit & (from_the_other(plane, lit) > spacing + STEP_DEG)] == 0.0).all(), pupil
        for own, share in zip(white, weights, strict=True):
            dark = ~own & (from_the_other(plane, own) > spacing + STEP_DEG)
            assert (share[dark] == 0.0).all(), pupil


def from_the_other(plane, lit):
    """Return the distance of every node (m, n) to the nearest that is lit where it is not, degrees."""
    away = np.zeros(lit.shape)
    for one in (lit, ~lit):
        away[one] = nearest_deg(plane[one], plane[~one])
    return away


@pytest.mark.outside
@pytest.mark.parametrize("name", CHECKED)
def test_depth_of_white_is_the_angle_to_where_it_ends(name):
    """Angles of the plane are true toward the middle and short by sin(r) / r across: 16 % at 60 degrees."""
    spacing, fields = case(name).spacing_deg, fitted(name)
    for index, channel in enumerate(fields.channels):
        light = ChannelLight(channel, tuple(fields.field(channel, colour) for colour in WAVELENGTH_UM))
        for pupil in (CENTRED, CORNER, BETWEEN[0]):
            plane, white = traced(name, pupil)
            tangent = tangent_from_plane_deg(plane)
            depth, away = light.depth_deg(tangent, pupil_mm=pupil), from_the_other(plane, white[index])
            assert depth.shape == plane.shape[:2]
            assert ((depth > 0.0) == white[index])[away > spacing + STEP_DEG].all(), f"{channel} {pupil}"
            near = white[index] & (depth > 0.0) & (away < 1.5 * spacing)
            error = np.abs(depth - away)[near]
            assert np.median(error) < 0.35 * spacing and np.quantile(error, 0.95) < 0.75 * spacing
            least = np.min(
                [
                    ChannelLight(channel, (fields.field(channel, colour),)).depth_deg(tangent, pupil_mm=pupil)
                    for colour in WAVELENGTH_UM
                ],
                axis=0,
            )
            # The distance is exact at the border alone; deep inside another side may be the nearest.
            inner = (np.minimum(depth, least) > 0.0) & (least < spacing)
            np.testing.assert_allclose(depth[inner], least[inner], rtol=0.0, atol=0.05)
            assert ((depth > 0.0) == (least > 0.0))[np.abs(least) > 0.05].all()


@long_form
def test_nothing_dark_leaves_no_gap():
    """Panels that overlap and are lit all over: dents of their outer rims are no gap."""
    for gap in gaps("nothing dark"):
        assert gap.gap_deg2 < 0.05 and gap.spacing_deg == 0.0


@long_form
def test_nothing_dark_leaves_the_shares_as_they_were():
    """All that a panel shows is lit, by the trace as by the seam, up to a hair from its edge."""
    for pupil in PUPILS:
        plane, white = traced("nothing dark", pupil)
        lit = white.any(axis=0)
        total = shares("nothing dark", pupil, plane).sum(axis=0)
        assert (total[lit & (from_the_other(plane, lit) > 2.0 * STEP_DEG)] > 0.0).all()
        np.testing.assert_allclose(total[total > 0.0], 1.0, atol=1e-9)


@pytest.mark.outside
@long_form
def test_a_hole_across_the_whole_seam_is_no_error():
    """From below the channels do not meet: the seam is made all the same, and the gap told."""
    name = "apart from some pupils"
    plane, white = traced(name, BELOW)
    weights = shares(name, BELOW, plane)
    assert np.isfinite(weights).all() and weights.any(axis=(1, 2)).all()
    across = np.abs(plane[0, :, 0]) < 12.0
    for upper, lower in (white[:, :, across], weights[:, :, across] > 0.0):
        # Rows run upward: over the whole width the upper channel begins above the end of the lower one.
        begins, ends = np.argmax(upper, axis=0), len(lower) - 1 - np.argmax(lower[::-1], axis=0)
        assert upper.any(axis=0).all() and lower.any(axis=0).all() and (begins > ends + 1).all()
    (gap,) = survey_gaps(eye(name).seam, [BELOW])
    assert gap.gap_deg2 > 200.0


def test_bad_input():
    seam = eye(FIRST).seam
    with pytest.raises(ShapeError, match="pupils_mm has shape"):
        survey_gaps(seam, [[0.0, 0.0]])
    light = ChannelLight("upper", (fitted(FIRST).field("upper", "G"),))
    assert not light.depth_deg([np.nan, 0.0], pupil_mm=CENTRED) > 0.0
    with pytest.raises(ShapeError, match=r"tangent has shape \(3,\)"):
        light.depth_deg([0.0, 0.0, 1.0], pupil_mm=CENTRED)


@pytest.mark.outside
def test_the_gap_from_the_sharpest_corners_of_the_steep_pair():
    """From the lowest captured pupil, three edges a channel meet in the gap."""
    pupil = (0.0, -4.0, 0.0)
    (gap,) = survey_gaps(eye("steep").seam, [pupil])
    assert gap.gap_deg2 == pytest.approx(case("steep").hole(pupil).area_deg2, rel=0.15, abs=2.0)


@pytest.mark.parametrize(
    ("name", "count", "pupils"),
    [
        pytest.param("steep", "2x1x1", [(-4.0, 0.0, 0.0), SIDE], marks=long_form),
        *([("apart from some pupils", "1x2x1", [BELOW, (0.0, 4.0, 0.0)])] if LONG else []),
    ],
)
def test_blend_tells_the_gaps(name, count, pupils, tmp_path):
    """Exit code 0, one node for each pupil, the figures of the survey; in words as well."""
    fitted(name).save(tmp_path / "pair.fit.npz")
    (tmp_path / "pair.toml").write_text(module_text(tuple(case(name).optics)), encoding="utf-8")
    picture = tmp_path / "blend.png"
    line = ("blend", tmp_path / "pair.fit.npz", "--module", tmp_path / "pair.toml", "--pupils", count)
    done = run(*line, "--json", "--picture", picture)
    assert done.exit_code == 0, done.output
    assert picture.read_bytes().startswith(b"\x89PNG")
    nodes = json.loads(done.stdout)["eyes"]["right"]["gaps"]
    assert [tuple(node["pupil_mm"]) for node in nodes] == pupils
    for node, gap in zip(nodes, survey_gaps(eye(name).seam, np.array(pupils)), strict=True):
        assert node["gap_deg2"] == pytest.approx(gap.gap_deg2, rel=1e-9)
        assert node["at_deg"] == pytest.approx(list(gap.at_deg), rel=1e-9)
        hole = case(name).hole(gap.pupil_mm)
        assert node["gap_deg2"] == pytest.approx(hole.area_deg2, rel=0.15, abs=2.0)
    said = run(*line)
    assert said.exit_code == 0, said.output
    assert "nothing is shown in" in said.output and "square degrees" in said.output


def test_directions_of_the_place_are_degrees():
    """`at_deg` is (dir_x, dir_y), projected angles; holes of stacked pairs lie beside the seam."""
    for gap in gaps(FIRST):
        assert 8.0 < abs(gap.at_deg[0]) < 30.0 and abs(gap.at_deg[1]) < 25.0
        tangent = np.tan(np.radians(np.array(gap.at_deg)))
        np.testing.assert_allclose(degrees_from_tangent(tangent), gap.at_deg)
        assert not eye(FIRST).seam.at(gap.pupil_mm).weights(tangent).any()
