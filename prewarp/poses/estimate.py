"""Gauss-Newton for the poses of all shots, with the field of every channel and colour eliminated."""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from threadpoolctl import threadpool_limits

from prewarp.checks import FloatArray
from prewarp.errors import FitError
from prewarp.fitting.outlying import robust_weight
from prewarp.fitting.polynomial import first_expansions
from prewarp.fitting.residuals import pixel_metric
from prewarp.poses.columns import FieldColumns
from prewarp.poses.elimination import Eliminated, eliminate
from prewarp.poses.gauge import orthonormal, similarity_vectors, without
from prewarp.poses.rays import PER_SHOT, Poses, Rays
from prewarp.poses.truncation import next_degree_pull

# Total degree of the first steps, which take some of the samples, and the highest that is tried.
FIRST_DEGREE, HIGHEST_DEGREE = 10, 13
FIRST_SAMPLES = 6000
FIRST_STEPS, MOST_STEPS = 2, 7
# Steps end when no number moves by more than this share of its own sigma.
SETTLED = 0.2
# Degrees of freedom of Student's t, the prior of a shot's offset and of its turn (common practice for robust
# priors: K. L. Lange, R. J. A. Little, J. M. G. Taylor, J. Am. Stat. Assoc. 84 (1989) 881, from memory).
FREEDOM = 4.0
# Measured numbers per column of a field, at least.
SAMPLES_PER_COLUMN = 1.5
# Samples never agree better than this: what the last digits of a file leave.
LEAST_NOISE_PX = 1e-4


@dataclass(frozen=True)
class Prior:
    """What is known of the stage beforehand, 1-sigma per axis: `sigma_mm` and `sigma_rad`."""

    sigma_mm: float
    sigma_rad: float

    def units(self, shots: int, /) -> FloatArray:
        """Return the sigma of every unknown, (6 k,)."""
        return np.tile([self.sigma_mm] * 3 + [self.sigma_rad] * 3, shots)

    def weights(self, poses: Poses, /) -> FloatArray:
        """Return the weight (6 k,) of the prior of every unknown: it lets go of a shot that slipped."""
        squared = np.stack(
            [
                np.sum((poses.offset_mm / self.sigma_mm) ** 2, axis=1),
                np.sum((poses.turn_rad / self.sigma_rad) ** 2, axis=1),
            ],
            axis=1,
        )
        weight = np.minimum((FREEDOM + 3.0) / (FREEDOM + squared), 1.0)
        return np.repeat(weight.ravel(), 3)


@dataclass(frozen=True)
class Solution:
    """Poses and what the samples say of them; everything per prior sigma where not said otherwise.

    `information` (6 k, 6 k) of the samples, the seven common motions taken out; `common` (7, 6 k) those
    motions, orthonormal; `covariance` (6 k, 6 k) with the prior; `noise_px` (fields,); `fields` the last
    elimination of each channel and colour; `model` their columns.
    """

    poses: Poses
    information: FloatArray
    common: FloatArray
    covariance: FloatArray
    noise_px: FloatArray
    fields: tuple[Eliminated, ...]
    model: FieldColumns


@dataclass(frozen=True)
class _Part:
    """One channel and colour, what turns its cosines into px, and its robust weights."""

    rays: Rays
    metric: FloatArray
    weight: FloatArray

    def weighed(self, rest_px: FloatArray) -> "_Part":
        """Return the part with weights for residuals (2, n) px."""
        return replace(self, weight=robust_weight(self.rays.samples, rest_px))


