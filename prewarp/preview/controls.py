"""Keys and what they do. The help page is made from the same table."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from prewarp.checks import FloatArray
from prewarp.preview.state import (
    CORNERS,
    GHOSTS,
    LARGE_STEP_MM,
    STEP_MM,
    TEXT_SIZES,
    TRACKERS,
    TRANSMITTANCES,
    VIEWS,
    YAW_STEP_DEG_PER_S,
    ZOOMS,
    State,
    following,
)

# Keys that switch or cycle something change much of the picture at once, pages of text among them. Changes
# closer together than this could add up to more than three flashes a second (WCAG 2.x, success criterion
# 2.3.1), so they are not taken, whichever keys, held or pressed. Keys that move go on in small steps.
SHORTEST_CHANGE_SECONDS = 0.4
# Steps of the line between before and after, fractions of the width.
_LINE_STEP, _LARGE_LINE_STEP = 0.01, 0.05


@dataclass(frozen=True)
class Situation:
    """What a change may depend on besides the state: scene names, motions at hand, half sizes of the eye box
    (3,), mm, how bright panels can be made to look, and whether the scans of all panels are known.
    """

    scenes: Sequence[str]
    motions: Sequence[str]
    half_mm: FloatArray
    lights: Sequence[str] = ("even",)
    has_scans: bool = False


@dataclass(frozen=True)
class Control:
    """One key: its name, what people read, what it does, whether it changes the picture at once; and what
    it does with shift, where that is something else.
    """

    key: str
    text: str
    change: Callable[[State, Situation], State]
    abrupt: bool = False
    shifted: Callable[[State, Situation], State] | None = None


def _cycle(
    key: str, text: str, name: str, values: Callable[[Situation], Sequence[object]], **also: Any
) -> Control:
    """Return the control that takes the next of some values, with shift the one before; sets `also` too."""

    def change(step: int) -> Callable[[State, Situation], State]:
        def changed(state: State, at: Situation) -> State:
            changes: dict[str, Any] = {name: following(getattr(state, name), values(at), step), **also}
            return replace(state, **changes)

        return changed

    return Control(key, text, change(1), abrupt=True, shifted=change(-1))


def _move(x: float, y: float, z: float = 0.0) -> Callable[[State, Situation], State]:
    return lambda state, at: state.moved((x, y, z), at.half_mm)


def _zoomed(step: int) -> Callable[[State, Situation], State]:
    return lambda state, at: replace(state, zoom=min(max(state.zoom + step, 0), len(ZOOMS) - 1))


def _lit(step: int) -> Callable[[State, Situation], State]:
    def change(state: State, at: Situation) -> State:
        nearest = min(range(len(TRANSMITTANCES)), key=lambda k: abs(TRANSMITTANCES[k] - state.transmittance))
        return replace(
            state, transmittance=TRANSMITTANCES[min(max(nearest + step, 0), len(TRANSMITTANCES) - 1)]
        )

    return change


def _line(step: float) -> Callable[[State, Situation], State]:
    return lambda state, at: state if state.wipe is None else state.wiped(state.wipe + step)


def _turned(step: float) -> Callable[[State, Situation], State]:
    return lambda state, at: state.turned(state.head_deg_per_s[0] + step) if at.has_scans else state


CONTROLS = (
    Control(
        "LEFT",
        f"pupil {STEP_MM} mm to the left (with shift {LARGE_STEP_MM:g} mm)",
        _move(-STEP_MM, 0.0),
        shifted=_move(-LARGE_STEP_MM, 0.0),
    ),
    Control("RIGHT", "pupil to the right", _move(STEP_MM, 0.0), shifted=_move(LARGE_STEP_MM, 0.0)),
    Control("UP", "pupil up", _move(0.0, STEP_MM), shifted=_move(0.0, LARGE_STEP_MM)),
    Control("DOWN", "pupil down", _move(0.0, -STEP_MM), shifted=_move(0.0, -LARGE_STEP_MM)),
    Control("PAGE UP", "pupil towards the optics (also the wheel)", _move(0.0, 0.0, STEP_MM)),
    Control("PAGE DOWN", "pupil away from the optics", _move(0.0, 0.0, -STEP_MM)),
    Control(
        "HOME",
        "pupil to the eye-box centre",
        lambda s, at: replace(s, motion="hand", hand_mm=(0.0, 0.0, 0.0)),
        abrupt=True,
    ),
    _cycle(
        "M",
        "next motion (with shift the one before, as with every next)",
        "motion",
        lambda at: at.motions,
        paused=False,
    ),
    Control(
        "SPACE", "pause or continue the motion", lambda s, at: replace(s, paused=not s.paused), abrupt=True
    ),
    Control("PERIOD", "one frame on", lambda s, at: s.stepped(1)),
    Control("COMMA", "one frame back", lambda s, at: s.stepped(-1)),
    _cycle("T", "tracker ideal, noisy, off", "tracking", lambda at: TRACKERS),
    _cycle("V", "next view", "view", lambda at: VIEWS),
    Control(
        "B",
        "before beside after; drag the line, or A and D",
        lambda s, at: replace(s, wipe=0.5 if s.wipe is None else None),
        abrupt=True,
    ),
    Control(
        "A",
        "line between before and after to the left (with shift by more)",
        _line(-_LINE_STEP),
        shifted=_line(-_LARGE_LINE_STEP),
    ),
    Control(
        "D", "line between before and after to the right", _line(_LINE_STEP), shifted=_line(_LARGE_LINE_STEP)
    ),
    _cycle("S", "next scene", "scene", lambda at: at.scenes),
    Control("RIGHT BRACKET", "display more transmissive: more of the world behind it", _lit(1), abrupt=True),
    Control("LEFT BRACKET", "display less transmissive", _lit(-1), abrupt=True),
    _cycle("G", "next ghost image", "ghost", lambda at: range(len(GHOSTS))),
    _cycle(
        "L",
        "panels uniform, as measured, matched (where luminance is known)",
        "light",
        lambda at: at.lights,
    ),
    Control(
        "K",
        f"head turns faster to the right by {YAW_STEP_DEG_PER_S:g} deg/s (where scans are known)",
        _turned(YAW_STEP_DEG_PER_S),
    ),
    Control("J", "head turns faster to the left", _turned(-YAW_STEP_DEG_PER_S)),
    Control("R", "late rotation on and off", lambda s, at: replace(s, late=not s.late), abrupt=True),
    Control("EQUAL", "zoom in", _zoomed(1), abrupt=True),
    Control("MINUS", "zoom out", _zoomed(-1), abrupt=True),
    Control("N", "numbers on and off", lambda s, at: replace(s, numbers=not s.numbers), abrupt=True),
    _cycle("O", "numbers to the next corner", "corner", lambda at: CORNERS),
    _cycle("Z", "next size of text", "text_size", lambda at: TEXT_SIZES),
    Control("H", "this page", lambda s, at: replace(s, help=not s.help), abrupt=True),
)
BY_KEY = {control.key: control for control in CONTROLS}
# Keys that the window itself answers: a picture saved, the answer to whether to close.
SAVE, YES = "P", ("Y", "ENTER")
# How the help page writes keys whose name is not what stands on them.
SHOWN_KEYS = {
    "LEFT": "Left arrow",
    "RIGHT": "Right arrow",
    "UP": "Up arrow",
    "DOWN": "Down arrow",
    "PERIOD": ". (period)",
    "COMMA": ", (comma)",
    "RIGHT BRACKET": "]",
    "LEFT BRACKET": "[",
    "EQUAL": "+ (plus)",
    "MINUS": "- (minus)",
}
# What keys are called that print a sign; a key that prints a letter is called by it.
_SIGNS = {"+": "EQUAL", "=": "EQUAL", "-": "MINUS", ".": "PERIOD", ",": "COMMA", "[": "LEFT BRACKET"} | {
    "]": "RIGHT BRACKET"
}


def key_name(printed: str | None, place: str, /) -> str:
    """Return a key's name by what it prints here, else by its place on a US keyboard; "" for neither."""
    name = _SIGNS.get(printed or "", (printed or "").upper())
    return name if name in (*BY_KEY, SAVE, *YES) else place


class Pacer:
    """Lets abrupt changes pass only so often."""

    def __init__(self) -> None:
        self._last = -SHORTEST_CHANGE_SECONDS

    def allows(self, now_s: float, /) -> bool:
        """Return True, and remember it, where the last abrupt change is long enough ago."""
        if now_s - self._last < SHORTEST_CHANGE_SECONDS:
            return False
        self._last = now_s
        return True


def pressed(
    state: State,
    key: str,
    at: Situation,
    /,
    *,
    now_s: float,
    pacer: Pacer,
    shift: bool = False,
    again: bool = False,
) -> State:
    """Return the state after a key, unless it is unknown or abrupt and too soon; `again`: it is held."""
    if state.caution:
        return replace(state, caution=False)
    control = BY_KEY.get(key)
    if control is None:
        return state
    if control.abrupt and (again or not pacer.allows(now_s)):
        return state
    change = control.shifted if shift and control.shifted is not None else control.change
    return change(state, at)
