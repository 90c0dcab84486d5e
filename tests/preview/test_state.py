"""State, keys and mouse: values in, values out."""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.preview.controls import BY_KEY, CONTROLS, SHORTEST_CHANGE_SECONDS, Pacer, Situation, pressed
from prewarp.preview.state import FRAME_SECONDS, VIEWS, ZOOMS, State, following

AT = Situation(
    ("grid", "stars"), ("hand", "circle", "slip"), np.array([4.0, 3.0, 2.0]), ("even", "matched"), True
)


def after(state, *keys, **options):
    """Press keys one after the other, far enough apart."""
    pacer = Pacer()
    for number, key in enumerate(keys):
        state = pressed(state, key, AT, now_s=float(number), pacer=pacer, **options)
    return state


def test_arrows_move_the_pupil_right_and_up():
    assert after(State(), "RIGHT", "RIGHT", "UP").hand_mm == (0.5, 0.25, 0.0)
    assert after(State(), "LEFT", "DOWN", "PAGE UP").hand_mm == (-0.25, -0.25, 0.25)
    assert after(State(), "RIGHT", shift=True).hand_mm == (1.0, 0.0, 0.0)
    assert after(State(motion="circle"), "RIGHT").motion == "hand"


def test_the_hand_stays_near_the_eye_box():
    state = after(State(), *["RIGHT"] * 12, shift=True)
    assert state.hand_mm == (5.0, 0.0, 0.0)


@pytest.mark.parametrize("control", CONTROLS, ids=lambda control: control.key)
def test_every_key_does_something_and_stays_valid(control):
    state = State(hand_mm=(1.0, 1.0, 1.0), transmittance=0.15, zoom=2)
    if control.key in ("A", "D"):
        # They move the line between before and after, where there is one.
        state = after(state, "B")
    changed = after(state, control.key)
    assert changed != state and isinstance(changed, State)
    assert changed.view in VIEWS and 0 <= changed.zoom < len(ZOOMS)


def test_views_come_round():
    assert after(State(), *["V"] * len(VIEWS)).view == VIEWS[0]
    assert following("nothing", ("a", "b")) == "a"


def test_time_goes_on_stands_still_and_steps():
    state = State(motion="circle")
    assert state.later(0.5).time_s == 0.5
    assert after(state, "SPACE").later(0.5).time_s == 0.0
    assert after(state, "PERIOD", "PERIOD").time_s == pytest.approx(2 * FRAME_SECONDS)
    assert after(state, "COMMA").time_s == 0.0 and after(state, "COMMA").paused


def test_whole_pictures_never_change_faster_than_three_flashes_a_second():
    """WCAG 2.x, 2.3.1 (the text's limit): three flashes, six changes, in any second."""
    assert 2.0 * 3.0 * SHORTEST_CHANGE_SECONDS > 2.0
    pacer, state, changes = Pacer(), State(), 0
    for number in range(1000):
        new = pressed(state, "V", AT, now_s=number / 100.0, pacer=pacer)
        changes += new != state
        state = new
    assert changes == pytest.approx(10.0 / SHORTEST_CHANGE_SECONDS, abs=1)
    for key in ("V", "B", "S", "G", "EQUAL", "RIGHT BRACKET"):
        assert BY_KEY[key].abrupt
        held = pressed(State(), key, AT, now_s=0.0, pacer=Pacer(), again=True)
        assert held == State(), "a held key does not repeat an abrupt change"


def test_the_start_screen_takes_one_key_and_nothing_else():
    state = State(caution=True)
    assert after(state, "V") == replace(state, caution=False)


def test_unknown_keys_do_nothing():
    assert after(State(), "F12", "") == State()


def test_wipe_is_kept_in_the_window():
    assert State().wiped(-3.0).wipe == 0.02 and State().wiped(0.3).wipe == 0.3
    assert after(after(State(), "B"), "B").wipe is None
