"""Monte Carlo of the seam error: moments of pupil motion, what the tracker makes of them, what is seen.

Seeded and vectorised: one block of moments per direction of the seam, each with its own random stream, so the
result does not depend on how many cores worked on it.
"""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from prewarp.budget.eye import EyePath, eye_path, slips
from prewarp.budget.interval import BLOCKS, BlockArray, percentile_interval
from prewarp.budget.scene import BudgetScene
from prewarp.checks import BoolArray, FloatArray
from prewarp.cores import one_blas_thread, usable_cores
from prewarp.errors import ShapeError
from prewarp.tracker import Tracker

Kind = TypeVar("Kind")

MOST_SAMPLES = 50_000_000
_ERROR_BYTES, _MOMENT_BYTES, _SORTED_BYTES = 9, 600, 36
# Moments begin this long after the path does, so that a late tracker still finds the eye on it.
LEAD_S = 2.5
# A path has one fixation for so many moments, and never fewer than LEAST_FIXATIONS.
MOMENTS_PER_FIXATION, LEAST_FIXATIONS = 20, 8000


@dataclass(frozen=True)
class Effects:
    """What parts tracked and true pupil: 1-sigma per axis (mm), delays (s), and whether residuals count.

    `row_times`: whether the time counts at which each direction is lit (`BudgetScene.lit_ms`).
    """

    lateral_mm: float = 0.0
    depth_mm: float = 0.0
    latency_s: float = 0.0
    period_s: float = 0.0
    residual: bool = True
    row_times: bool = True


def effects_of(tracker: Tracker, /) -> Effects:
    """Return the effects of a tracker."""
    lateral = float(np.hypot(tracker.accuracy_mm, tracker.noise_mm))
    return Effects(lateral, lateral * tracker.depth_ratio, tracker.latency_ms / 1000.0, 1.0 / tracker.rate_hz)


@dataclass(frozen=True)
class Moments:
    """Draws for one direction.

    `time_s` (n,); `block` (n,), which of the path's `BLOCKS` stretches that lies in; `pupil_mm` (3, n);
    `slip_mm` (3, n), the part of it that is slip, and how fast that drifts (3, n); `age` (n,) in periods;
    `noise` (3, n) unit normal; `residual_arcmin` (2, n).
    """

    time_s: FloatArray
    block: BlockArray
    pupil_mm: FloatArray
    slip_mm: FloatArray
    drift_mm_per_s: FloatArray
    age: FloatArray
    noise: FloatArray
    residual_arcmin: FloatArray

    def late_mm(self, path: EyePath, effects: Effects, lit_s: float = 0.0, /) -> FloatArray:
        """Return where the pupil was when the newest sample in use was taken (3, n), mm.

        `lit_s`: when the direction is lit, after what the latency counts to.
        """
        own = lit_s if effects.row_times else 0.0
        late = effects.latency_s + own + effects.period_s * self.age
        if not np.any(late):
            return self.pupil_mm
        return path.turned_mm(self.time_s - late) + self.slip_mm - late * self.drift_mm_per_s


def draw_moments(scene: BudgetScene, path: EyePath, random: np.random.Generator, count: int, /) -> Moments:
    """Return `count` moments drawn evenly from a path, each with a slip of its own.

    Slip lasts a minute, so a path holds few of them: with its own slip every moment says something new.
    """
    time = LEAD_S + random.random(count) * (path.length_s - LEAD_S)
    age, noise = random.random(count), random.standard_normal((3, count))
    slip, drift = slips(scene.motion, random, count)
    steps = scene.residual_arcmin
    residual = (
        steps[random.integers(len(steps), size=count)].T
        if len(steps) > 1
        else np.repeat(steps.T, count, axis=1)
    )
    if scene.residual_sigma_arcmin:
        residual = residual + scene.residual_sigma_arcmin * random.standard_normal((2, count))
    block = np.minimum((time - LEAD_S) / (path.length_s - LEAD_S) * BLOCKS, BLOCKS - 1).astype(np.uint8)
    return Moments(time, block, path.turned_mm(time) + slip, slip, drift, age, noise, residual)


