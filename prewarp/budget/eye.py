"""How the pupil moves in the eye box: fixations and saccades about its centre; slip of the headset.

Every number is a setting with its source. Tremor and drift within a fixation (under 0.1 degree, 0.02 mm) are
left out.
"""

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_banded

from prewarp.budget.saccades import KINDS, NATURAL, durations_s, natural_gaze_deg, reflexive_gaze_deg
from prewarp.checks import FloatArray, IntArray
from prewarp.errors import ShapeError
from prewarp.records import Choice, Number, Numbers, checked, validate
from prewarp.seam.blend import quintic_smoothstep

# Nodes of the slip per correlation time.
SLIP_NODES = 30


@dataclass(frozen=True)
class EyeMotion:
    """Settings of pupil motion.

    Parameters
    ----------
    saccades : str
        "natural" or "reflexive" (`prewarp.budget.saccades`). Natural ones are the default: a limit is kept
        for a fraction of the time, and in most of it people look about; reflexive ones are the harder case.
    gaze_sd_deg, gaze_limit_deg : (float, float)
        Spread of where fixations go, horizontal and vertical, a normal law cut at the limit. Mostly within 15
        degrees (common practice).
    fixation_least_ms, fixation_more_ms : float
        Fixations last at least so long, plus an exponential time of this mean: 200 to 300 ms in all is common
        practice.
    lever_mm : (float, float)
        Centre of rotation to entrance pupil, horizontal and vertical: 14.7 and 12.0 mm behind the cornea (Fry
        and Hill 1962, 1963, as quoted in the literature) less 3.05 mm (schematic eyes, from memory).
    slip_sd_mm : (float, float, float)
        Spread of the headset's slow drift on the head, x, y, z. No published figure is claimed: measure your
        fit.
    slip_time_s : float
        Correlation time of that drift.
    """

    saccades: str = checked(Choice(KINDS), default=NATURAL)
    gaze_sd_deg: tuple[float, float] = checked(
        Numbers(Number(0.0, 30.0, "degrees"), 2, 2), default=(8.0, 6.0)
    )
    gaze_limit_deg: tuple[float, float] = checked(
        Numbers(Number(0.0, 45.0, "degrees"), 2, 2), default=(20.0, 15.0)
    )
    fixation_least_ms: float = checked(Number(10.0, 1e5, "ms"), default=80.0)
    fixation_more_ms: float = checked(Number(0.0, 1e5, "ms"), default=180.0)
    lever_mm: tuple[float, float] = checked(Numbers(Number(0.0, 20.0, "mm"), 2, 2), default=(11.65, 8.95))
    slip_sd_mm: tuple[float, float, float] = checked(
        Numbers(Number(0.0, 10.0, "mm"), 3, 3), default=(0.4, 0.6, 0.3)
    )
    slip_time_s: float = checked(Number(1.0, 1e5, "s"), default=60.0)

    def __post_init__(self) -> None:
        validate(self, ShapeError)

    def pupil_mm(self, gaze_deg: FloatArray, /) -> FloatArray:
        """Return pupil positions (3, n), mm, for gaze (2, n): azimuth to the right, then elevation, degrees.

        The eye turns about a vertical axis through its horizontal centre of rotation, carrying the vertical
        one: x = m sin a, y = l_v sin b, z = m cos a - l_h, m = l_h - l_v (1 - cos b). Straight ahead is the
        eye-box centre.
        """
        across, up = np.radians(gaze_deg)
        horizontal, vertical = self.lever_mm
        arm = horizontal - vertical * (1.0 - np.cos(up))
        return np.stack([arm * np.sin(across), vertical * np.sin(up), arm * np.cos(across) - horizontal])


