"""The light of a package from its own bytes: even where it is right, and what is wrong is seen."""

import shutil
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from prewarp.errors import PackageError
from prewarp.export.build import DeviceBuild
from prewarp.export.lookup_at_truth import LookupAtTruth
from prewarp.export.lookup_files import with_light
from prewarp.export.package_light import _off_place, _px_per_deg, lookup_light, package_light
from prewarp.export.truth import truth_of
from prewarp.export.verify import verify_package
from prewarp.lookup import Optimiser
from prewarp.lookup.coding import CodedArray, Format
from prewarp.lookup.device_light import PreparedLight
from prewarp.lookup.light_tables import border_tables, claim_table, gain_table
from prewarp.module import EyeBox
from prewarp.seam.directions import tangent_from_plane_deg
from tests import dark_cases
from tests.closed_form import PlaneChannel, plane_set
from tests.export.device_builds import BOX_MM, chebyshev_lookup, small_build, write_small
from tests.eyes import closed_form_eye
from tests.seam.test_claims import crossed
from tests.support import long_form


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("light") / "package"
    write_small(folder, formats=("lookup",))
    return folder


def test_an_even_picture_looks_even(folder):
    light = package_light(folder)
    assert light.sum_error < 1e-6 and 0.05 < light.gradient_per_deg <= 1.0
    # A tenth of a px is 0.02 degree on these small panels: at 0.7 per degree 1.3 per cent a channel at worst.
    assert light.step_percent < 0.1 and 0.0 < light.ripple_percent < 1.0
    found = light.as_dict()
    assert set(found) >= {"step_percent", "ripple_percent", "sum_error", "gradient_per_deg"}
    assert found["judged"] == "blend alone: the package has no luminance"
    judged = verify_package(folder).as_dict()["light"]
    assert judged == {name: found[name] for name in judged} and len(judged) == 4


def test_a_truth_that_is_not_the_one_of_the_manifest_is_not_read(folder, tmp_path):
    copy = shutil.copytree(folder, tmp_path / "copy")
    (copy / "truth.npz").write_bytes((copy / "truth.npz").read_bytes() + b"\0")
    with pytest.raises(PackageError, match="truth.npz"):
        package_light(copy)


def test_with_luminance_gains_are_judged_too():
    build, lookup = small_build(matched=True), chebyshev_lookup(matched=True)
    truth, transfers = truth_of(build), build.eye.transfers
    light = lookup_light(LookupAtTruth(lookup, truth), transfers=transfers)
    assert light.with_luminance and light.step_percent < 0.1 and light.ripple_percent < 1.0
    wrong = lookup.gains[0]
    numbers = wrong.block.numbers.copy()
    # Two per cent more light from one channel and colour.
    numbers[0] += round(0.02 / wrong.block.scale)
    gains = (replace(wrong, block=replace(wrong.block, numbers=numbers)), *lookup.gains[1:])
    spoilt = lookup_light(LookupAtTruth(replace(lookup, gains=gains), truth), transfers=transfers)
    assert spoilt.step_percent == pytest.approx(2.0, abs=0.3)


def test_a_map_that_is_off_shows_in_the_light():
    build, lookup = small_build(), chebyshev_lookup()
    truth = truth_of(build)
    right = lookup_light(LookupAtTruth(lookup, truth), transfers=build.eye.transfers)
    # A tenth of a degree, in one colour of one channel.
    points = truth.maps["left", "G"]
    moved = replace(points, tangent=points.tangent + [np.radians(0.1), 0.0])
    off = replace(truth, maps={**truth.maps, ("left", "G"): moved})
    wrong = lookup_light(LookupAtTruth(lookup, off), transfers=build.eye.transfers)
    gained = (wrong.ripple_percent - right.ripple_percent) / 100.0
    assert 0.03 * right.gradient_per_deg < gained < 0.11 * right.gradient_per_deg


def test_both_channels_of_a_seam_may_be_off_their_places():
    build, lookup = small_build(), chebyshev_lookup()
    truth, found = truth_of(build), []
    for channels in (("left",), ("right",), ("left", "right")):
        maps = dict(truth.maps)
        for name in channels:
            points = maps[name, "G"]
            maps[name, "G"] = replace(points, tangent=points.tangent + [np.radians(0.1), 0.0])
        found.append(_off_place(LookupAtTruth(lookup, replace(truth, maps=maps)))[0])
    nothing = _off_place(LookupAtTruth(lookup, truth))[0]
    assert found[2] == pytest.approx(found[0] + found[1] - nothing, rel=0.05) and min(found) > 2.0 * nothing


