"""What of a panel is lit, on fields whose border is put there by hand."""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.errors import ShapeError
from prewarp.field.lit import LitRegion
from prewarp.fitting.pupil import PupilFrame
from tests.certain_cases import PANEL
from tests.sampled_fields import sampled_field
from tests.synthetic import PlaneImage, plane_image_forward

FRAME = PupilFrame((0.0, 0.0), (4.0, 4.0))
# u' + x' < 0.5: half of the panel and a quarter of it, moving by a panel width for 8 mm of pupil.
EXPONENTS = np.array([[0, 0, 0, 0], [1, 0, 0, 0], [0, 0, 1, 0]])
COEFFICIENTS = np.array([0.5, -1.0, -1.0])


def region(size, **changes):
    return replace(LitRegion(size, FRAME, EXPONENTS, COEFFICIENTS, 80.0), **changes)


def test_depth_is_the_distance_to_the_border():
    one = region(PANEL)
    u = np.array([100.0, 1920.0, 2500.0])
    pixel = np.stack([u, np.full(3, 700.0)], axis=-1)
    # At x = 0 the border is at u = 0.75 of the panel, each mm of pupil moves it by an eighth.
    np.testing.assert_allclose(one.depth_px(pixel, np.zeros((3, 2)))[1:], 1920.0 - u[1:], atol=1e-9)
    moved = one.depth_px(pixel, np.tile([2.0, 3.0], (3, 1)))
    np.testing.assert_allclose(moved[1:], np.array([1280.0 - 1920.0, -640.0]), atol=1e-9)
    # Far from it distances are not told apart.
    assert one.depth_px(pixel, np.zeros((3, 2)))[0] == pytest.approx(8.0 * 80.0, rel=1e-6)


def test_a_field_tells_how_much_is_lit():
    display = PlaneImage()
    field = sampled_field("one", lambda pixel, pupil: plane_image_forward(pixel, pupil, display), PANEL)
    assert field.lit_percent(pupil_mm=np.zeros(3)) == 100.0
    (low_u, _), (high_u, _) = field.border_pixel.min(axis=0), field.border_pixel.max(axis=0)
    half = replace(field, lit=(region(field.panel_size_px),))
    width = field.panel_size_px[0]
    for x in (0.0, 2.0):
        expected = 100.0 * (width * (0.75 - x / 8.0) - low_u) / (high_u - low_u)
        assert half.lit_percent(pupil_mm=[x, 0.0, 0.0]) == pytest.approx(expected, abs=1.0)
    pixel = np.array([[0.6 * width, 0.5 * field.panel_size_px[1]]])
    inside = half.depth_px(pixel, pupil_mm=np.zeros(3))
    assert inside == pytest.approx([0.15 * width], rel=1e-6)
    # The border of the panel is nearer than that of the light at its top.
    assert half.depth_px(pixel * [1.0, 0.0] + [0.0, 5.0], pupil_mm=np.zeros(3))[0] <= 5.0


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"exponents": EXPONENTS[:, :3]}, "exponents have shape"),
        ({"coefficients": COEFFICIENTS[:2]}, "coefficients"),
        ({"coefficients": np.array([0.5, np.nan, 1.0])}, "must be finite"),
        ({"spacing_px": 0.0}, "spacing above 0"),
        ({"exponents": EXPONENTS * 50}, "must be 0 to 12"),
    ],
)
def test_bad_regions_are_refused(changes, message):
    with pytest.raises(ShapeError, match=message):
        region(PANEL, **changes)
