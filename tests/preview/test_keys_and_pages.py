"""Keys do what the help page says; pictures do not flash; pages show their own numbers; films keep time."""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.preview.controls import CONTROLS, SHORTEST_CHANGE_SECONDS, Pacer, Situation, key_name, pressed
from prewarp.preview.eyedriver import EyeDriver
from prewarp.preview.film import Film, film_frames
from prewarp.preview.gauges import SeamReading
from prewarp.preview.pages import labels_pages, number_rows, numbers_page
from prewarp.preview.state import CORNERS, STEP_MM, TRACKERS, State

AT = Situation(("stars", "smooth"), ("hand", "circle"), np.array([4.0, 3.0, 2.0]))


@pytest.mark.parametrize(
    ("key", "way"),
    [
        ("LEFT", (-1, 0, 0)),
        ("RIGHT", (1, 0, 0)),
        ("UP", (0, 1, 0)),
        ("DOWN", (0, -1, 0)),
        ("PAGE UP", (0, 0, 1)),
        ("PAGE DOWN", (0, 0, -1)),
    ],
)
@pytest.mark.parametrize("shift", [False, True])
def test_arrows_move_the_pupil_their_way(key, way, shift):
    """+x to the right, +y up, +z toward the optics; with shift further."""
    moved = np.array(pressed(State(), key, AT, now_s=0.0, pacer=Pacer(), shift=shift).hand_mm)
    np.testing.assert_array_equal(np.sign(moved), way)
    further = shift and key in ("LEFT", "RIGHT", "UP", "DOWN")
    assert (np.abs(moved).max() > STEP_MM) == further


def test_whole_pictures_change_at_most_every_so_often():
    pacer = Pacer()
    state = State(scene="stars")
    first = pressed(state, "S", AT, now_s=10.0, pacer=pacer)
    assert first.scene == "smooth"
    soon = 10.0 + 0.9 * SHORTEST_CHANGE_SECONDS
    assert pressed(first, "S", AT, now_s=soon, pacer=pacer) == first
    assert pressed(first, "UP", AT, now_s=soon, pacer=pacer) != first
    later = 10.0 + 1.1 * SHORTEST_CHANGE_SECONDS
    assert pressed(first, "S", AT, now_s=later, pacer=pacer).scene == "stars"


@pytest.mark.outside
@pytest.mark.parametrize("again", [False, True], ids=["pressed", "held"])
def test_no_keys_flash_more_than_three_times_a_second(again):
    """WCAG 2.2, success criterion 2.3.1: three flashes a second, each a pair of opposing changes."""
    at = replace(AT, lights=("even", "matched"), has_scans=True)
    for keys in ([control.key] for control in CONTROLS if control.key not in MOVING):
        assert changes_in_a_second(keys, at, again) <= (1 if again else 6), keys
    # All of them in turn, and help with numbers.
    switches = [control.key for control in CONTROLS if control.key not in MOVING]
    for keys in (switches, ["H", "N"], ["B", "V"]):
        assert changes_in_a_second(keys, at, again) <= 6 / 2
    assert {"H", "N", "T", "M", "B"} <= set(switches)


# They move pupil or time or turn the head in small steps, and may be held.
MOVING = {"LEFT", "RIGHT", "UP", "DOWN", "PAGE UP", "PAGE DOWN", "PERIOD", "COMMA", "J", "K", "A", "D"}


def changes_in_a_second(keys, at, again):
    """Return how often the state changes in the worst second of two when keys come 30 times a second."""
    pacer, state, times = Pacer(), State(motion="circle", hand_mm=(1.0, 0.0, 0.0)), []
    for frame in range(60):
        key = keys[frame % len(keys)]
        held = again and frame >= len(keys)
        after = pressed(state, key, at, now_s=10.0 + frame / 30.0, pacer=pacer, again=held)
        if after != state:
            times.append(frame / 30.0)
        state = after
    return max((sum(start <= time < start + 1.0 for time in times) for start in times), default=0)