def test_the_lookup_at_the_truth_is_that_of_each_pupil_position():
    build, lookup = small_build(), chebyshev_lookup()
    at_truth = LookupAtTruth(lookup, truth_of(build))
    points = at_truth.truth.maps["left", "G"]
    for number in (0, len(at_truth.truth.pupils_mm) - 1, 0):
        light = PreparedLight(lookup, at_truth.truth.pupils_mm[number])
        for _ in range(2):
            for got, wanted in zip(
                at_truth.lit_and_weights(lookup.map_index("left", "G"), number),
                light.lit_and_weights(points.tangent[number]),
                strict=True,
            ):
                np.testing.assert_array_equal(got, wanted)


def test_a_map_that_shows_one_direction_everywhere_has_no_end_of_px_per_degree():
    flat = SimpleNamespace(panel_size_px=(320, 240), direction_from_panel=np.zeros_like)
    assert _px_per_deg(SimpleNamespace(maps=[flat]), 0) == np.inf


def test_one_channel_has_no_seam_to_judge():
    build, lookup = small_build(), chebyshev_lookup()
    bare = replace(lookup, claims=None)
    assert bare.claims is None and build.seam is not None
    assert PreparedLight(bare, np.zeros(3)).weights(np.zeros((1, 2))).max() == 1.0


def test_claims_travel_as_they_are():
    build, lookup = small_build(), chebyshev_lookup()
    table = claim_table(build.seam, lookup.channels)
    np.testing.assert_array_equal(
        table.block.numbers.reshape(build.seam.claims.codes.shape), build.seam.claims.codes
    )
    other = claim_table(build.seam, lookup.channels[::-1])
    np.testing.assert_array_equal(
        other.block.numbers.reshape(2, -1)[0], table.block.numbers.reshape(2, -1)[1]
    )


def test_weights_of_a_blob_are_those_of_the_seam():
    build, lookup = small_build(), chebyshev_lookup()
    tangent = np.random.default_rng(1).uniform([-0.7, -0.4], [0.7, 0.4], (4000, 2))
    for pupil in (*BOX_MM, [1.0, -0.7, 0.3]):
        seam = build.seam.at(pupil)
        depth = seam.depth_deg(tangent)
        # The blob's maps are off by up to 0.1 px, 0.03 degree here, and so are its borders.
        away = np.abs(depth).min(axis=0) > 0.03
        got = PreparedLight(lookup, pupil).weights(tangent)
        assert away.mean() > 0.9
        np.testing.assert_allclose(got[:, away], seam.weights(tangent)[:, away], atol=2e-6)


def test_points_between_corners_are_as_many_as_lines_need():
    straight = PlaneChannel("one", half_width=0.3)
    bent = PlaneChannel("one", half_width=0.3, division=0.2)
    few, many = (border_tables([one], box_mm=BOX_MM)[0].block.numbers for one in (straight, bent))
    assert len(few) == 8 and len(many) > 60
    both = border_tables([straight, replace(bent, colour="R")], box_mm=BOX_MM)
    np.testing.assert_array_equal(both[0].block.numbers, both[1].block.numbers)


def test_a_gain_follows_the_pupil():
    (field,) = (crossed().field("left", "G"),)

    def gain(pixel, tangent, pupil):
        place = pupil[:2] - pupil[2] * tangent
        return np.exp(-0.3 + 2e-4 * pixel[:, 0] + 0.02 * place[:, 0] - 0.004 * place[:, 1] ** 2)

    table = gain_table(gain, field, channel=0, colour=0, box_mm=BOX_MM, degrees=(1, 2))
    assert (table.panel_degree, table.pupil_degree) == (1, 2) and table.error < 2e-4
    assert table.block.format == Format.INT16 and isinstance(table.block, CodedArray)
    # As a device reads it, from another pupil.
    lookup, own = chebyshev_lookup(matched=True), small_build().fields.field("left", "G")
    table = gain_table(gain, own, channel=0, colour=lookup.colours.index("G"), box_mm=BOX_MM, degrees=(1, 2))
    light = PreparedLight(replace(lookup, gains=(table,)), np.array([1.0, -0.7, 0.4]))
    pixel = np.random.default_rng(4).uniform(0.0, own.panel_size_px, (50, 2))
    tangent = own.forward(pixel, pupil_mm=light.pupil_mm)
    found = light.gain(lookup.map_index("left", "G"), pixel, tangent)
    np.testing.assert_allclose(found, gain(pixel, tangent, light.pupil_mm), rtol=2e-3)
    rough = gain_table(
        lambda p, t, e: 1.0 + 0.3 * (p[:, 0] > 300.0), field, channel=0, colour=0, box_mm=BOX_MM
    )
    # A jump no polynomial follows: the table says so.
    assert rough.error > 0.03


