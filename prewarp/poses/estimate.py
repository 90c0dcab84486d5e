"""Gauss-Newton for the poses of all shots, with the field of every channel and colour eliminated."""

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from prewarp.checks import FloatArray
from prewarp.cores import one_blas_thread
from prewarp.fitting.gaps import degree_carried
from prewarp.fitting.residuals import in_pixels
from prewarp.poses.choice import least_score, noise_of
from prewarp.poses.columns import FieldColumns
from prewarp.poses.elimination import Eliminated, eliminate, solve_field
from prewarp.poses.gauge import orthonormal, similarity_vectors, wavefront_vectors, without
from prewarp.poses.parts import Part, affordable, some_of
from prewarp.poses.prior import Prior, posterior
from prewarp.poses.rays import PER_SHOT, Poses, Rays
from prewarp.poses.truncation import next_degree_pull

# Total degree of the first steps, which take some of the samples, and the highest that is tried.
FIRST_DEGREE, HIGHEST_DEGREE = 10, 13
FIRST_STEPS, MOST_STEPS = 2, 7
# Steps end when the next would move no number by more than this share of its own sigma. Gauss-Newton steps
# shrink as their squares do, but to no less than this share, for what weights and pulls change besides.
SETTLED, LEAST_SHRINK = 0.2, 0.1


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
class _Search:
    """One search for poses: what stays the same from step to step."""

    label_mm: FloatArray
    prior: Prior
    pool: ThreadPoolExecutor

    def eliminated(
        self,
        parts: Sequence[Part],
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

    def weighed(self, parts: Sequence[Part], fields: Sequence[Eliminated]) -> list[Part]:
        """Return parts with robust weights by what the fields leave of them."""
        return list(self.pool.map(lambda part, one: part.weighed(one.rest_px), parts, fields))

    def joined(
        self,
        rays: Sequence[Rays],
        few: Sequence[Part],
        known: Mapping[int, Part],
        poses: Poses,
        model: FieldColumns,
    ) -> list[Part]:
        """Return all parts: those known by place, the others weighed by fields of few of their samples."""
        others = [place for place in range(len(rays)) if place not in known]

        def one(place: int) -> Part:
            part, pull = few[place], np.zeros(model.columns.count)
            for _ in range(2):
                field = solve_field(part.rays, poses, part.metric * part.weight, model, pull)
                part = part.weighed(in_pixels(part.metric, field.rest))
            return part.whole(rays[place], field.expansion, poses)

        found = {**known, **dict(zip(others, self.pool.map(one, others), strict=True))}
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
    with one_blas_thread(), ThreadPoolExecutor(threads) as pool:
        search = _Search(label_mm, prior, pool)
        few = list(pool.map(some_of, rays))
        leading = sorted(set(leads))
        carried = min(pool.map(lambda k: degree_carried(rays[k].samples, HIGHEST_DEGREE), leading))
        first = affordable(few, len(label_mm), pupil_degree, min(FIRST_DEGREE, carried))
        parts = [few[place] for place in leading]
        poses, moves = Poses.of_labels(len(label_mm)), []
        for _ in range(FIRST_STEPS):
            solution = search.solved(search.eliminated(parts, poses, first), poses, first, narrowed=False)
            moves.append(search.moved(solution, poses))
            poses = solution.poses
        bend = moves[1] / max(moves[0], 1e-9) ** 2
        parts = search.weighed(parts, solution.fields)
        solution = search.solved(search.eliminated(parts, poses, first), poses, first, narrowed=False)
        parts = list(
            pool.map(
                lambda place, part, field: part.whole(rays[place], field.expansion, poses),
                leading,
                parts,
                solution.fields,
            )
        )
        poses = solution.poses
        widest = affordable(parts, len(label_mm), pupil_degree, carried)
        # To choose a degree, columns alone will do.
        fields = search.eliminated(parts, poses, widest)
        model = least_score(fields, widest, prior.units(len(label_mm)), solution.common)
        places, _ = widest.nested([model])
        fields = tuple(pool.map(lambda one: one.with_columns(places), fields))
        solution = search.solved(fields, poses, model)
        known = dict(zip(leading, search.weighed(parts, fields), strict=True))
        parts = search.joined(rays, few, known, solution.poses, first)
        standing = [leading.index(place) for place in leads]
        for _ in range(MOST_STEPS):
            poses, before = solution.poses, solution
            fields = search.eliminated(parts, poses, model, before, standing, pupil_degree + 1)
            solution = search.solved(fields, poses, model)
            moved = search.moved(solution, poses)
            if max(bend * moved, LEAST_SHRINK) * moved <= SETTLED:
                break
            parts, standing = search.weighed(parts, fields), list(range(len(rays)))
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
