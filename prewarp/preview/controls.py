"""Keys and what they do. The help page is made from the same table."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from prewarp.checks import FloatArray
from prewarp.preview.state import (
    GHOSTS,
    LARGE_STEP_MM,
    STEP_MM,
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
    """One key: its name, what people read, what it does, and whether it changes the picture at once."""

    key: str
    text: str
    change: Callable[[State, Situation], State]
    abrupt: bool = False


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


def _turned(step: float) -> Callable[[State, Situation], State]:
    return lambda state, at: state.turned(state.head_deg_per_s[0] + step) if at.has_scans else state


CONTROLS = (
    Control(
        "LEFT", f"pupil {STEP_MM} mm to the left (with shift {LARGE_STEP_MM:g} mm)", _move(-STEP_MM, 0.0)
    ),
    Control("RIGHT", "pupil to the right", _move(STEP_MM, 0.0)),
    Control("UP", "pupil up", _move(0.0, STEP_MM)),
    Control("DOWN", "pupil down", _move(0.0, -STEP_MM)),
    Control("PAGE UP", "pupil towards the optics (also the wheel)", _move(0.0, 0.0, STEP_MM)),
    Control("PAGE DOWN", "pupil away from the optics", _move(0.0, 0.0, -STEP_MM)),
    Control(
        "HOME",
        "pupil to the eye-box centre",
        lambda s, at: replace(s, motion="hand", hand_mm=(0.0, 0.0, 0.0)),
        abrupt=True,
    ),
    Control(
        "M",
        "next motion",
        lambda s, at: replace(s, motion=following(s.motion, at.motions), paused=False),
        abrupt=True,
    ),
    Control("SPACE", "pause the motion, go on", lambda s, at: replace(s, paused=not s.paused), abrupt=True),
    Control("PERIOD", "one frame on", lambda s, at: s.stepped(1)),
    Control("COMMA", "one frame back", lambda s, at: s.stepped(-1)),
    Control(
        "T",
        "tracker ideal, noisy, off",
        lambda s, at: replace(s, tracking=following(s.tracking, TRACKERS)),
        abrupt=True,
    ),
    Control("V", "next view", lambda s, at: replace(s, view=following(s.view, VIEWS)), abrupt=True),
    Control(
        "B",
        "before and after, drag the line",
        lambda s, at: replace(s, wipe=0.5 if s.wipe is None else None),
        abrupt=True,
    ),
    Control("S", "next scene", lambda s, at: replace(s, scene=following(s.scene, at.scenes)), abrupt=True),
    Control("RIGHT BRACKET", "more of the world behind", _lit(1), abrupt=True),
    Control("LEFT BRACKET", "less of it", _lit(-1), abrupt=True),
    Control(
        "G", "next ghost image", lambda s, at: replace(s, ghost=(s.ghost + 1) % len(GHOSTS)), abrupt=True
    ),
    Control(
        "L",
        "panels look even, as measured, matched (where luminance is known)",
        lambda s, at: replace(s, light=following(s.light, at.lights)),
        abrupt=True,
    ),
    Control(
        "K",
        f"head turns faster to the right by {YAW_STEP_DEG_PER_S:g} deg/s (where scans are known)",
        _turned(YAW_STEP_DEG_PER_S),
    ),
    Control("J", "head turns faster to the left", _turned(-YAW_STEP_DEG_PER_S)),
    Control("R", "late rotation on and off", lambda s, at: replace(s, late=not s.late), abrupt=True),
    Control("EQUAL", "closer", _zoomed(1), abrupt=True),
    Control("MINUS", "further", _zoomed(-1), abrupt=True),
    Control("N", "numbers on and off", lambda s, at: replace(s, numbers=not s.numbers), abrupt=True),
    Control("H", "this page", lambda s, at: replace(s, help=not s.help), abrupt=True),
)
BY_KEY = {control.key: control for control in CONTROLS}
# How the help page writes keys whose name is not what stands on them.
SHOWN_KEYS = {
    "LEFT": "Left arrow",
    "RIGHT": "Right arrow",
    "UP": "Up arrow",
    "DOWN": "Down arrow",
    "PERIOD": ".",
    "COMMA": ",",
    "RIGHT BRACKET": "]",
    "LEFT BRACKET": "[",
    "EQUAL": "+",
    "MINUS": "-",
}
_LARGE = {
    "LEFT": _move(-LARGE_STEP_MM, 0.0),
    "RIGHT": _move(LARGE_STEP_MM, 0.0),
    "UP": _move(0.0, LARGE_STEP_MM),
    "DOWN": _move(0.0, -LARGE_STEP_MM),
}


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
    change = _LARGE.get(key, control.change) if shift else control.change
    return change(state, at)