def test_closed_form_channels_need_no_regions():
    assert all(not one.regions for one in chebyshev_lookup().borders)
    assert plane_set(PlaneChannel("one")).field("one", "G").lit == ()


def built(eye, box_mm, channels, **options):
    """Return a build and its lookup with light in it."""
    optimiser = Optimiser(eye.fields, pupil_box_mm=box_mm, channels=channels, content=eye.content, **options)
    build = DeviceBuild(eye, box_mm, "none", step_px=40.0)
    return build, with_light(optimiser.search(0.5, "chebyshev")[0], build)


def test_three_channels_share_an_eye():
    third = PlaneChannel("above", panel_size_px=(320, 240), centre=(0.02, 0.34), half_width=0.4, turn_deg=2.0)
    fields = plane_set(*(small_build().fields.field(name, "G") for name in ("left", "right")), third)
    eye = closed_form_eye(fields, content=small_build().content, box=EyeBox(*BOX_MM[1]))
    build, lookup = built(eye, BOX_MM, eye.channels, panel_points=15, pupil_counts=(3, 3, 2))
    light = lookup_light(LookupAtTruth(lookup, truth_of(build)), transfers=eye.transfers)
    assert len(lookup.channels) == 3 and light.sum_error < 1e-6 and light.gradient_per_deg > 0.05
    tangent = np.random.default_rng(1).uniform([-0.7, -0.4], [0.7, 0.6], (3000, 2))
    seam = eye.seam.at([1.0, 0.5, 0.0])
    # The lookup keeps half a px, a tenth of a degree here.
    away = np.abs(seam.depth_deg(tangent)).min(axis=0) > 0.15
    got = PreparedLight(lookup, np.array([1.0, 0.5, 0.0])).weights(tangent)
    np.testing.assert_allclose(got[:, away], seam.weights(tangent)[:, away], atol=2e-6)
    assert (got[:, away] > 0.1).sum(axis=0).max() >= 2


@long_form
def test_a_package_knows_what_a_stop_makes_dark():
    """Traced: a straight stop, which moves with the pupil, ends a channel where it meets the other."""
    eye = dark_cases.eye("apart from some pupils")
    box = np.stack([eye.eye_box.corners.min(axis=0), eye.eye_box.corners.max(axis=0)])
    build, lookup = built(eye, box, eye.channels, panel_points=15, pupil_counts=(3, 3, 1))
    assert all(one.regions for one in lookup.borders)
    x = np.arange(-44.0, 44.0, 0.4)
    tangent = tangent_from_plane_deg(np.stack(np.meshgrid(x, x), axis=-1)).reshape(-1, 2)
    dark = []
    for pupil in np.array([[0.0, 0.0, 0.0], [3.1, -2.2, 0.0]]):
        seam, light = eye.seam.at(pupil), PreparedLight(lookup, pupil)
        wanted, got = seam.weights(tangent), light.weights(tangent)
        off = np.abs(got - wanted).max(axis=0) > 1e-3
        # Strips along the border of what is lit, a few hundredths of a degree wide.
        assert np.abs(seam.depth_deg(tangent)).min(axis=0)[off].max(initial=0.0) < 0.1
        assert np.mean(off) < 0.002
        dark.append(np.mean(got.sum(axis=0) == 0.0))
    assert abs(dark[1] - dark[0]) > 0.002
    light = lookup_light(LookupAtTruth(lookup, truth_of(build)), transfers=eye.transfers)
    assert light.sum_error < 1e-6 and light.gradient_per_deg <= 1.0 and light.ripple_percent < 0.5
