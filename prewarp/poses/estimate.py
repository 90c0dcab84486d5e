"""Gauss-Newton for the poses of all shots, with the field of every channel and colour eliminated."""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from threadpoolctl import threadpool_limits

from prewarp.checks import FloatArray
from prewarp.errors import FitError
from prewarp.fitting.expansion import Expansion
from prewarp.fitting.gaps import degree_carried
from prewarp.fitting.outlying import robust_weight
from prewarp.fitting.polynomial import first_expansions
from prewarp.fitting.residuals import in_pixels, pixel_metric, residuals
from prewarp.poses.choice import least_score, noise_of
from prewarp.poses.columns import FieldColumns
from prewarp.poses.elimination import Eliminated, eliminate
from prewarp.poses.gauge import orthonormal, similarity_vectors, wavefront_vectors, without
from prewarp.poses.prior import Prior, posterior
from prewarp.poses.rays import PER_SHOT, Poses, Rays
from prewarp.poses.truncation import next_degree_pull

# Total degree of the first steps, which take some of the samples, and the highest that is tried.
FIRST_DEGREE, HIGHEST_DEGREE = 10, 13
FIRST_SAMPLES = 6000
FIRST_STEPS, MOST_STEPS = 2, 7
# Steps end when the next would move no number by more than this share of its own sigma. Gauss-Newton steps
# shrink as their squares do, but to no less than this share, for what weights and pulls change besides.
SETTLED, LEAST_SHRINK = 0.2, 0.1
# Measured numbers per column of a field, at least.
SAMPLES_PER_COLUMN = 1.5


@dataclass(frozen=True)
class Solution:
    """Poses and what the samples say of them; everything per prior sigma where not said otherwise.

    `information` (6 k, 6 k) of the samples, the seven common motions taken out; `common` (7, 6 k) those
    motions, `waves` (f, 6 k) common wavefronts apart from them, orthonormal both; `covariance` (6 k, 6 k)
    with the prior, `scales` what that was narrowed to (`prior.FAMILIES`); `noise_px` (fields,); `fields` the
    last elimination of each channel and colour; `model` their columns.
    """

    poses: Poses
    information: FloatArray
    common: FloatArray
    waves: FloatArray
    covariance: FloatArray
    scales: tuple[float, ...]
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


@dataclass(frozen=True)
class _Search:
    """One search for poses: what stays the same from step to step."""

    label_mm: FloatArray
    prior: Prior
    pool: ThreadPoolExecutor

    def eliminated(
        self,
        parts: Sequence[_Part],
        poses: Poses,
        model: FieldColumns,
        before: Solution | None = None,
        standing: Sequence[int] = (),
        wave_degree: int = 0,
    ) -> tuple[Eliminated, ...]:
        """Return the equations at `poses`; `before` knows how large the next pupil degree may be, by its
        field `standing` for each part.
        """
        pulls = [np.zeros(model.columns.count)] * len(parts)
        if before is not None:
            own = [
                next_degree_pull(one.coefficients, one.variance, model.order, float(noise))
                for one, noise in zip(before.fields, before.noise_px, strict=True)
            ]
            pulls = [own[place] for place in standing]
        return tuple(
            self.pool.map(
                lambda part, pull: eliminate(
                    part.rays, poses, part.metric, part.weight, model, pull, wave_degree
                ),
                parts,
                pulls,
            )
        )

    def solved(
        self,
        fields: tuple[Eliminated, ...],
        poses: Poses,
        model: FieldColumns,
        *,
        narrowed: bool = True,
    ) -> Solution:
        """Return the solution of equations at `poses`; `narrowed`: the prior by what the shots say."""
        unit = self.prior.units(len(self.label_mm))
        place_mm = self.label_mm + poses.offset_mm
        common = orthonormal(similarity_vectors(place_mm), unit)
        waves = wavefront_vectors(place_mm, model.pupil_degree) / unit
        waves = orthonormal(waves - (waves @ common.T) @ common, np.ones_like(unit))
        noise_px = np.array([noise_of(one, unit, common) for one in fields])
        shares = 1.0 / noise_px**2
        matrix = sum(share * one.whole.matrix for share, one in zip(shares, fields, strict=True))
        side = sum(share * one.whole.side for share, one in zip(shares, fields, strict=True)) * unit
        information = without(matrix * np.outer(unit, unit), common)
        side = side - common.T @ (common @ side)
        here = poses.as_vectors().ravel() / unit
        weight = self.prior.weights(poses)
        found = posterior(information, side + information @ here, weight, common, waves, narrowed=narrowed)
        return Solution(
            poses=poses.moved(((found.mean - here) * unit).reshape(-1, PER_SHOT)),
            information=information,
            common=common,
            waves=waves,
            covariance=found.covariance,
            scales=found.scales,
            noise_px=noise_px,
            fields=fields,
            model=model,
        )

    def moved(self, solution: Solution, poses: Poses) -> float:
        """Return how far a solution is from `poses` at most, per its own sigma."""
        step = (solution.poses.as_vectors() - poses.as_vectors()).ravel() / self.prior.units(
            len(self.label_mm)
        )
        return float(np.max(np.abs(step) / np.sqrt(np.diagonal(solution.covariance))))

    def weighed(self, parts: Sequence[_Part], fields: Sequence[Eliminated]) -> list[_Part]:
        """Return parts with robust weights by what the fields leave of them."""
        return list(self.pool.map(lambda part, one: part.weighed(one.rest_px), parts, fields))

    def joined(
        self,
        rays: Sequence[Rays],
        few: Sequence[_Part],
        leading: Sequence[int],
        known: Sequence[_Part],
        poses: Poses,
        model: FieldColumns,
    ) -> list[_Part]:
        """Return all parts: the leading ones as known, the others weighed by fields of few samples."""
        others = [place for place in range(len(rays)) if place not in leading]
        parts = [few[place] for place in others]
        if parts:
            parts = self.weighed(parts, self.eliminated(parts, poses, model))
            fields = self.eliminated(parts, poses, model)
            parts = list(
                self.pool.map(lambda *job: _whole(*job, poses), [rays[k] for k in others], parts, fields)
            )
        found = dict(zip([*leading, *others], [*known, *parts], strict=True))
        return [found[place] for place in range(len(rays))]


