"""How the pupil moves in the eye box: fixations and saccades about its centre; slip of the headset.

Every number is a setting with its source. Tremor and drift within a fixation (under 0.1 degree, 0.02 mm) are
left out.
"""

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_banded
from scipy.special import ndtr, ndtri

from prewarp.checks import FloatArray, IntArray
from prewarp.errors import ShapeError
from prewarp.records import Number, Numbers, checked, validate
from prewarp.seam.blend import quintic_smoothstep

# Main sequence: mean peak velocity (deg/s) of 100 healthy people by amplitude (deg), horizontal and vertical;
# read in the abstract of PMC6143243. Small saccades follow the monotone curve to 0; beyond the last amplitude
# the velocity stays.
SACCADE_TABLE = (
    ((0.0, 5.0, 15.0, 30.0), (0.0, 213.0, 352.0, 455.0)),
    ((0.0, 5.0, 10.0, 20.0), (0.0, 208.0, 303.0, 391.0)),
)
# Peak over mean velocity of the quintic smoothstep (minimum jerk): 15/8.
PEAK_OVER_MEAN = 1.875
# Nodes of the slip per correlation time.
SLIP_NODES = 30
_LEAST_DEG = 1e-3


@dataclass(frozen=True)
class EyeMotion:
    """Settings of pupil motion.

    Parameters
    ----------
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


def peak_velocity_deg_per_s(step_deg: FloatArray, /) -> FloatArray:
    """Return the peak velocity (n,) of saccades (2, n), horizontal and vertical parts in degrees.

    Oblique saccades: squares of the two curves at the whole amplitude, weighed by the squares of the parts.
    """
    # Slow to import; other commands start without it.
    from scipy.interpolate import PchipInterpolator

    amplitude = np.hypot(*step_deg)
    squared = np.zeros_like(amplitude)
    for part, (at, velocity) in zip(step_deg, SACCADE_TABLE, strict=True):
        curve = PchipInterpolator(at, velocity)(np.minimum(amplitude, at[-1]))
        squared += (part / np.maximum(amplitude, _LEAST_DEG)) ** 2 * curve**2
    return np.asarray(np.sqrt(squared))


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
        place = np.clip(np.searchsorted(self.start_s, time_s, side="right") - 1, 0, len(self.saccade_s) - 1)
        done = (time_s - self.saccade_s[place]) / self.duration_s[place]
        gaze = self.gaze_deg[:, place]
        moving = np.flatnonzero(done > 0.0)
        after = place[moving] + 1
        gaze[:, moving] += (self.gaze_deg[:, after] - gaze[:, moving]) * quintic_smoothstep(done[moving])
        return self.motion.pupil_mm(gaze) + self._slip(time_s)

    def _slip(self, time_s: FloatArray) -> FloatArray:
        share = time_s / self.slip_step_s
        node: IntArray = np.clip(share.astype(np.int64), 0, self.slip_mm.shape[1] - 2)
        share = share - node
        return self.slip_mm[:, node] * (1.0 - share) + self.slip_mm[:, node + 1] * share


def eye_path(motion: EyeMotion, random: np.random.Generator, /, *, count: int) -> EyePath:
    """Return a stretch of `count` fixations and saccades drawn from `random`."""
    sd, limit = np.array(motion.gaze_sd_deg)[:, None], np.array(motion.gaze_limit_deg)[:, None]
    edge = ndtr(limit / np.maximum(sd, 1e-9))
    # A normal law cut at its limit, by the inverse of its distribution.
    gaze = sd * ndtri(1.0 - edge + (2.0 * edge - 1.0) * random.random((2, count + 1)))
    step = np.diff(gaze, axis=1)
    velocity = np.maximum(peak_velocity_deg_per_s(step), 1.0)
    duration = np.maximum(PEAK_OVER_MEAN * np.hypot(*step) / velocity, 1e-4)
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


def _drift(noise: FloatArray) -> FloatArray:
    """Return stationary first-order autoregression (3, n) of unit variance: Ornstein-Uhlenbeck, sampled."""
    keep = np.exp(-1.0 / SLIP_NODES)
    noise = noise * np.sqrt(1.0 - keep * keep)
    noise[:, 0] /= np.sqrt(1.0 - keep * keep)
    # x_k - keep x_k-1 = noise_k, all at once: two bands.
    bands = np.array([[1.0], [-keep]]) * np.ones(noise.shape[1])
    return solve_banded((1, 0), bands, noise.T, check_finite=False).T