def seam_steps(
    scene: BudgetScene, place: int, moments: Moments, effects: Effects | None, late_mm: FloatArray, /
) -> tuple[FloatArray, FloatArray]:
    """Return the seam steps (2, n), arcmin, of one direction, and e - e' (3, n), mm.

    Steps are NaN where the pupil is outside the eye box. `late_mm` (3, n): the pupils that the tracker saw
    (`Moments.late_mm`). `effects` None: no tracker, the correction stays that of a centred pupil. A tracked
    pupil outside the eye box is taken at the nearest position inside, as a table would. Rays do not bend: in
    an eye box without depth pupils count where their ray crosses z = 0.
    """
    true, tracked, inside = pupils_in_box(scene, scene.surface.tangent[place], moments, effects, late_mm)
    step = scene.surface.step_arcmin(place, true, tracked)
    if effects is None or effects.residual:
        step = step + moments.residual_arcmin
    return np.where(inside, step, np.nan), true - tracked


def pupils_in_box(
    scene: BudgetScene, tangent: FloatArray, moments: Moments, effects: Effects | None, late_mm: FloatArray, /
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Return true and tracked pupils (3, n), mm, as a device takes them, and where the true one is in the eye
    box (n,).

    `tangent` (2,) or (n, 2); the rest and what becomes of pupils outside: `seam_steps`.
    """
    half = scene.surface.half_mm[:, None]
    tracked = np.zeros_like(late_mm) if effects is None else late_mm
    if effects is not None and (effects.lateral_mm or effects.depth_mm):
        spread_mm = np.array([effects.lateral_mm, effects.lateral_mm, effects.depth_mm])
        tracked = tracked + spread_mm[:, None] * moments.noise
    true = moments.pupil_mm
    if scene.surface.is_flat:
        true, tracked = (_on_plane(one, tangent) for one in (true, tracked))
    inside = np.all(np.abs(true) <= half, axis=0)
    return np.clip(true, -half, half), np.clip(tracked, -half, half), inside


def _on_plane(pupil_mm: FloatArray, tangent: FloatArray) -> FloatArray:
    """Return where rays of directions (2,) or (n, 2) through pupils (3, n) cross z = 0, (3, n), mm."""
    across = pupil_mm[:2] - pupil_mm[2] * np.atleast_2d(tangent).T
    return np.vstack([across, np.zeros((1, across.shape[1]))])


@dataclass(frozen=True)
class Simulation:
    """Result of `simulate`.

    `error_arcmin` (n,) sorted lengths of the seam steps, time samples with the pupil in the eye box alone;
    `outside_share` of the moments that were not; `by_direction_arcmin` (m,) the percentile asked for, per
    direction of the seam; `rms_arcmin`; `first_order_rms_arcmin` what (S_b - S_a)(e - e'), S at the centre,
    and the residual predict for it; `pupil_error_rms_mm` of e - e' across, per axis; `block` (n,) which of
    `BLOCKS` stretches of eye movement, one after the other, each error is from.
    """

    error_arcmin: FloatArray
    outside_share: float
    by_direction_arcmin: FloatArray
    rms_arcmin: float
    first_order_rms_arcmin: float
    pupil_error_rms_mm: float
    block: BlockArray

    def percentile_arcmin(self, percent: float, /) -> float:
        """Return the seam error that so many per cent of time samples stay under; infinite without any."""
        return float(np.percentile(self.error_arcmin, percent)) if self.error_arcmin.size else np.inf

    def interval_arcmin(self, percent: float, /) -> tuple[float, float]:
        """Return the 95 % interval of `percentile_arcmin` that the number of time samples leaves."""
        return percentile_interval(self.error_arcmin, self.block, percent)


def simulate(
    scene: BudgetScene,
    tracker: Tracker | None,
    /,
    *,
    samples: int = 1_000_000,
    seed: int = 0,
    percentile: float = 95.0,
) -> Simulation:
    """Draw moments and return the distribution of the seam error.

    Parameters
    ----------
    scene : BudgetScene
    tracker : Tracker or None
        None: no tracker, the correction stays that of a centred pupil.
    samples : int
        Moments in all, spread evenly over the directions of the scene.
    seed : int
        The same seed gives the same result.
    percentile : float
        For `by_direction_arcmin`.

    Raises
    ------
    ShapeError
        Fewer samples than directions, or more than 50 million.

    Notes
    -----
    First order: step = (S_b - S_a) d, d = e - e' in the plane z = 0, so its mean square is trace(S <d d^T>
    S^T) per direction.
    """
    directions = len(scene.surface.tangent)
    if not directions <= samples <= MOST_SAMPLES:
        raise ShapeError(
            f"samples is {samples}; expected {directions} (one per direction) to {MOST_SAMPLES}."
        )
    path, streams = begin(scene, samples=samples, seed=seed)
    counts = np.diff(np.linspace(0, samples, directions + 1).astype(int))
    effects = None if tracker is None else effects_of(tracker)
    slopes = scene.surface.first_order()

    def work(place: int) -> tuple[FloatArray, float, float, float, BlockArray]:
        moments = draw_moments(scene, path, streams[place], counts[place])
        late = moments.pupil_mm if effects is None else moments.late_mm(path, effects, scene.lit_s(place))
        step, apart = seam_steps(scene, place, moments, effects, late)
        length = np.hypot(*step)
        inside = np.isfinite(length)
        across = (apart[:2] - apart[2] * scene.surface.tangent[place][:, None])[:, inside]
        count = max(across.shape[1], 1)
        second = across @ across.T / count
        predicted = float(np.trace(slopes[place] @ second @ slopes[place].T))
        length = length[inside]
        own = float(np.percentile(length, percentile)) if length.size else np.nan
        within = predicted * len(length), float(np.trace(second)) / 2.0 * len(length)
        return length, own, *within, moments.block[inside]

    with one_blas_thread():
        parts = spread(work, directions)
    error = np.concatenate([part[0] for part in parts])
    order = np.argsort(error)
    error = error[order]
    count = max(len(error), 1)
    return Simulation(
        error,
        1.0 - len(error) / samples,
        np.array([part[1] for part in parts]),
        float(np.sqrt(error @ error / count)),
        float(np.sqrt(sum(part[2] for part in parts) / count + scene.residual_rms_arcmin() ** 2)),
        float(np.sqrt(sum(part[3] for part in parts) / count)),
        np.concatenate([part[4] for part in parts])[order],
    )


def simulation_bytes(samples: int, directions: int, /) -> float:
    """Return how much memory `simulate` takes for time samples of some directions, bytes.

    By measurement: the errors of all samples and the moments of a direction on every core, or the errors as
    they are joined and sorted.
    """
    moments = _MOMENT_BYTES * min(usable_cores(), directions) / directions
    return samples * max(_ERROR_BYTES + moments, _SORTED_BYTES)


def begin(scene: BudgetScene, /, *, samples: int, seed: int) -> tuple[EyePath, list[np.random.Generator]]:
    """Return a path of the eye and one random stream per direction."""
    seeds = np.random.SeedSequence(seed).spawn(len(scene.surface.tangent) + 1)
    fixations = max(samples // MOMENTS_PER_FIXATION, LEAST_FIXATIONS)
    path = eye_path(scene.motion, np.random.Generator(np.random.SFC64(seeds[0])), count=fixations)
    return path, [np.random.Generator(np.random.SFC64(one)) for one in seeds[1:]]


def spread(work: Callable[[int], Kind], count: int, /) -> list[Kind]:
    """Return `work(place)` for all places, on all cores, in order; call within `one_blas_thread`."""
    with ThreadPoolExecutor(min(count, usable_cores())) as pool:
        return list(pool.map(work, range(count)))