def solve_poses(
    rays: Sequence[Rays],
    leads: Sequence[int],
    label_mm: FloatArray,
    prior: Prior,
    pupil_degree: int,
    /,
    *,
    threads: int = 2,
) -> Solution:
    """Return the poses of shots labelled (k, 3) mm that all `rays` agree on best.

    `leads`: the place of the channel and colour that stands for each in the first steps, itself or another of
    its channel.

    Raises
    ------
    FitError
        Too few samples of a channel and colour for any field beside the poses.

    Notes
    -----
    The first steps take the leading colours, some of the samples and a low degree: pose errors are tens of
    times the noise, so they must be out before single samples are judged and a degree is chosen. A step of
    all samples of the leading colours and the highest degree chooses it: columns that the choice leaves out
    need no other pass, and a degree is chosen for fields one by one, which colours share. Then all colours
    join, and robust weights and the pull of the next pupil degree are renewed at each step. The field is
    solved anew at each step: equations at old poses make the common motions look measured. How steps shrink
    is told by the first two, so the last is that after which another would be short.
    """
    with threadpool_limits(1, user_api="blas"), ThreadPoolExecutor(threads) as pool:
        search = _Search(label_mm, prior, pool)
        few = list(pool.map(_some, rays))
        leading = np.unique(leads)
        carried = min(pool.map(lambda k: degree_carried(rays[k].samples, HIGHEST_DEGREE), leading))
        first = _affordable(few, len(label_mm), pupil_degree, min(FIRST_DEGREE, carried))
        parts = [few[place] for place in leading]
        poses, moves = Poses.of_labels(len(label_mm)), []
        for _ in range(FIRST_STEPS):
            solution = search.solved(search.eliminated(parts, poses, first), poses, first, narrowed=False)
            moves.append(search.moved(solution, poses))
            poses = solution.poses
        bend = moves[1] / moves[0] ** 2
        parts = search.weighed(parts, solution.fields)
        solution = search.solved(search.eliminated(parts, poses, first), poses, first, narrowed=False)
        whole = [rays[place] for place in leading]
        parts = list(pool.map(lambda *job: _whole(*job, poses), whole, parts, solution.fields))
        poses = solution.poses
        widest = _affordable(parts, len(label_mm), pupil_degree, carried)
        # To choose a degree, columns alone will do.
        fields = search.eliminated(parts, poses, widest)
        model = least_score(fields, widest, prior.units(len(label_mm)), solution.common)
        places, _ = widest.nested([model])
        fields = tuple(pool.map(lambda one: one.with_columns(places), fields))
        solution = search.solved(fields, poses, model)
        parts = search.joined(rays, few, leading, search.weighed(parts, fields), solution.poses, first)
        standing = np.searchsorted(leading, leads)
        for _ in range(MOST_STEPS):
            poses, before = solution.poses, solution
            fields = search.eliminated(parts, poses, model, before, standing, pupil_degree + 1)
            solution = search.solved(fields, poses, model)
            moved = search.moved(solution, poses)
            if max(bend * moved, LEAST_SHRINK) * moved <= SETTLED:
                break
            parts, standing = search.weighed(parts, fields), np.arange(len(rays))
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


def _some(rays: Rays) -> _Part:
    """Return FIRST_SAMPLES samples at most, taken at random, in order: strides would miss whole shots."""
    count = rays.samples.count
    if count > FIRST_SAMPLES:
        keep = np.sort(np.random.default_rng(0).choice(count, FIRST_SAMPLES, replace=False))
        samples = rays.samples.take(keep)
        rays = Rays(samples, rays.unit[keep], rays.label_mm[keep], rays.shot[keep], rays.base)
    slopes = rays.base or first_expansions(replace(rays.samples, pupil=rays.samples.pupil.up_to(2)))[0]
    return _Part(rays, _metric(rays, slopes), np.ones(rays.samples.count))


def _whole(rays: Rays, few: _Part, field: Eliminated, poses: Poses) -> _Part:
    """Return all samples, weighed by the field that few of them gave at `poses`."""
    placed = rays.at(poses).samples
    metric = few.metric if few.rays is rays else _metric(rays, rays.base or field.expansion)
    rest_px = in_pixels(metric, residuals(placed, (field.expansion,)))
    return _Part(rays, metric, robust_weight(rays.samples, rest_px))


def _metric(rays: Rays, slopes: Expansion) -> FloatArray:
    """Return what turns cosine residuals into squared px, by the slopes of a rough field."""
    relative = np.median(rays.samples.sigma_px) / rays.samples.sigma_px
    return pixel_metric(rays.samples, slopes) * relative**2


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
