"""Both eyes in closed form: planes at known distances; pupils that converge, slip, or sit turned."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from prewarp.binocular import (
    CAUTION,
    binocular_directions,
    converged_pupils_mm,
    disparity,
    fixed_worst,
    vergence_dioptres,
)
from prewarp.errors import SeamError
from prewarp.published import VERTICAL_MISALIGNMENT
from prewarp.seam import build_seam
from tests.closed_form import EYE_BOX_CORNERS, PlaneSet, two_channels
from tests.eyes import closed_form_eye

CENTRE = np.zeros(3)
ARCMIN_PER_MRAD = 180.0 * 60.0 / np.pi / 1000.0


@lru_cache(maxsize=2)
def one_eye(side):
    """An eye with two channels 1.5 m ahead, named after it; its seam is built once."""
    channels = [replace(c, channel=f"{side} {c.channel}") for c in two_channels()]
    own = PlaneSet({(c.channel, "G"): c for c in channels})
    return closed_form_eye(own, seam=build_seam(own, pupils_mm=EYE_BOX_CORNERS))


def raised(eyes, side, height):
    """What the eyes look through where the channels of one truly sit higher by a tangent."""
    fields = {key: field for eye in eyes.values() for key, field in eye.fields.fields.items()}
    for key, own in eyes[side].fields.fields.items():
        fields[key] = replace(own, centre=(own.centre[0], own.centre[1] + height))
    return PlaneSet(fields)


@pytest.fixture(scope="module")
def eyes():
    return {side: one_eye(side) for side in ("left", "right")}


@pytest.fixture(scope="module")
def tangent(eyes):
    return binocular_directions(eyes, step_deg=4.0)


def at(left=CENTRE, right=CENTRE):
    return {"left": np.asarray(left, float), "right": np.asarray(right, float)}


def test_nothing_is_added_where_the_correction_is_right(eyes, tangent):
    pupils = at([1.0, 2.0, -1.0], [-2.0, 0.5, 1.0])
    found = disparity(eyes, tangent, pupils_mm=pupils, tracked_pupils_mm=pupils, colour="G")
    assert len(tangent) > 20
    np.testing.assert_allclose(found.dipvergence_arcmin, 0.0, atol=1e-9)
    np.testing.assert_allclose(found.horizontal_arcmin, 0.0, atol=1e-9)


@pytest.mark.outside
def test_pupils_that_move_apart_see_their_vergence(eyes):
    # Vergence arithmetic (common practice): p mm of pupil at D dioptres turn the picture back by p D mrad.
    pupils = at([0.5, 0.75, 0.0], [-0.5, -0.75, 0.0])
    found = disparity(eyes, [[0.0, 0.0]], pupils_mm=pupils, tracked_pupils_mm=at(), colour="G")
    # 1 mm nearer together: the left picture falls back to the left by 0.5 / 1.5 mrad, the right one right.
    assert found.horizontal_arcmin[0] == pytest.approx(-1.0 / 1.5 * ARCMIN_PER_MRAD, rel=1e-5)
    assert found.dipvergence_arcmin[0] == pytest.approx(-1.5 / 1.5 * ARCMIN_PER_MRAD, rel=1e-5)
    # Eyes 63 mm apart that look at a point 1 m away, 1 dioptre, converge by 3.60844 degrees (common
    # practice); the angle stands for its tangent.
    assert vergence_dioptres(3.60844 * 60.0, 63.0) == pytest.approx(1.0, rel=5e-4)
    # Over 63 mm between the pupils: 2/3 mrad / 0.063 m.
    assert found.vergence_dioptres(63.0)[0] == pytest.approx(-(1.0 / 1500.0) / 0.063, rel=1e-5)


def test_a_channel_that_sits_higher_is_seen_higher(eyes):
    """Half a mrad at the middle of the picture: more than half of a usual design figure for dipvergence."""
    true = raised(eyes, "left", 5e-4)
    arguments = {"pupils_mm": at(), "tracked_pupils_mm": at(), "colour": "G", "true_fields": true}
    found = disparity(eyes, [[0.0, 0.0]], **arguments)
    assert found.dipvergence_arcmin[0] == pytest.approx(0.5 * ARCMIN_PER_MRAD, rel=1e-4)
    assert found.horizontal_arcmin[0] == pytest.approx(0.0, abs=1e-6)


@pytest.mark.outside
def test_converging_eyes_turn_about_their_centres():
    # 63 mm apart at 1 m: each eye turns by half of 3.60844 degrees (vergence arithmetic); lever arm 11.65 mm.
    pupils = converged_pupils_mm(1.0, 63.0, 11.65)
    angle = np.radians(3.60844 / 2.0)
    np.testing.assert_allclose(
        pupils["left"], [11.65 * np.sin(angle), 0.0, -11.65 * (1 - np.cos(angle))], rtol=1e-5
    )
    assert pupils["right"][0] == -pupils["left"][0]


def test_worst_case_is_the_worst_of_all_pairs(eyes, tangent):
    found = fixed_worst(eyes, tangent, pupils_mm=EYE_BOX_CORNERS, colour="G")
    every = [
        disparity(eyes, tangent, pupils_mm=at(one, other), tracked_pupils_mm=at(), colour="G")
        for one in EYE_BOX_CORNERS
        for other in EYE_BOX_CORNERS
    ]
    for name in ("dipvergence_arcmin", "horizontal_arcmin"):
        most = np.max([np.abs(getattr(one, name)) for one in every], axis=0)
        np.testing.assert_allclose(np.abs(getattr(found, name)), most, rtol=1e-3)


def test_the_worst_pair_is_found_in_a_box_to_one_side(eyes):
    """Both pupils between 0 and 3 mm: the worst pair has one at an end and the other at the other."""
    found = fixed_worst(eyes, [[0.0, 0.0]], pupils_mm=[[0.0, 0.0, 0.0], [3.0, 0.0, 0.0]], colour="G")
    # 3 mm against a picture 1.5 m away: 2 mrad.
    assert abs(found.horizontal_arcmin[0]) == pytest.approx(2.0 * ARCMIN_PER_MRAD, rel=1e-4)
    found = fixed_worst(eyes, [[0.0, 0.0]], pupils_mm=[[0.0, 1.0, 0.0], [0.0, 3.0, 0.0]], colour="G")
    assert abs(found.dipvergence_arcmin[0]) == pytest.approx(2.0 / 1.5 * ARCMIN_PER_MRAD, rel=1e-4)
    # An eye whose picture sits half a mrad higher adds to one of the two pairs: either eye.
    for side in ("left", "right"):
        found = fixed_worst(
            eyes,
            [[0.0, 0.0]],
            pupils_mm=[[0.0, 1.0, 0.0], [0.0, 3.0, 0.0]],
            colour="G",
            true_fields=raised(eyes, side, 5e-4),
        )
        assert abs(found.dipvergence_arcmin[0]) == pytest.approx(
            (2.0 / 1.5 + 0.5) * ARCMIN_PER_MRAD, rel=1e-3
        )


def test_out_of_sight_is_nan(eyes):
    found = disparity(eyes, [[0.0, 0.0], [2.0, 0.0]], pupils_mm=at(), tracked_pupils_mm=at(), colour="G")
    assert np.isnan(found.dipvergence_arcmin).tolist() == [False, True]


def test_one_eye_is_not_enough_and_cautions_stand_beside():
    with pytest.raises(SeamError, match="no channel for the left eye; disparity needs both"):
        binocular_directions({"right": one_eye("right")})
    assert "qualified people" in CAUTION
    assert any("quoted from memory" in one.text() for one in VERTICAL_MISALIGNMENT)
