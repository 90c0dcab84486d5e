"""Outlines of views: held to closed forms of what is lit, from single pupils and from a whole eye box."""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.chebyshev import chebyshev_terms
from prewarp.export.view_mask import view_mask
from prewarp.export.view_mask_files import visible_at
from prewarp.export.view_outlines import MOST_BEYOND_DEG, lit_areas, lit_areas_of_box, thinned
from prewarp.field import FieldSet
from prewarp.field.lit import LitRegion
from prewarp.fitting.pupil import PupilFrame
from prewarp.module import EyeBox
from prewarp.seam import channel_lights
from tests.export.device_builds import small_fields
from tests.sampled_fields import PUPIL_BOX_MM, sampled_set
from tests.support import long_form
from tests.synthetic import PlaneImage, plane_image_forward

SIZE = (640, 480)
SHOWN = {
    "left": PlaneImage(size_px=SIZE, focal_px=720.0, yaw_deg=-14.0),
    "right": PlaneImage(size_px=SIZE, focal_px=720.0, yaw_deg=14.0),
}
BOX = EyeBox(4.0, 3.0, 1.0)
# Left: the middle is dark as well; right: a square stop, whose corners move along as the pupil does. Moves of
# half a panel for 6 mm of pupil are those of a lens edge some 40 mm away.
SHIFT = 0.5


def odds(channel, place):
    """Return what is above 0 where (u, v, x0, y0), each over -1 to 1, is lit."""
    u, v, x, y = np.moveaxis(place, -1, 0)
    a, b = u + SHIFT * x, v + SHIFT * y
    if channel == "left":
        return ((a**2 + b**2) - 0.06) * (0.7 - (a**2 + b**2))
    return 0.35 - a**4 - b**4


def dark_fields():
    """Return sampled fields of both channels with their lit regions, exact polynomials."""
    fields, random = sampled_set(SHOWN), np.random.default_rng(1)
    exponents = np.array([one for one in exponents_4(4)])
    places = random.uniform(-1.0, 1.0, (4000, 4))
    made = {}
    for (channel, colour), field in fields.fields.items():
        terms = chebyshev_terms(places, exponents)
        coefficients = np.linalg.lstsq(terms, odds(channel, places), rcond=None)[0]
        assert np.abs(terms @ coefficients - odds(channel, places)).max() < 1e-9
        frame = PupilFrame((0.0, 0.0), tuple(PUPIL_BOX_MM[1, :2]))
        made[channel, colour] = replace(field, lit=(LitRegion(SIZE, frame, exponents, coefficients, 8.0),))
    return FieldSet(made, PUPIL_BOX_MM, (), {"made": "by a test"})


def exponents_4(degree):
    """Return the exponents of four variables up to a total degree."""
    whole = range(degree + 1)
    return [
        (a, b, c, d) for a in whole for b in whole for c in whole for d in whole if a + b + c + d <= degree
    ]


def seen_from(pupil, random, count=1500):
    """Return directions of random panel points of both channels, and which are lit by the closed form.

    A ray belongs to the pupil plane z = 0 where it crosses it.
    """
    directions, lit = [], []
    for channel, display in SHOWN.items():
        pixel = random.uniform((0.0, 0.0), SIZE, (count, 2))
        tangent = plane_image_forward(pixel, pupil, display)
        crossing = (pupil[:2] - pupil[2] * tangent) / PUPIL_BOX_MM[1, :2]
        place = np.concatenate([2.0 * pixel / SIZE - 1.0, crossing], axis=-1)
        directions.append(tangent)
        lit.append(odds(channel, place) > 0.0)
    return np.concatenate(directions), np.concatenate(lit)


@pytest.fixture(scope="module")
def lights():
    fields = dark_fields()
    return channel_lights(fields, fields.channels)


@pytest.mark.outside
@pytest.mark.parametrize("pupil", [(0.0, 0.0, 0.0), (3.5, -2.0, 1.0), (-4.0, 3.0, -1.0)])
def test_what_is_lit_is_visible_and_what_is_dark_is_hidden(lights, pupil):
    mask, random = view_mask(lit_areas(lights, np.array(pupil))), np.random.default_rng(2)
    tangent, lit = seen_from(np.array(pupil), random)
    visible = visible_at(mask, tangent)
    assert 500 < lit.sum() < len(lit) - 500
    assert visible[lit].all()
    # A direction that one channel leaves dark may be lit by the other: judged by depth, apart from borders.
    depth = np.max([light.depth_deg(tangent, pupil_mm=pupil) for light in lights], axis=0)
    assert not visible[depth < -MOST_BEYOND_DEG].any() and np.sum(depth < -MOST_BEYOND_DEG) > 200


