"""Panels out of step: times of directions, the split that a turn makes, against closed forms."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from prewarp.errors import RenderError, SeamError
from prewarp.frames import arcmin_between, arcmin_step, tangent_from_degrees, turned_tangent
from prewarp.head import HeadTurn, TurningField
from prewarp.scan import SCAN_DIRECTIONS, PanelScan
from prewarp.seam import build_seam, lit_ms, overlaps, panels_in_step, seam_timing, timing_not_known
from prewarp.seam.timing import PITCH, YAW, split_arcmin_per_deg_per_s
from tests.closed_form import EYE_BOX_CORNERS, PlaneChannel, plane_set, two_channels

CENTRE = np.zeros(3)
# Asked for: rate times time, to a hundredth of an arcmin.
CLOSED_FORM_ARCMIN = 0.01
# A few rounding errors of times of some ms.
SAME_MS = 1e-9
# Pairs of directions whose lines are the same.
AXES = [{"down"}, {"up"}, {"left"}, {"right"}, {"up", "down"}, {"left", "right"}]


def flat_pair():
    """Two channels without distortion, as good as at infinity: panel point and tangent are one affine map."""
    return tuple(
        PlaneChannel(name, panel_size_px=(1000, 800), distance_m=1e6, centre=(x, 0.0), half_width=0.4)
        for name, x in (("left", -0.3), ("right", 0.3))
    )


def turned_by_hand(tangent, rate_deg_per_s, time_ms):
    """Turn directions by SciPy's rotations: an implementation that shares nothing with the code under test.

    x, y, z of the eye are right, up, forward: as numbers the rotation formula is the same.
    """
    vector = np.concatenate([tangent, np.ones((*tangent.shape[:-1], 1))], axis=-1)
    flat = vector.reshape(-1, 3)
    angle = np.radians(rate_deg_per_s) * (
        np.broadcast_to(time_ms, tangent.shape[:-1]).reshape(-1, 1) / 1000.0
    )
    turned = Rotation.from_rotvec(angle).apply(flat)
    return (turned[:, :2] / turned[:, 2:]).reshape(tangent.shape)


def test_a_sixth_of_a_millisecond_at_100_degrees_a_second_is_an_arcmin():
    # 100 deg/s x 1/6 ms = 1/60 degree; 0.17 ms make 1.02 arcmin.
    for apart, expected in ((1.0 / 6.0, 1.0), (0.17, 1.02)):
        split = 100.0 * split_arcmin_per_deg_per_s(np.zeros(2), apart, YAW)
        np.testing.assert_allclose(split, [expected, 0.0], atol=1e-12)


def test_yaw_moves_to_the_right_and_pitch_up():
    ahead = np.zeros(2)
    assert HeadTurn.of_angles(10.0, 0.0, 0.0).turned(ahead, np.array(100.0))[0] > 0.0
    assert HeadTurn.of_angles(0.0, 10.0, 0.0).turned(ahead, np.array(100.0))[1] > 0.0
    # To the right shoulder: what is on the right moves down.
    assert HeadTurn.of_angles(0.0, 0.0, 10.0).turned(np.array([0.3, 0.0]), np.array(100.0))[1] < 0.0
    np.testing.assert_allclose(split_arcmin_per_deg_per_s(ahead, 1.0, PITCH), [0.0, 0.06], atol=1e-15)


def test_turned_directions_are_those_of_an_outside_library():
    random = np.random.default_rng(2)
    tangent, turn = random.uniform(-0.8, 0.8, (500, 2)), random.uniform(-0.3, 0.3, (500, 3))
    turn[:50] *= 1e-9
    turn[50] = 0.0
    vector = Rotation.from_rotvec(turn).apply(np.column_stack([tangent, np.ones(500)]))
    np.testing.assert_allclose(turned_tangent(tangent, turn), vector[:, :2] / vector[:, 2:], atol=1e-14)
    assert np.array_equal(turned_tangent(tangent, np.zeros(3)), tangent)
    behind = turned_tangent(np.array([0.0, 0.0]), np.array([0.0, np.radians(100.0), 0.0]))
    assert np.isnan(behind).all()


@pytest.mark.parametrize("direction", SCAN_DIRECTIONS)
@pytest.mark.parametrize("mirrored", [False, True])
def test_the_time_of_a_direction_follows_from_its_panel_point(direction, mirrored):
    """Straight optics: u and v are affine in the tangents, mirrored ones show u backwards."""
    channel = PlaneChannel(
        "one", panel_size_px=(1000, 800), distance_m=1e6, half_width=0.5, u_backwards=mirrored
    )
    scan = PanelScan(direction, 1.0, 5.0, 2.0)
    tangent = np.array([[0.2, 0.1], [-0.31, -0.25], [0.0, 0.0]])
    # 1000 px over tangents from -0.5 to 0.5; v runs down.
    u = 500.0 + (-1.0 if mirrored else 1.0) * 1000.0 * tangent[:, 0]
    v = 400.0 - 1000.0 * tangent[:, 1]
    line = {"right": u - 0.5, "left": 999.5 - u, "down": v - 0.5, "up": 799.5 - v}[direction]
    expected = 1.0 + line * 0.005 + 1.0
    np.testing.assert_allclose(lit_ms(channel, scan, tangent), expected, atol=1e-6)
    assert np.isnan(lit_ms(channel, scan, np.array([2.0, 0.0])))


@pytest.mark.parametrize(
    "rate", [(0.0, 100.0, 0.0), (-100.0, 0.0, 0.0), (0.0, 0.0, 100.0), (60.0, -70.0, 30.0)]
)
def test_the_split_is_rate_times_time(rate):
    """Closed form: s lit at both times, turned by an outside library, seen by an eye that keeps still."""
    left, right = flat_pair()
    scans = PanelScan("down", 0.0, 10.0, 1.0), PanelScan("up", 0.5, 8.0, 3.0)
    tangent = np.stack(np.meshgrid(np.linspace(-0.09, 0.09, 7), np.linspace(-0.3, 0.3, 9)), -1).reshape(-1, 2)
    timing = seam_timing(left, right, scans, tangent)
    # Half-way between the two times the direction stands where it does in the head.
    shown = [turned_by_hand(tangent, rate, time) for time in timing.lit_ms - timing.lit_ms.mean(axis=0)]
    axis = np.array(rate) / np.linalg.norm(rate)
    split = np.linalg.norm(rate) * split_arcmin_per_deg_per_s(tangent, timing.apart_ms, axis)
    np.testing.assert_allclose(split, arcmin_step(*shown), atol=CLOSED_FORM_ARCMIN)
    largest = timing.worst_axis * np.linalg.norm(rate)
    assert np.all(arcmin_between(*shown) <= largest + CLOSED_FORM_ARCMIN)
    # About an axis at right angles to the direction the split is the worst one.
    s = np.append(tangent[3], 1.0) / np.sqrt(1.0 + tangent[3] @ tangent[3])
    across = np.cross(s, [1.0, 2.0, 3.0])
    across *= 100.0 / np.linalg.norm(across)
    worst = arcmin_between(*(turned_by_hand(tangent[3], across, time[3]) for time in timing.lit_ms))
    assert worst == pytest.approx(100.0 * timing.worst_axis[3], abs=1e-6)


def test_fields_of_a_turning_head_show_the_same_split():
    """What `TurningField` shows of content that no late rotation moves, distortion and pupil included."""
    left, right = two_channels()
    scans = PanelScan("down", 0.0, 12.0, 1.0), PanelScan("left", 2.0, 9.0, 3.0)
    head, pupil = HeadTurn((20.0, 90.0, -40.0), 1.5), np.array([2.0, -1.0, 1.0])
    tangent = np.stack(np.meshgrid(np.linspace(-0.02, 0.02, 3), np.linspace(-0.15, 0.15, 4)), -1).reshape(
        -1, 2
    )
    seen = []
    for channel, scan in zip((left, right), scans, strict=True):
        pixel = channel.inverse(tangent, pupil_mm=pupil).pixel
        turning = TurningField(channel, scan, head)
        direction = turning.forward(pixel, pupil_mm=pupil)
        time = scan.lit_ms(pixel, channel.panel_size_px)
        np.testing.assert_allclose(
            direction, turned_by_hand(tangent, head.rate_deg_per_s, time - 1.5), atol=1e-12
        )
        back = turning.inverse(direction, pupil_mm=pupil)
        assert back.valid.all()
        np.testing.assert_allclose(back.pixel, pixel, atol=1e-6)
        seen.append(direction)
    timing = seam_timing(left, right, scans, tangent, pupils_mm=pupil)
    rate = np.linalg.norm(head.rate_deg_per_s)
    split = rate * split_arcmin_per_deg_per_s(tangent, timing.apart_ms, np.array(head.rate_deg_per_s) / rate)
    # Turned by up to half a degree on the way, the split's own direction turns as well.
    np.testing.assert_allclose(np.linalg.norm(split, axis=1), arcmin_between(*seen), atol=CLOSED_FORM_ARCMIN)


def test_a_turning_field_is_found_up_to_the_panels_edge():
    channel = two_channels()[0]
    turning = TurningField(channel, PanelScan("down", 0.0, 20.0, 1.0), HeadTurn((-300.0, 200.0, 100.0)))
    pixel = np.array([[0.5, 0.5], [639.5, 0.5], [0.5, 479.5], [639.5, 479.5], [320.0, 0.5], [5.0, 300.0]])
    seen = turning.forward(pixel, pupil_mm=CENTRE)
    found = turning.inverse(seen, pupil_mm=CENTRE)
    assert found.valid.all()
    np.testing.assert_allclose(found.pixel, pixel, atol=1e-4)
    beside = turning.forward(np.array([[-3.0, 200.0], [300.0, 483.0]]), pupil_mm=CENTRE)
    assert not turning.inverse(beside, pupil_mm=CENTRE).valid.any()
    assert turning.inverse(beside, pupil_mm=CENTRE, margin_px=4.0).valid.all()


def test_a_pair_that_scans_alike_is_in_step_and_says_so():
    left, right = flat_pair()
    scan = PanelScan("down", 0.0, 10.0, 1.0)
    tangent = np.array([[0.0, 0.2], [0.0, 0.0], [0.05, -0.2]])
    timing = seam_timing(left, right, (scan, scan), tangent)
    assert np.abs(timing.apart_ms).max() < 1e-6
    assert timing.sentence().endswith("in step.")
    opposed = seam_timing(left, right, (scan, PanelScan("up", 0.0, 10.0, 1.0)), tangent)
    # +-0.2 are 500 lines apart of 800 lines in all: 2 x 250 lines of 0.01 ms, either way.
    np.testing.assert_allclose(opposed.apart_ms, [5.0, 0.0, -5.0], atol=1e-4)
    assert opposed.largest_arcmin(100.0) == pytest.approx(30.0, abs=1e-3)
    assert "arcmin per deg/s of turn" in opposed.sentence()


def test_figures_carry_rates_with_their_source_and_a_profile():
    left, right = flat_pair()
    scans = PanelScan("down", 0.0, 10.0, 1.0), PanelScan("up", 0.0, 10.0, 1.0)
    x, y = np.meshgrid(np.linspace(-0.08, 0.08, 9), np.linspace(-0.3, 0.3, 31))
    found = seam_timing(left, right, scans, np.stack([x, y], -1).reshape(-1, 2)).as_dict()
    assert [one["high_deg_per_s"] for one in found["at_rates"]] == [90.0, 100.0, 780.0]
    assert all(one["source"] for one in found["at_rates"])
    walking = found["at_rates"][0]
    assert walking["split_arcmin"] == pytest.approx(90.0 * 0.06 * 7.5, rel=1e-5)
    assert walking["within_limit"] is False
    assert found["limit_reached_at_deg_per_s"] == pytest.approx(1.0 / (0.06 * 7.5), rel=1e-5)
    profile = found["along_seam"]
    assert len(profile) == 9
    assert all(abs(one["dir_x_deg"]) < 0.7 for one in profile)
    assert [np.sign(round(one["apart_ms"], 6)) for one in profile] == [-1, -1, -1, -1, 0, 1, 1, 1, 1]


def test_times_follow_the_pupil():
    left, right = two_channels()
    scans = PanelScan("down", 0.0, 10.0, 1.0), PanelScan("up", 0.0, 10.0, 1.0)
    tangent = np.array([[0.0, 0.1], [0.01, -0.1]])
    alone = [
        seam_timing(left, right, scans, tangent, pupils_mm=pupil).apart_ms
        for pupil in (CENTRE, *EYE_BOX_CORNERS)
    ]
    together = seam_timing(left, right, scans, tangent, pupils_mm=np.vstack([CENTRE, EYE_BOX_CORNERS]))
    np.testing.assert_allclose(np.abs(together.apart_ms), np.abs(alone).max(axis=0), atol=SAME_MS)
    assert np.ptp(alone, axis=0).min() > 0.01


def eye_of(scans, *channels):
    fields = plane_set(*channels, colours=("G",))
    seam = build_seam(fields, pupils_mm=EYE_BOX_CORNERS)
    return fields, dict(zip(fields.channels, scans, strict=True)), overlaps(seam, step_deg=1.0)


@pytest.mark.parametrize("second", SCAN_DIRECTIONS)
@pytest.mark.parametrize("first", SCAN_DIRECTIONS)
def test_advice_beats_every_other_way_tried_by_brute_force(first, second):
    """All 16 pairs of directions, each with starts 0.05 ms apart, counted out one by one."""
    channels = flat_pair()
    scans = PanelScan(first, 1.0, 10.0, 1.0), PanelScan(second, 3.0, 6.0, 4.0)
    fields, of, pairs = eye_of(scans, *channels)
    found = panels_in_step(fields, of, pairs, pupils_mm=CENTRE)
    declared = np.abs(found.timings[0].apart_ms).max()
    advice = found.advice
    assert advice.declared.worst_ms == pytest.approx(declared, abs=SAME_MS)
    sizes = [channel.panel_size_px for channel in channels]
    least, least_starts, least_ends = np.inf, np.inf, np.inf
    for one in SCAN_DIRECTIONS:
        for other in SCAN_DIRECTIONS:
            times = []
            for channel, scan, way, size in zip(channels, scans, (one, other), sizes, strict=True):
                lines = size[0] if way in ("left", "right") else size[1]
                line_us = scan.picture_ms(size) * 1000.0 / lines
                again = PanelScan(way, 0.0, line_us, scan.persistence_ms)
                times.append(lit_ms(channel, again, pairs[0].tangent))
            shift = np.arange(-15.0, 15.0, 0.05)
            worst = np.abs(times[1] - times[0] + shift[:, None]).max(axis=1).min()
            least = min(least, worst)
            if {one, first} in AXES and {other, second} in AXES:
                least_ends = min(least_ends, worst)
            if (one, other) == (first, second):
                least_starts = worst
    # The steps of the starts leave half a step at most.
    assert least - 0.026 <= advice.best.worst_ms <= least + SAME_MS
    assert least_starts - 0.026 <= advice.starts.worst_ms <= least_starts + SAME_MS
    assert least_ends - 0.026 <= advice.own_lines.worst_ms <= least_ends + SAME_MS
    in_order = [advice.best, advice.own_lines, advice.starts, advice.declared]
    assert np.all(np.diff([plan.worst_ms for plan in in_order]) >= -SAME_MS)
    assert min(advice.best.start_ms.values()) == pytest.approx(1.0)
    # What is advised is what is then measured.
    plan = advice.best
    if all((plan.direction[n] in "updown") == (of[n].axis == 1) for n in plan.direction):
        advised = {
            n: PanelScan(plan.direction[n], plan.start_ms[n], of[n].line_us, of[n].persistence_ms) for n in of
        }
        again = panels_in_step(fields, advised, pairs, pupils_mm=CENTRE)
        assert np.abs(again.timings[0].apart_ms).max() == pytest.approx(plan.worst_ms, abs=1e-6)
        assert again.advice.sentences()[0].startswith("No other way to light the panels is more in step")


def test_a_mirrored_panel_is_advised_to_scan_the_other_way():
    left, right = flat_pair()
    right = PlaneChannel(**{**right.__dict__, "u_backwards": True})
    scans = PanelScan("left", 0.0, 10.0, 1.0), PanelScan("left", 0.0, 10.0, 1.0)
    fields, of, pairs = eye_of(scans, left, right)
    best = panels_in_step(fields, of, pairs, pupils_mm=CENTRE).advice
    assert best.declared.worst_ms > 1.0
    # Down and down, or up and up, or one of them to the right: all of these meet in time, in a straight
    # display; the one that changes least turns one panel round.
    assert best.best.worst_ms < 1e-5
    assert sorted(best.best.direction.values()) == ["left", "right"]


def test_three_channels_are_advised_together():
    channels = [
        PlaneChannel(name, panel_size_px=(600, 500), distance_m=1e6, centre=(x, 0.0), half_width=0.25)
        for name, x in (("a", -0.4), ("b", 0.0), ("c", 0.4))
    ]
    scans = (
        PanelScan("down", 0.0, 10.0, 1.0),
        PanelScan("up", 2.0, 10.0, 1.0),
        PanelScan("down", 0.0, 10.0, 3.0),
    )
    fields, of, pairs = eye_of(scans, *channels)
    assert [pair.channels for pair in pairs] == [("a", "b"), ("b", "c")]
    found = panels_in_step(fields, of, pairs, pupils_mm=CENTRE)
    assert len(found.timings) == 2
    best = found.advice.best
    assert best.worst_ms < 1e-5
    assert best.direction == {"a": "down", "b": "down", "c": "down"}
    # Panel c shines 2 ms longer, so its middle is 1 ms later: it begins 1 ms before the others.
    starts = best.start_ms
    assert starts["a"] - starts["c"] == pytest.approx(1.0, abs=1e-4)
    assert starts["b"] - starts["c"] == pytest.approx(1.0, abs=1e-4)


def test_without_a_scan_time_is_not_known():
    fields, of, pairs = eye_of((PanelScan("down", 0.0, 10.0, 1.0), None), *flat_pair())
    lacking = timing_not_known(of, fields.channels)
    assert lacking.text() == (
        "panels out of step: not known: needs [channel.right.panel.scan] in the module file (when the lines "
        "of channel 'right' are lit is not declared)."
    )
    with pytest.raises(SeamError, match=r"needs \[channel\.right\.panel\.scan\]"):
        panels_in_step(fields, of, pairs, pupils_mm=CENTRE)
    assert (
        "[channel.left.panel.scan] and [channel.right.panel.scan]"
        in timing_not_known({}, fields.channels).needs
    )
    assert timing_not_known(of, ("left",)) is None


def test_directions_that_nobody_shows_are_refused():
    scan = PanelScan("down", 0.0, 10.0, 1.0)
    fields, of, pairs = eye_of((scan, scan), *flat_pair())
    beside = [replace(pairs[0], tangent=np.array([[2.0, 2.0], [-3.0, 0.0]]))]
    with pytest.raises(SeamError, match="none of 2 directions is on both panels"):
        panels_in_step(fields, of, beside, pupils_mm=CENTRE)
    # One of them known: it alone counts.
    partly = [replace(pairs[0], tangent=np.array([[2.0, 2.0], [0.0, 0.1]]))]
    figures = panels_in_step(fields, of, partly, pupils_mm=CENTRE).timings[0].as_dict()
    assert figures["apart_largest_ms"] == pytest.approx(0.0, abs=1e-6)


def test_one_channel_has_no_seam_to_be_out_of_step():
    found = panels_in_step(plane_set(flat_pair()[0]), {}, (), pupils_mm=CENTRE)
    assert found.timings == () and found.advice is None


def test_absurd_turns_are_refused():
    scan, size = PanelScan("down", 0.0, 100.0, 1.0), (640, 480)
    with pytest.raises(RenderError, match=r"rate_deg_per_s is \(0.0, 1e\+30, 0.0\)"):
        HeadTurn((0.0, 1e30, 0.0))
    with pytest.raises(RenderError, match="rate_deg_per_s"):
        HeadTurn((0.0, float("nan"), 0.0))
    with pytest.raises(RenderError, match="drawn_for_ms is 1000000000"):
        HeadTurn(drawn_for_ms=1e9)
    with pytest.raises(RenderError, match="the head turns by 38.8 degrees"):
        HeadTurn((0.0, 800.0, 0.0)).require_small(scan, size)
    HeadTurn((0.0, 800.0, 0.0), 24.0).require_small(scan, size)
    with pytest.raises(RenderError, match="turns by"):
        TurningField(two_channels()[0], scan, HeadTurn((0.0, 800.0, 0.0)))


def test_directions_in_degrees_for_people():
    left, right = flat_pair()
    scans = PanelScan("down", 0.0, 10.0, 1.0), PanelScan("up", 0.0, 10.0, 1.0)
    timing = seam_timing(left, right, scans, tangent_from_degrees(np.array([[1.0, 10.0], [1.0, -10.0]])))
    place = timing.as_dict()["worst_place"]
    assert place["dir_x_deg"] == pytest.approx(1.0) and abs(place["dir_y_deg"]) == pytest.approx(10.0)
