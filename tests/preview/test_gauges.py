"""Numbers of the overlay against the closed form, and the pages that show them."""

from dataclasses import dataclass, replace

import matplotlib
import numpy as np
import pytest

from prewarp.encoding import srgb_from_linear
from prewarp.frames import arcmin_between
from prewarp.preview import gauges
from prewarp.preview.dressing import Dressing
from prewarp.preview.gauges import FrameClock, RecentErrors, SeamGauge, SeamReading
from prewarp.preview.legend import false_colour, scale_end
from prewarp.preview.pages import (
    caution_page,
    help_page,
    labels_pages,
    legend_page,
    message_page,
    number_rows,
    numbers_page,
)
from prewarp.preview.state import VIEWS, State
from prewarp.preview.views import Box, outlook_of, regions_of, shared_directions, shrink_for
from prewarp.render.live.outlook import Outlook
from tests.closed_form import PlaneChannel

SIZE = (640, 400)


def test_one_image_plane_leaves_no_seam_error(subject):
    reading = SeamGauge(subject).read(np.array([3.0, 1.0, 0.0]), np.zeros(3))
    assert reading.error_arcmin < 1e-6 and reading.focus_step_dioptres < 1e-6


def test_two_depths_break_the_seam_by_the_known_angle(two_depths):
    """Images at 1 m and 3 m, a pupil 3 mm off: parallax 3 mm * (1 - 1/3) D = 2 mrad = 6.875 arcmin ahead."""
    reading = SeamGauge(two_depths).read(np.array([3.0, 0.0, 0.0]), np.zeros(3))
    assert reading.error_arcmin == pytest.approx(6.875, rel=0.03)
    assert reading.focus_step_dioptres == pytest.approx(2.0 / 3.0, rel=0.03)


@dataclass(frozen=True)
class Astigmatic(PlaneChannel):
    """Says that rays turn as those of two focal lines do."""

    def pupil_jacobian(self, pixel, /, *, pupil_mm):
        return super().pupil_jacobian(pixel, pupil_mm=pupil_mm) @ np.diag([0.5, 2.0])


def test_focus_step_is_the_mean_of_both_focal_lines(two_depths, monkeypatch):
    """Dioptres of a slope J are trace(J) / 2 / sqrt(1 + |t|^2): turning keeps a trace (derived by hand)."""
    monkeypatch.setattr(gauges, "PROBES", 1 << 20)
    fields = {
        key: Astigmatic(**vars(one)) if key[0] == "left" else one
        for key, one in two_depths.eye.fields.fields.items()
    }
    eye = replace(two_depths.eye, fields=replace(two_depths.eye.fields, fields=fields))
    subject = replace(two_depths, eye=eye)
    reading = SeamGauge(subject).read(np.zeros(3), np.zeros(3))
    length = np.sqrt(1.0 + np.sum(shared_directions(subject) ** 2, axis=-1))
    assert reading.focus_step_dioptres == pytest.approx(np.median((1.25 - 1.0 / 3.0) / length), rel=1e-6)


def test_shared_directions_are_in_both_channels(two_depths):
    tangent = shared_directions(two_depths)
    weights = two_depths.eye.seam.weights(tangent)
    assert len(tangent) > 20 and np.all(weights > 0.1)


def test_p95_forgets_what_is_older_than_five_seconds():
    recent = RecentErrors()
    assert np.isnan(recent.p95_arcmin)
    for number in range(100):
        recent.add(number * 0.1, 50.0 if number < 40 else float(number % 20))
    # 51 readings of 0 to 19 are left (49 to 99, evenly).
    left = [float(n % 20) for n in range(49, 100)]
    assert recent.p95_arcmin == pytest.approx(np.percentile(left, 95))
    recent.add(9.95, np.nan)
    assert recent.p95_arcmin <= 19.0


def test_frame_clock_leaves_gaps_out():
    clock = FrameClock()
    assert np.isnan(clock.frame_ms)
    for time in (0.0, 0.010, 0.020):
        clock.tick(time)
    clock.pause()
    clock.tick(9.0)
    clock.tick(9.010)
    assert clock.frame_ms == pytest.approx(10.0)


