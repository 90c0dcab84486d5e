"""Motions of the pupil, the simulated tracker, and the driver that joins them."""

import numpy as np
import pytest

from prewarp.budget import Tracker
from prewarp.budget.simulate import effects_of
from prewarp.errors import GridError, InputFileError, RenderError
from prewarp.preview.eyedriver import EyeDriver, EyeHistory
from prewarp.preview.motion import CIRCLE_SECONDS, SYNTHETIC, Circle, Fixations, Recorded, read_motion
from prewarp.preview.state import State

HALF = (4.0, 3.0, 2.0)


@pytest.mark.parametrize("name", SYNTHETIC)
def test_every_motion_is_repeatable_and_stays_in_the_box(name):
    times = np.linspace(0.0, 40.0, 400)
    one, other = SYNTHETIC[name](HALF), SYNTHETIC[name](HALF)
    path = np.array([one.at(t) for t in times])
    np.testing.assert_array_equal(path, [other.at(t) for t in times])
    assert np.all(np.abs(path) <= np.array(HALF) + 1e-9)
    assert np.ptp(path[:, 0]) > 1.0


def test_circle_goes_round_once():
    circle = Circle(HALF)
    np.testing.assert_allclose(circle.at(0.0), [3.4, 0.0, 0.0])
    np.testing.assert_allclose(circle.at(CIRCLE_SECONDS / 4), [0.0, 2.55, 0.0], atol=1e-12)
    np.testing.assert_allclose(circle.at(CIRCLE_SECONDS), circle.at(0.0), atol=1e-12)


def test_fixations_rest_and_jump():
    motion = Fixations(HALF)
    path = np.array([motion.at(t) for t in np.arange(0.0, 20.0, 0.005)])
    speed = np.linalg.norm(np.diff(path, axis=0), axis=1) / 0.005
    assert np.mean(speed == 0.0) > 0.6, "most of the time the eye rests"
    # A 20 degree saccade carries the pupil at about 76 mm/s (from the main sequence, derived here).
    assert 20.0 < speed.max() < 120.0


def test_a_turned_eye_draws_back():
    motion = Fixations(HALF)
    path = np.array([motion.at(t) for t in np.arange(0.0, 20.0, 0.1)])
    assert np.all(path[:, 2] <= 1e-12) and path[:, 2].min() < -0.05


def test_recording_is_joined_by_straight_lines_and_begins_again(tmp_path):
    (tmp_path / "eye.csv").write_text(
        "time_s,eye_x_mm,eye_y_mm,eye_z_mm\n1.0,0,0,0\n2.0,2,-1,0.5\n4.0,0,0,0\n", encoding="utf-8"
    )
    motion = read_motion(tmp_path / "eye.csv")
    assert motion.seconds == 3.0
    np.testing.assert_allclose(motion.at(0.5), [1.0, -0.5, 0.25])
    np.testing.assert_allclose(motion.at(2.0), [1.0, -0.5, 0.25])
    np.testing.assert_allclose(motion.at(3.5), motion.at(0.5))


@pytest.mark.parametrize(
    ("text", "error", "message"),
    [
        ("time_s,eye_x_mm,eye_y_mm\n0,0,0\n1,1,1\n", GridError, "eye_z_mm"),
        ("time_s,eye_x_mm,eye_y_mm,eye_z_mm\n0,0,0,0\n", InputFileError, "at least 2"),
        (
            "time_s,eye_x_mm,eye_y_mm,eye_z_mm\n0,0,0,0\n2,1,1,1\n1,0,0,0\n",
            InputFileError,
            "row 4: time_s is 1 after 2",
        ),
        (
            "time_s,eye_x_mm,eye_y_mm,eye_z_mm\n0,0,0,0\n2,1,1,1\n2,0,0,0\n",
            InputFileError,
            "row 4: time_s is 2 after 2",
        ),
        (
            "time_s,eye_x_mm,eye_y_mm,eye_z_mm\n0,0,0,0\n1,,1,1\n",
            InputFileError,
            "row 3: a number is missing",
        ),
        ("time_s,eye_x_mm,eye_y_mm,eye_z_mm\n0,0,0,0\n1,2000,1,1\n", InputFileError, "reach 2000 mm"),
    ],
)
def test_bad_recordings_are_refused(tmp_path, text, error, message):
    (tmp_path / "eye.csv").write_text(text, encoding="utf-8")
    with pytest.raises(error, match=message):
        read_motion(tmp_path / "eye.csv")


