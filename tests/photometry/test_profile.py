"""What the eye sees across the seam: measured maps, other pupils, 10-bit codes, dither."""

import numpy as np
import pytest

from prewarp.content import ContentProjection
from prewarp.errors import SeamError, ShapeError
from prewarp.photometry import seam_profile
from prewarp.render.cpu import content_planes, perceived_light, prewarp_panel, view_maps
from prewarp.seam import build_seam
from tests.closed_form import plane_set, two_channels
from tests.photometry.truth import TrueMaps

CONTENT = ContentProjection("flat", (400, 250), 90.0)
# 40 px per degree, as the panels have: 28 degrees across, 18 up.
VIEW = ContentProjection("flat", (1120, 720), 28.0)
# Weber, percent: under one just noticeable difference at 200 cd/m2 (0.706 %, DICOM PS3.14), with a margin.
LIMIT_PERCENT = 0.5
# None of these is among the measured positions (whole even mm in the plane z = 0).
OTHER_PUPILS = [(1.1, -2.3, 0.6), (-3.1, 0.9, -1.4)]


def seen(fields, seam, pupil, code, *, match=None, dither="none", bits=10):
    """Return the light (height, width, 3) that an eye gets from panels as bright as the closed form says."""
    planes = content_planes(np.full((250, 400, 3), code, dtype=np.uint8))
    panels = {
        name: prewarp_panel(
            fields, CONTENT, planes, channel=name, tracked_pupil_mm=pupil, seam=seam, bit_depth=bits,
            match=match, dither=dither,
        )
        for name in fields.channels
    }  # fmt: skip
    maps = {
        name: view_maps(fields, name, VIEW, pupil_mm=pupil, luminance=TrueMaps()) for name in fields.channels
    }
    return perceived_light(panels, maps, VIEW)


def worst(light, seam):
    profiles = [seam_profile(light[..., plane], VIEW, seam) for plane in range(3)]
    return max(p.step_percent.max() for p in profiles), max(p.ripple_percent.max() for p in profiles)


@pytest.mark.parametrize(("pupil", "code"), [(OTHER_PUPILS[0], 255), (OTHER_PUPILS[1], 110)])
def test_step_and_ripple_stay_below_half_a_percent(large_fields, large_seam, match, pupil, code):
    """White and mid grey, 10 bits, blue noise: both figures below 0.5 %, all colours, nine lines."""
    step, ripple = worst(seen(large_fields, large_seam, pupil, code, match=match, dither="blue"), large_seam)
    assert step < LIMIT_PERCENT and ripple < LIMIT_PERCENT


def test_without_the_match_the_seam_is_plain_to_see(large_fields, large_seam):
    step, ripple = worst(seen(large_fields, large_seam, OTHER_PUPILS[0], 255), large_seam)
    assert step > 20.0 and ripple > 5.0


def test_dither_is_what_keeps_dark_content_smooth(large_fields, large_seam, match):
    # At a fortieth of full light a code is about 1 % of the light: rounding shows, dither does not.
    light = {
        d: seen(large_fields, large_seam, OTHER_PUPILS[0], 45, match=match, dither=d)
        for d in ("none", "bayer")
    }
    rounded, dithered = (worst(light[d], large_seam)[1] for d in ("none", "bayer"))
    assert rounded > LIMIT_PERCENT > dithered


def even_view(seam, change):
    """A view of light 1 times a function of the angle right of straight ahead."""
    x = np.arange(VIEW.size_px[0]) + 0.5 - VIEW.size_px[0] / 2
    degrees = np.degrees(np.arctan(x / VIEW.focal_px))
    return np.broadcast_to(change(degrees), VIEW.size_px[::-1])


def test_a_known_step_and_a_known_ripple_are_read(large_seam):
    step = seam_profile(even_view(large_seam, lambda x: np.where(x > 0.0, 1.01, 1.0)), VIEW, large_seam)
    np.testing.assert_allclose(step.step_percent, 100.0 * 0.01 / 1.005, rtol=1e-6)
    # A sudden step is off the straight line between the sides by the larger part of what it divides the
    # hand-over into.
    jump = step.along_deg[np.nanargmax(np.abs(np.diff(step.luminance, axis=1)), axis=1)]
    share = (jump - step.hand_over_deg[:, 0]) / np.ptp(step.hand_over_deg, axis=1)
    np.testing.assert_allclose(step.ripple_percent, np.maximum(share, 1.0 - share), atol=0.02)
    bump = seam_profile(
        even_view(large_seam, lambda x: 1.0 + 0.02 * np.exp(-((x / 0.8) ** 2))), VIEW, large_seam
    )
    assert np.all(bump.step_percent < 0.01)
    # The window of 0.1 degree takes about a thousandth off a bump this wide.
    np.testing.assert_allclose(bump.ripple_percent, 2.0, rtol=0.01)


def test_a_target_that_falls_is_no_step(large_seam):
    sloping = even_view(large_seam, lambda x: np.exp(0.01 * x))
    plain = seam_profile(sloping, VIEW, large_seam)
    judged = seam_profile(0.7 * sloping, VIEW, large_seam, target=sloping)
    assert plain.step_percent.min() > 5.0 and judged.step_percent.max() < 0.01
    assert judged.ripple_percent.max() < 0.01 and judged.as_dict()["window_deg"] == 0.1


def test_bad_input(large_seam):
    with pytest.raises(ShapeError, match=r"luminance has shape \(3, 4\); expected \(720, 1120\)"):
        seam_profile(np.ones((3, 4)), VIEW, large_seam)
    narrow = ContentProjection("flat", (200, 200), 5.0)
    with pytest.raises(SeamError, match="part of the seam is outside the view. Ask for a wider view"):
        seam_profile(np.ones((200, 200)), narrow, large_seam)
    alone = build_seam(plane_set(two_channels()[0]), pupils_mm=np.zeros(3))
    with pytest.raises(SeamError, match="channels are left; .* With one channel there is no seam to read"):
        seam_profile(np.ones((720, 1120)), VIEW, alone)
    with pytest.raises(SeamError, match="channel 'middle' is not in this seam"):
        seam_profile(np.ones((720, 1120)), VIEW, large_seam, channels=("left", "middle"))