def solve_poses(
    rays: Sequence[Rays], label_mm: FloatArray, prior: Prior, pupil_degree: int, /, *, threads: int = 2
) -> Solution:
    """Return the poses of shots labelled (k, 3) mm that all `rays` agree on best.

    Raises
    ------
    FitError
        Too few samples of a channel and colour for any field beside the poses.

    Notes
    -----
    The first steps take some of the samples and a low degree: pose errors are tens of times the noise, so
    they must be out before single samples are judged and a degree is chosen. Then robust weights and the pull
    of the next pupil degree are renewed at each step. The field is solved anew at each step: equations at old
    poses make the common motions look measured.
    """
    with threadpool_limits(1, user_api="blas"), ThreadPoolExecutor(threads) as pool:
        few = list(pool.map(_some, rays))
        poses = Poses.of_labels(len(label_mm))
        model = _affordable(few, len(label_mm), pupil_degree, FIRST_DEGREE)
        for _ in range(FIRST_STEPS):
            solution = _step(few, poses, label_mm, prior, model, None, pool)
            poses = solution.poses
        few = [part.weighed(one.rest_px) for part, one in zip(few, solution.fields, strict=True)]
        poses = _step(few, poses, label_mm, prior, model, None, pool).poses
        parts = list(pool.map(_whole, rays))
        model = _affordable(parts, len(label_mm), pupil_degree, FIRST_DEGREE)
        solution = _step(parts, poses, label_mm, prior, model, None, pool)
        model = _affordable(parts, len(label_mm), pupil_degree, HIGHEST_DEGREE)
        before = None
        for turn in range(MOST_STEPS):
            poses = solution.poses
            parts = [part.weighed(one.rest_px) for part, one in zip(parts, solution.fields, strict=True)]
            # To choose a degree, columns alone will do.
            waves = pupil_degree + 1 if turn else 0
            solution = _step(parts, poses, label_mm, prior, model, before, pool, wave_degree=waves)
            if turn == 0:
                # Coefficients of a lower degree are no longer what they were: the next pull is found anew.
                model, before = _least_score(solution, prior.units(len(label_mm))), None
                continue
            before = solution
            moved = (solution.poses.as_vectors() - poses.as_vectors()).ravel() / prior.units(len(label_mm))
            if np.all(np.abs(moved) <= SETTLED * np.sqrt(np.diagonal(solution.covariance))):
                break
    return replace(solution, covariance=_with_second_order(solution, label_mm, prior))


def _with_second_order(solution: Solution, label_mm: FloatArray, prior: Prior) -> FloatArray:
    """Return the covariance with what linear equations leave out where much is lost.

    A pattern of turns or offsets that is smooth over the eye box, off by its sigma, is taken at places that
    are off by theirs: it differs by sigma times the step over half the box. Patterns other than the common
    motions, which are exact, change the field's own slope besides, which acts on the offset itself. Small
    beside everything but the best known modes (derived here; sizes, not signs).
    """
    own = np.diagonal(solution.covariance).reshape(-1, 2, 3)
    apart = np.diagonal(without(solution.covariance, solution.common)).reshape(-1, 2, 3)
    half = max(float(np.abs(label_mm[:, :2] - label_mm[:, :2].mean(axis=0)).max()), 0.5)
    placed = (own.mean(axis=(0, 2)) * own[:, 0].mean() + apart.mean(axis=(0, 2))) * (
        prior.sigma_mm / half
    ) ** 2
    return solution.covariance + np.diag(np.tile(np.repeat(placed, 3), len(own)))


def _whole(rays: Rays) -> _Part:
    samples = rays.samples
    relative = np.median(samples.sigma_px) / samples.sigma_px
    slopes = rays.base or first_expansions(replace(samples, pupil=samples.pupil.up_to(2)))[0]
    return _Part(rays, pixel_metric(samples, slopes) * relative**2, np.ones(samples.count))


def _some(rays: Rays) -> _Part:
    """Return FIRST_SAMPLES samples at most, taken at random, in order: strides would miss whole shots."""
    count = rays.samples.count
    if count <= FIRST_SAMPLES:
        return _whole(rays)
    keep = np.sort(np.random.default_rng(0).choice(count, FIRST_SAMPLES, replace=False))
    some = Rays(rays.samples.take(keep), rays.unit[keep], rays.label_mm[keep], rays.shot[keep], rays.base)
    return _whole(some)


def _affordable(parts: Sequence[_Part], shots: int, pupil_degree: int, highest: int) -> FieldColumns:
    """Return the largest model up to a degree that every channel and colour can bear beside the poses."""
    # Each total degree counts two for a pupil degree: below this, the highest pupil degree has no column.
    least = 2 * pupil_degree
    numbers = 2 * min(part.rays.samples.count for part in parts) - PER_SHOT * shots
    for degree in range(max(highest, least + 2), least - 1, -1):
        model = FieldColumns(degree, pupil_degree + 1)
        if model.columns.count * SAMPLES_PER_COLUMN <= numbers:
            return model
    raise FitError(
        f"{numbers + PER_SHOT * shots} measured numbers in a channel and colour; free poses of {shots} shots "
        f"need {int(model.columns.count * SAMPLES_PER_COLUMN) + PER_SHOT * shots + 1}. Measure more points "
        "a shot, or fit without --poses free."
    )


