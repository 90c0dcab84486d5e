"""Where the pupil is and where the tracker says it is, for a state: motions, the hand, the simulated tracker."""

import numpy as np

from prewarp.checks import FloatArray
from prewarp.errors import RenderError
from prewarp.preview.motion import SYNTHETIC, Motion, Recorded
from prewarp.preview.state import MOTIONS, State
from prewarp.preview.tracker import EyeHistory


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
            return np.array(state.hand_mm), state.tracker.tracked(self._history.at, now_s)
        try:
            motion = self._motions[state.motion]
        except KeyError:
            raise RenderError(
                f"motion is '{state.motion}'; expected one of {', '.join(self.names)}."
            ) from None
        return motion.at(state.time_s), state.tracker.tracked(motion.at, state.time_s)