def test_every_number_of_the_overlay_is_its_own():
    def picture(error=1.0, focus=0.5, largest=0.9, p95=2.0, frame_ms=16.0):
        reading = SeamReading(error, focus, largest)
        rows = number_rows(State(), np.zeros(3), np.zeros(3), reading, p95, frame_ms)
        return numbers_page(rows, (640, 480)).pixels

    usual = picture()
    for change in ({"error": 1.5}, {"focus": 0.7}, {"largest": 1.7}, {"p95": 2.5}, {"frame_ms": 17.0}):
        other = picture(**change)
        assert other.shape == usual.shape
        rows = np.flatnonzero((other != usual).any(axis=(1, 2)))
        # One line of text is about 19 px high.
        assert len(rows) > 0 and np.ptp(rows) < 19


def test_shift_cycles_backward_and_the_line_has_keys():
    def press(state, key, *, shift=False):
        return pressed(state, key, AT, now_s=0.0, pacer=Pacer(), shift=shift)

    assert press(State(), "T").tracking == TRACKERS[1]
    assert press(State(), "T", shift=True).tracking == TRACKERS[-1]
    assert press(State(), "O", shift=True).corner == CORNERS[-1]
    assert press(State(), "D").wipe is None
    assert press(State(wipe=0.5), "D").wipe > 0.5 > press(State(wipe=0.5), "A").wipe
    assert press(State(wipe=0.5), "A", shift=True).wipe < press(State(wipe=0.5), "A").wipe


@pytest.mark.parametrize(
    ("printed", "place", "name"),
    # A French keyboard prints M where a US one has a semicolon, and a comma in the place of its M; a German
    # one an umlaut in that of [; a Russian one no Latin letter at all; arrows print nothing.
    [("m", "", "M"), (",", "M", "COMMA"), ("+", "RIGHT BRACKET", "EQUAL"),
     ("\u00fc", "LEFT BRACKET", "LEFT BRACKET"), ("\u044c", "M", "M"),
     (None, "LEFT", "LEFT"), ("p", "R", "P")],
)  # fmt: skip
def test_keys_go_by_what_they_print(printed, place, name):
    assert key_name(printed, place) == name


def test_the_plate_of_numbers_is_opaque_and_stands_in_any_corner():
    rows, frame = [("pupil", "0.00, 0.00, 0.00 mm")] * 9, (900, 600)
    pages = {corner: numbers_page(rows, frame, corner=corner) for corner in CORNERS}
    height, width = pages["top left"].pixels.shape[:2]
    assert (pages["top left"].pixels[..., 3] == 255).all()
    for corner, page in pages.items():
        assert ("left" in corner) == (page.left + width / 2 < 450)
        assert ("top" in corner) == (page.top + height / 2 < 300)
        assert page.left + width <= 900 and page.top + height <= 600


def test_a_films_numbers_stand_below_its_picture(subject):
    class Painter:
        @staticmethod
        def paint(state, pupil, tracked, pages):
            assert not state.numbers and pages["numbers"] is None
            return np.full((film.picture_px[1], film.picture_px[0], 3), 77, dtype=np.uint8)

    film = Film(State(motion="circle"), (640, 400), 1, 20.0)
    (frame,) = film_frames(film, Painter(), subject, EyeDriver(np.array([4.0, 3.0, 2.0])))
    assert frame.shape == (400, 640, 3) and film.strip_px > 50
    assert (frame[: -film.strip_px] == 77).all()
    assert (frame[-film.strip_px :].max(axis=(1, 2)) > 150).sum() > 30, "there is ink"
    assert Film(State(), (64, 64), 1, 1.0).strip_px == 0 == replace(film, state=State(numbers=False)).strip_px


def test_the_wipe_has_before_to_the_left_and_after_to_the_right():
    pages = labels_pages(State(wipe=0.5), (640, 400))
    before, after = pages["before"], pages["after"]
    assert before.left + before.pixels.shape[1] < 320 < after.left
    # "before" is the longer word.
    assert before.pixels.shape[1] > after.pixels.shape[1]


def test_frames_of_a_film_lie_a_frame_time_apart(subject):
    times = []

    class Driver:
        @staticmethod
        def eye(state, time_s):
            times.append(time_s)
            assert state.time_s == time_s
            return np.zeros(3), np.zeros(3)

    class Painter:
        @staticmethod
        def paint(*_):
            return np.zeros((100, 160, 3), dtype=np.uint8)

    film = Film(State(time_s=2.0, numbers=False), (160, 100), 4, 20.0)
    assert len(list(film_frames(film, Painter(), subject, Driver()))) == 4
    np.testing.assert_allclose(times, [2.0, 2.05, 2.1, 2.15])