@dataclass(frozen=True)
class EyePath:
    """A long stretch of pupil motion: `count` times a fixation and the saccade that ends it.

    `start_s` (count + 1,) when each fixation begins; `saccade_s` (count,) when it ends; `duration_s` (count,)
    of the saccade; `gaze_deg` (2, count + 1); `slip_mm` (3, nodes), `slip_step_s` apart.
    """

    motion: EyeMotion
    start_s: FloatArray
    saccade_s: FloatArray
    duration_s: FloatArray
    gaze_deg: FloatArray
    slip_mm: FloatArray
    slip_step_s: float

    @property
    def length_s(self) -> float:
        """Length of the stretch, seconds."""
        return float(self.start_s[-1])

    def pupil_mm(self, time_s: FloatArray, /) -> FloatArray:
        """Return pupil positions (3, n), mm, at times (n,) within the stretch, seconds."""
        return self.turned_mm(time_s) + self._slip(time_s)

    def turned_mm(self, time_s: FloatArray, /) -> FloatArray:
        """Return pupil positions (3, n), mm, of an eye in a headset that does not slip."""
        place = np.clip(np.searchsorted(self.start_s, time_s, side="right") - 1, 0, len(self.saccade_s) - 1)
        done = (time_s - self.saccade_s[place]) / self.duration_s[place]
        gaze = self.gaze_deg[:, place]
        moving = np.flatnonzero(done > 0.0)
        after = place[moving] + 1
        gaze[:, moving] += (self.gaze_deg[:, after] - gaze[:, moving]) * quintic_smoothstep(done[moving])
        return self.motion.pupil_mm(gaze)

    def _slip(self, time_s: FloatArray) -> FloatArray:
        share = time_s / self.slip_step_s
        node: IntArray = np.clip(share.astype(np.int64), 0, self.slip_mm.shape[1] - 2)
        share = share - node
        return self.slip_mm[:, node] * (1.0 - share) + self.slip_mm[:, node + 1] * share


def eye_path(motion: EyeMotion, random: np.random.Generator, /, *, count: int) -> EyePath:
    """Return a stretch of `count` fixations and saccades drawn from `random`."""
    draw = natural_gaze_deg if motion.saccades == NATURAL else reflexive_gaze_deg
    spread, limit = np.array(motion.gaze_sd_deg)[:, None], np.array(motion.gaze_limit_deg)[:, None]
    gaze = draw(spread, limit, count + 1, random)
    duration = durations_s(np.diff(gaze, axis=1), motion.saccades)
    fixation = (
        motion.fixation_least_ms + random.exponential(max(motion.fixation_more_ms, 1e-9), count)
    ) / 1000.0
    start = np.concatenate([[0.0], np.cumsum(fixation + duration)])
    slip_step = motion.slip_time_s / SLIP_NODES
    nodes = int(start[-1] / slip_step) + 2
    return EyePath(
        motion,
        start,
        start[:-1] + fixation,
        duration,
        gaze,
        np.array(motion.slip_sd_mm)[:, None] * _drift(random.standard_normal((3, nodes))),
        slip_step,
    )


def slips(motion: EyeMotion, random: np.random.Generator, count: int, /) -> tuple[FloatArray, FloatArray]:
    """Return slips (3, count), mm, of moments far apart, and how fast each drifts then (3, count), mm/s.

    The law of `EyePath`'s slip at any one time: a place between two nodes of its chain.
    """
    keep, sd = np.exp(-1.0 / SLIP_NODES), np.array(motion.slip_sd_mm)[:, None]
    before, fresh = random.standard_normal((2, 3, count))
    step = (keep - 1.0) * before + np.sqrt(1.0 - keep * keep) * fresh
    share = random.random(count)
    return sd * (before + share * step), sd * step * (SLIP_NODES / motion.slip_time_s)


def _drift(noise: FloatArray) -> FloatArray:
    """Return stationary first-order autoregression (3, n) of unit variance: Ornstein-Uhlenbeck, sampled."""
    keep = np.exp(-1.0 / SLIP_NODES)
    noise = noise * np.sqrt(1.0 - keep * keep)
    noise[:, 0] /= np.sqrt(1.0 - keep * keep)
    # x_k - keep x_k-1 = noise_k, all at once: two bands.
    bands = np.array([[1.0], [-keep]]) * np.ones(noise.shape[1])
    return solve_banded((1, 0), bands, noise.T, check_finite=False).T
