"""What the eye tracker says: late and noisy copies of where the pupil is, or nothing at all. Repeatable."""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from prewarp.checks import FloatArray, require_range
from prewarp.errors import RenderError

KINDS = ("ideal", "noisy", "off")
# A tracker gives a new position so many times a second (common practice: 120 to 250); between them the last one stands.
RATE_HZ = 200.0
_NOISES = 4096
_HISTORY = 2048


@dataclass(frozen=True)
class Tracker:
    """A simulated eye tracker.

    Parameters
    ----------
    kind : str
        "ideal": right and at once. "off": the pupil is believed at the eye-box centre. "noisy": as set by the others.
    noise_mm : float
        1-sigma of the noise of each axis, mm; independent from sample to sample.
    latency_ms : float
        Age of a position when it is used, ms.
    seed : int
        Of the noise.
    """

    kind: str = "ideal"
    noise_mm: float = 0.1
    latency_ms: float = 15.0
    seed: int = 1

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise RenderError(f"tracker is '{self.kind}'; expected one of {', '.join(KINDS)}.")
        require_range(self.noise_mm, "noise_mm", 0.0, 10.0, unit="mm", error=RenderError)
        require_range(self.latency_ms, "latency_ms", 0.0, 1000.0, unit="ms", error=RenderError)

    def tracked(self, pupil_at: Callable[[float], FloatArray], time_s: float, /) -> FloatArray:
        """Return the tracked pupil (3,), mm, at a time, given where the pupil was at any time up to it."""
        if self.kind == "off":
            return np.zeros(3)
        if self.kind == "ideal":
            return pupil_at(time_s)
        sample = int(np.floor(time_s * RATE_HZ + 1e-9))
        noise = _noise(self.seed)[sample % _NOISES] * self.noise_mm
        return pupil_at(sample / RATE_HZ - self.latency_ms / 1000.0) + noise


@lru_cache(maxsize=4)
def _noise(seed: int) -> FloatArray:
    return np.random.default_rng(seed).standard_normal((_NOISES, 3))


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
        return (1.0 - share) * self._pupils[after - 1] + share * self._pupils[after]