def test_false_colours_follow_the_scale():
    colours = false_colour(np.array([-1.0, 0.0, 1.0, 7.0]))
    np.testing.assert_array_equal(colours[0], colours[1])
    np.testing.assert_array_equal(colours[2], colours[3])
    scale = np.linspace(0.0, 1.0, 101)
    # Luminance of linear sRGB (IEC 61966-2-1): rising all the way. The map is matplotlib's.
    assert (np.diff(false_colour(scale) @ [0.2126, 0.7152, 0.0722]) > 0.0).all()
    shown = srgb_from_linear(false_colour(scale))
    np.testing.assert_allclose(shown, matplotlib.colormaps["cividis"](scale)[:, :3], atol=0.035)
    assert [scale_end(one) for one in (0.0, 1.2, 5.0, 1e4)] == [0.5, 2.0, 5.0, 200.0]
    assert arcmin_between(np.zeros(2), np.array([np.tan(np.radians(1.0 / 60.0)), 0.0])) == pytest.approx(1.0)


def test_pages_hold_what_they_say():
    state = State(wipe=0.5, view="seam error", transmittance=0.4, ghost=2, zoom=3)
    reading = SeamReading(1.234, 0.5)
    one, other = (
        numbers_page(number_rows(state, np.zeros(3), np.zeros(3), told, 2.0, 16.6), SIZE)
        for told in (reading, SeamReading(9.876, 0.5))
    )
    assert one.pixels.shape == other.pixels.shape and np.any(one.pixels != other.pixels)
    assert one.pixels[..., :3].max() > 150, "there is ink"
    for page in (
        help_page(SIZE),
        caution_page(SIZE),
        message_page("one\ntwo", SIZE),
        legend_page(state, ("a",), SIZE),
    ):
        width = page.pixels.shape[1]
        assert page.left >= 0 and page.top >= 0 and page.left + width <= SIZE[0] and page.pixels.shape[2] == 4
    assert legend_page(State(), ("a",), SIZE) is None
    labels = labels_pages(state, SIZE)
    assert labels["before"].left < 320 < labels["after"].left
    assert labels_pages(State(), SIZE) == {"line": None, "before": None, "after": None}


def test_high_dpi_makes_text_larger():
    pages = [numbers_page([("pupil", "0, 0, 0 mm")] * 9, SIZE, scale=s) for s in (1, 2)]
    assert pages[1].pixels.shape[0] == pytest.approx(2 * pages[0].pixels.shape[0], rel=0.1)


def test_pages_are_made_anew_only_when_they_change(subject):
    dressing = Dressing(subject)
    state = State(view="blend weight", wipe=0.4)

    def pages(now, state=state):
        return dressing.pages(state, np.zeros(3), np.zeros(3), now, SIZE)

    first, soon, later = pages(0.0), pages(0.05), pages(1.0)
    assert first["numbers"] is soon["numbers"] and first["numbers"] is not later["numbers"]
    assert first["legend"] is later["legend"] and first["line"] is later["line"]
    assert pages(1.1, State(caution=True))["caution"] is not None
    assert pages(1.2, State(help=True))["numbers"] is None
    dressing.say("a shader broke", 2.0)
    assert pages(2.1)["message"] is not None and pages(30.0)["message"] is None
    dressing.say("stays", 31.0, stays=True)
    assert pages(900.0)["message"] is not None
    dressing.quiet()
    assert pages(901.0)["message"] is None


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("size", [(640, 400), (200, 900), (3, 2)])
def test_regions_lie_in_the_frame(subject, view, size):
    regions = regions_of(view, size, subject)
    boxes = [box for box in (regions.view, *regions.panels) if box is not None]
    assert boxes
    for box in boxes:
        assert box.width >= 1 and box.height >= 1
        if min(size) > 50:
            assert (
                box.left >= 0
                and box.top >= 0
                and box.left + box.width <= size[0]
                and box.top + box.height <= size[1]
            )
    assert len(regions.panels) == (2 if view in ("panels", "both") else 0)


def test_outlook_and_shrink(subject):
    whole = outlook_of(State(), subject, Box(0, 0, 400, 250), np.zeros(2))
    assert whole == Outlook((400, 250), (200.0, 125.0), subject.eye.content.focal_px / 2.0)
    close = outlook_of(State(zoom=2), subject, Box(0, 0, 400, 250), np.array([0.1, 0.2]))
    assert close.scale_px == 2.0 * whole.scale_px
    # The point looked at is in the middle.
    np.testing.assert_allclose(
        np.array(close.middle_px) + np.array([0.1, -0.2]) * close.scale_px, [200.0, 125.0]
    )
    shrinks = [
        shrink_for(subject, Outlook((9, 9), (0.0, 0.0), scale), finesse=1.0)
        for scale in (50.0, 200.0, 400.0, 900.0)
    ]
    assert shrinks == sorted(shrinks, reverse=True) and shrinks[-1] == 1 and shrinks[0] > 2