def test_trackers():
    def where(time):
        return np.array([time, 2.0 * time, 0.0])

    late = Tracker(accuracy_mm=0.0, noise_mm=0.0, latency_ms=100.0, rate_hz=50.0)
    np.testing.assert_allclose(late.tracked_mm(where, 3.0), [2.9, 5.8, 0.0])
    # Between two samples of the tracker the last one stands.
    np.testing.assert_allclose(late.tracked_mm(where, 3.0 + 0.9 / 50.0), [2.9, 5.8, 0.0])
    np.testing.assert_allclose(late.tracked_mm(where, 3.0 + 1.0 / 50.0), [2.92, 5.84, 0.0])


def test_errors_over_time_have_the_size_that_the_budget_draws_and_are_repeatable():
    tracker = Tracker(accuracy_mm=0.3, noise_mm=0.4, depth_ratio=3.0, latency_ms=0.0)
    samples = np.array([tracker.tracked_mm(lambda t: np.zeros(3), n / tracker.rate_hz) for n in range(4000)])
    # 4000 samples: the spread is known to 1.1 per cent (1 / sqrt(2 n)), four times that is allowed.
    np.testing.assert_allclose(samples.std(axis=0), [0.4, 0.4, 1.2], rtol=0.045)
    np.testing.assert_allclose(samples.mean(axis=0), [0.3, 0.3, 0.9], atol=4.0 * 1.2 / np.sqrt(4000))
    effects = effects_of(tracker)
    np.testing.assert_allclose(
        np.sqrt((samples**2).mean(axis=0)), [effects.lateral_mm] * 2 + [effects.depth_mm], rtol=0.045
    )
    again = tracker.tracked_mm(lambda t: np.zeros(3), 5 / tracker.rate_hz)
    np.testing.assert_array_equal(samples[5], again)
    other = tracker.tracked_mm(lambda t: np.zeros(3), 5 / tracker.rate_hz, seed=2)
    assert np.all(samples[5] != other)


def test_history_of_the_hand():
    history = EyeHistory()
    for time, x in ((0.0, 0.0), (1.0, 2.0), (1.0, 4.0)):
        history.add(time, np.array([x, 0.0, 0.0]))
    np.testing.assert_allclose(history.at(0.5), [2.0, 0.0, 0.0])
    np.testing.assert_allclose(history.at(-1.0), [0.0, 0.0, 0.0])
    np.testing.assert_allclose(history.at(9.0), [4.0, 0.0, 0.0])
    history.add(0.2, np.ones(3))
    np.testing.assert_allclose(history.at(9.0), np.ones(3))


def test_driver_gives_hand_motion_and_recording():
    recorded = Recorded(np.array([0.0, 1.0]), np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0]]))
    driver = EyeDriver(np.array(HALF), recorded=recorded)
    assert driver.names == ("hand", "circle", "fixations", "slip", "recorded")
    assert "recorded" not in EyeDriver(np.array(HALF)).names
    pupil, tracked = driver.eye(State(hand_mm=(1.0, 2.0, 0.5)), 7.0)
    np.testing.assert_array_equal(pupil, [1.0, 2.0, 0.5])
    np.testing.assert_array_equal(tracked, pupil)
    pupil, tracked = driver.eye(State(motion="recorded", time_s=0.25, tracking="off"), 7.0)
    np.testing.assert_allclose(pupil, [0.25, 0.0, 0.0])
    np.testing.assert_array_equal(tracked, np.zeros(3))
    with pytest.raises(RenderError, match="motion is 'jump'; expected one of hand, circle"):
        driver.eye(State(motion="jump"), 0.0)
    with pytest.raises(RenderError, match="tracker is 'best'; expected one of ideal, noisy, off"):
        driver.eye(State(tracking="best"), 0.0)


def test_the_state_s_tracker_errs_where_it_is_noisy_alone():
    tracker = Tracker(accuracy_mm=1.0, noise_mm=0.0, depth_ratio=2.0, latency_ms=0.0)
    for tracking, off in (("ideal", 0.0), ("noisy", 1.0)):
        state = State(motion="circle", time_s=1.0, tracking=tracking, tracker=tracker)
        pupil, tracked = EyeDriver(np.array(HALF)).eye(state, 0.0)
        np.testing.assert_allclose(tracked - pupil, off * np.array([1.0, 1.0, 2.0]), atol=1e-12)
