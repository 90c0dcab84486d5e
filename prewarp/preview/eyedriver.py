"""Where the pupil is and where the tracker says it is: motions, the hand, the simulated tracker."""

from collections import deque
from collections.abc import Callable

import numpy as np

from prewarp.checks import FloatArray
from prewarp.errors import RenderError
from prewarp.preview.motion import SYNTHETIC, Motion, Recorded
from prewarp.preview.state import MOTIONS, TRACKERS, State

_HISTORY = 2048


class EyeDriver:
    """Motions of one eye box, with half sizes (3,) mm, and perhaps a recorded one."""

    def __init__(self, half_mm: FloatArray, /, *, recorded: Recorded | None = None) -> None:
        half = tuple(float(value) for value in half_mm)
        self._motions: dict[str, Motion] = {name: kind(half) for name, kind in SYNTHETIC.items()}
        if recorded is not None:
            self._motions["recorded"] = recorded
        self._history = EyeHistory()

    @property
    def names(self) -> tuple[str, ...]:
        """Motions that can be chosen, the hand first."""
        return tuple(name for name in (*MOTIONS, "recorded") if name == "hand" or name in self._motions)

    def eye(self, state: State, now_s: float, /) -> tuple[FloatArray, FloatArray]:
        """Return pupil and tracked pupil, (3,) mm each; `now_s` is the clock that the hand moves by."""
        if state.motion == "hand":
            self._history.add(now_s, np.array(state.hand_mm))
            return np.array(state.hand_mm), _tracked(state, self._history.at, now_s)
        try:
            motion = self._motions[state.motion]
        except KeyError:
            raise RenderError(
                f"motion is '{state.motion}'; expected one of {', '.join(self.names)}."
            ) from None
        return motion.at(state.time_s), _tracked(state, motion.at, state.time_s)


def _tracked(state: State, pupil_at: Callable[[float], FloatArray], time_s: float) -> FloatArray:
    if state.tracking == "ideal":
        return pupil_at(time_s)
    if state.tracking == "noisy":
        return state.tracker.tracked_mm(pupil_at, time_s)
    if state.tracking == "off":
        return np.zeros(3)
    raise RenderError(f"tracker is '{state.tracking}'; expected one of {', '.join(TRACKERS)}.")


class EyeHistory:
    """Where the pupil was, for a motion that is not known beforehand (the user's hand)."""

    def __init__(self) -> None:
        self._times: deque[float] = deque(maxlen=_HISTORY)
        self._pupils: deque[FloatArray] = deque(maxlen=_HISTORY)

    def add(self, time_s: float, pupil_mm: FloatArray) -> None:
        """Note a position; a time that is not later than the last one starts the history anew."""
        if self._times and time_s <= self._times[-1]:
            if time_s < self._times[-1]:
                self._times.clear()
                self._pupils.clear()
            else:
                self._pupils[-1] = pupil_mm
                return
        self._times.append(time_s)
        self._pupils.append(pupil_mm)

    def at(self, time_s: float) -> FloatArray:
        """Return the position (3,), mm, at a time, straight between the two noted around it."""
        times = np.fromiter(self._times, dtype=float)
        after = int(np.searchsorted(times, time_s, side="right"))
        if after == 0:
            return self._pupils[0]
        if after == len(times):
            return self._pupils[-1]
        share = (time_s - times[after - 1]) / (times[after] - times[after - 1])
        pupil: FloatArray = (1.0 - share) * self._pupils[after - 1] + share * self._pupils[after]
        return pupil