def _step(
    parts: Sequence[_Part],
    poses: Poses,
    label_mm: FloatArray,
    prior: Prior,
    model: FieldColumns,
    before: "Solution | None",
    pool: ThreadPoolExecutor,
    *,
    wave_degree: int = 0,
) -> Solution:
    """Return the solution of the equations at `poses`; `before` knows how large the next degree may be."""
    shots = len(label_mm)
    if before is None:
        pulls = [np.zeros(model.columns.count)] * len(parts)
    else:
        pulls = [
            next_degree_pull(one.coefficients, one.variance, model.order, float(noise))
            for one, noise in zip(before.fields, before.noise_px, strict=True)
        ]
    fields = tuple(
        pool.map(
            lambda job: eliminate(
                job[0].rays, poses, job[0].metric, job[0].weight, model, job[1], wave_degree
            ),
            zip(parts, pulls, strict=True),
        )
    )
    unit = prior.units(shots)
    common = orthonormal(similarity_vectors(label_mm + poses.offset_mm), unit)
    noise_px = np.array([_noise(one, unit, common) for one in fields])
    shares = 1.0 / noise_px**2
    raw = sum(share * one.matrix for share, one in zip(shares, fields, strict=True)) * np.outer(unit, unit)
    side = sum(share * one.side for share, one in zip(shares, fields, strict=True)) * unit
    information = without(raw, common)
    side = side - common.T @ (common @ side)
    pull = prior.weights(poses)
    covariance: FloatArray = np.asarray(np.linalg.inv(information + np.diag(pull)), dtype=np.float64)
    step = covariance @ (side - pull * poses.as_vectors().ravel() / unit)
    return Solution(
        poses=poses.moved((step * unit).reshape(shots, PER_SHOT)),
        information=information,
        common=common,
        covariance=covariance,
        noise_px=noise_px,
        fields=fields,
        model=model,
    )


def _freedom(field: Eliminated, columns: int, unknowns: int) -> float:
    """Return how many of the weighted numbers the field and the poses leave free."""
    return max(2.0 * field.weight - columns - unknowns, 1.0)


def _after_poses(
    matrix: FloatArray, side: FloatArray, square: float, unit: FloatArray, common: FloatArray
) -> float:
    """Return what of a sum of squares is left when a field's own poses are free too, common motions apart.

    A truncated polynomial would gain by moving the whole capture, far beyond where slopes hold.
    """
    scaled = without(matrix * np.outer(unit, unit), common)
    scaled += common.T @ common * np.trace(scaled) / len(scaled)
    gain = side * unit
    gain = gain - common.T @ (common @ gain)
    return square - float(gain @ np.linalg.solve(scaled, gain))


def _noise(field: Eliminated, unit: FloatArray, common: FloatArray) -> float:
    """Return the noise per axis, px, of one channel and colour: its poses free, so that no shot weighs."""
    left = _after_poses(field.matrix, field.side, field.square, unit, common)
    freedom = _freedom(field, len(field.coefficients), len(unit) - len(common))
    return max(float(np.sqrt(max(left, 0.0) / freedom)), LEAST_NOISE_PX)


def _least_score(solution: Solution, unit: FloatArray) -> FieldColumns:
    """Return the columns with the least generalised cross-validation score.

    First the degrees up to which the mirror symmetries may be broken, then the total degree.
    """
    model = solution.model
    for name in ("odd_v_degree", "odd_u_degree"):
        model = _least_of(
            solution, unit, [replace(model, **{name: level}) for level in range(-1, model.degree + 1)]
        )
    least = 2 * (model.pupil_degree - 1)
    return _least_of(
        solution, unit, [replace(model, degree=level) for level in range(least, model.degree + 1)]
    )


def _least_of(solution: Solution, unit: FloatArray, chain: Sequence[FieldColumns]) -> FieldColumns:
    """Return the columns of a nested chain with the least score over all channels and colours."""
    places, lengths = solution.model.nested(chain)
    scores = np.zeros(len(chain))
    for field in solution.fields:
        for place, (length, equations) in enumerate(
            zip(lengths, field.of_fewer(places, lengths), strict=True)
        ):
            left = _after_poses(*equations, unit, solution.common)
            freedom = _freedom(field, length, len(unit) - len(solution.common))
            scores[place] += field.weight * np.log(left / freedom**2)
    return chain[int(np.argmin(scores))]