def test_a_dark_middle_is_hidden(lights):
    """In the closed form the left channel is dark within a quarter of its half panel; it is alone here."""
    areas = lit_areas(lights[:1], np.zeros(3))
    assert [len(area) for area in areas] == [2]
    mask = view_mask(areas)
    assert not visible_at(
        mask, plane_image_forward(np.array([[320.0, 240.0]]), np.zeros(3), SHOWN["left"])
    ).any()


@long_form
def test_from_a_whole_eye_box_everything_that_any_pupil_sees_is_visible(lights):
    mask, random = view_mask(lit_areas_of_box(lights, BOX)), np.random.default_rng(3)
    total = 0
    for pupil in random.uniform(-BOX.half_mm, BOX.half_mm, (60, 3)):
        tangent, lit = seen_from(pupil, random, 400)
        total += lit.sum()
        assert visible_at(mask, tangent[lit]).all()
    assert total > 5000
    # And not just everything: the corners of the view, and of each panel, are dark from everywhere.
    assert not visible_at(mask, 0.999 * mask.field_of_view.corners).any()


def test_where_all_is_lit_the_outline_is_that_of_the_panels():
    """The closed form's border, pixel by pixel; nothing of it is lost, and hardly anything is added."""
    fields, pupil = small_fields(), np.array([1.0, -1.0, 0.5])
    lights = channel_lights(fields, fields.channels)
    areas = lit_areas(lights, pupil)
    assert [len(area) for area in areas] == [1, 1] and all(len(area[0]) < 40 for area in areas)
    random = np.random.default_rng(4)
    for channel, area in zip(fields.channels, areas, strict=True):
        mask, own = view_mask([area]), [fields.field(channel, colour) for colour in fields.colours]
        size = np.array(own[0].panel_size_px)
        around = random.uniform(-0.05 * size, 1.05 * size, (6000, 2))
        tangent = own[0].forward(around, pupil_mm=pupil)
        # How far inside its panel, px, every colour has the direction: white is where all have.
        inside = np.full(len(tangent), np.inf)
        for field in own:
            pixel = field.inverse(tangent, pupil_mm=pupil, margin_px=100.0).pixel
            inside = np.minimum(inside, np.minimum(pixel, size - pixel).min(axis=-1))
        visible = visible_at(mask, tangent)
        # A panel px is some 0.13 degree.
        assert visible[inside > 0.01].all() and not visible[inside < -1.0].any()
        assert np.sum(inside < -1.0) > 500 and np.sum((inside > 0.0) & (inside < 2.0)) > 50


def test_more_room_is_given_where_it_is_asked_for():
    fields = small_fields()
    lights = channel_lights(fields, fields.channels)
    for beyond in (0.0, 0.2, 1.0):
        for light, area in zip(lights, lit_areas(lights, np.zeros(3), beyond_deg=beyond), strict=True):
            distance = -light.outline(np.zeros(3)).signed_distance_deg(area[0])
            assert distance.min() >= beyond - 1e-9 and distance.min() < beyond + 0.1 + beyond


@pytest.mark.outside
@pytest.mark.parametrize("tolerance", [0.001, 0.01, 0.1])
def test_thinned_loops_stay_near(tolerance):
    """Distances by hand, from every corner to every chord; counts beside OpenCV's, by the same rule."""
    from tests.support import require_module

    cv2 = require_module("cv2")
    angle = np.linspace(0.0, 2.0 * np.pi, 700, endpoint=False)
    loop = (
        np.stack([np.cos(angle), 0.6 * np.sin(angle)], axis=-1) * (1.0 + 0.1 * np.sin(5.0 * angle))[:, None]
    )
    few = thinned(loop, tolerance)
    away = np.full(len(loop), np.inf)
    for a, b in zip(few, np.roll(few, -1, axis=0), strict=True):
        share = np.clip((loop - a) @ (b - a) / ((b - a) @ (b - a)), 0.0, 1.0)
        away = np.minimum(away, np.hypot(*(loop - a - share[:, None] * (b - a)).T))
    assert away.max() <= tolerance
    theirs = len(cv2.approxPolyDP(loop.astype(np.float32)[:, None], tolerance, True))
    assert abs(len(few) - theirs) <= 3 and len(few) < 200
