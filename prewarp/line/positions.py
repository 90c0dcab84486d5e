"""Where cameras stand that a unit is known best from: I-optimality.

A position is worth what it tells of the coefficients c when its pose is taken out: F = B'B / s^2 of all
dots that it sees, poses eliminated with their prior. What positions tell adds up, so the posterior covariance
of c is (1 + sum F)^-1, and what is made least is the mean posterior variance of place over field and eye box,
trace of A times covariance (I- or V-optimality: V. V. Fedorov, Theory of Optimal Experiments, 1972, from
memory). D-optimality, its determinant, would send all cameras to the corners. Positions are chosen one by
one, then exchanged as long as that helps; the number is asked for, so each number has its own best set.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import linalg

from prewarp.checks import FloatArray
from prewarp.cores import one_blas_thread
from prewarp.errors import LineError
from prewarp.field.border import distance_inside
from prewarp.frames import tangent_from_cosine
from prewarp.line.family import Family
from prewarp.line.figures import Judge
from prewarp.line.rows import PosePrior, Seen, View, view_of
from prewarp.points import box_lattice
from prewarp.poses.rays import PER_SHOT

# The eye box has fewer candidates than that.
MOST = 12
# Candidates along each axis of the eye box; where it has no depth, one there.
CANDIDATES = (5, 5, 3)
# Dots of the model along each axis of a panel; they stand for all.
_POINTS = 11
_EXCHANGES = 3
DRAWS = 60
_SEED = 8


@dataclass(frozen=True)
class PositionsSettings:
    """What is known beforehand of captures: `dots` that a view (a shot, a channel, a colour) shows,
    `noise_px` of each, sigma of one component; how far poses may be off.
    """

    dots: int = 300
    noise_px: float = 0.05
    prior: PosePrior = PosePrior()


@dataclass(frozen=True)
class Choice:
    """A number of camera positions: `positions_mm` (n, 3) chosen, `rms_px` what is claimed of place.

    `regular_px`: from a regular lattice of as many, None where there is none; `random_px` (3,): the middle,
    the best and the worst of `DRAWS` sets drawn by lot.
    """

    positions_mm: FloatArray
    rms_px: float
    regular_px: float | None
    random_px: FloatArray

    def as_dict(self) -> dict[str, object]:
        """Return the choice for machines."""
        middle, best, worst = self.random_px.tolist()
        return {
            "count": len(self.positions_mm),
            "positions_mm": self.positions_mm.tolist(),
            "rms_px": self.rms_px,
            "regular_rms_px": self.regular_px,
            "random_rms_px": {"median": middle, "best": best, "worst": worst},
        }


def choices(
    family: Family,
    most: int,
    /,
    *,
    settings: PositionsSettings = PositionsSettings(),
    progress: Callable[[str], None] = lambda text: None,
) -> tuple[Choice, ...]:
    """Return the best positions of every number from 1 to `most`.

    Raises
    ------
    LineError
        More than `MOST`, or more than the eye box has candidates.
    """
    available = int(np.prod(candidate_counts(family)))
    if not 1 <= most <= min(MOST, available):
        raise LineError(f"{most} camera positions; expected 1 to {min(MOST, available)}.")
    with one_blas_thread():
        told = Told(family, settings)
        low, high = family.pupil_box_mm
        candidates = box_lattice(low, high, candidate_counts(family))
        progress(f"what {len(candidates)} positions tell")
        every = np.stack([told.by(place) for place in candidates])
        random = np.random.default_rng(_SEED)
        found, chosen = [], list[int]()
        for count in range(1, most + 1):
            progress(f"{count} positions")
            chosen = chosen_among(told, every, chosen)
            drawn = [
                told.rms_px(every[random.choice(len(every), count, replace=False)].sum(axis=0))
                for _ in range(DRAWS)
            ]
            regular = _regular(told, family, count)
            found.append(
                Choice(
                    candidates[sorted(chosen)],
                    told.rms_px(every[chosen].sum(axis=0)),
                    regular,
                    np.array([np.median(drawn), min(drawn), max(drawn)]),
                )
            )
    return tuple(found)


class Told:
    """What camera positions tell of a family's coefficients."""

    def __init__(self, family: Family, settings: PositionsSettings) -> None:
        self.family, self.settings = family, settings
        judge = Judge.of(family)
        matrix = judge.matrix
        self.weight = 2.0 * matrix.T @ matrix / len(matrix)
        self.rest = float(np.mean(judge.rest_px**2))

    def by(self, place: FloatArray) -> FloatArray:
        """Return what a position (3,) tells, (count, count), its pose taken out."""
        family, settings = self.family, self.settings
        unknowns = family.count + PER_SHOT
        total = np.zeros((unknowns, unknowns))
        for channel in family.channels:
            for colour in family.colours:
                view = self._view(channel, colour, place)
                if view is None:
                    continue
                share = settings.dots / (0.5 * len(view.side)) / settings.noise_px**2
                total[np.ix_(view.places, view.places)] += share * (view.matrix.T @ view.matrix)
        field, pose = slice(0, family.count), slice(family.count, None)
        inner = total[pose, pose] + np.eye(PER_SHOT)
        cross = total[field, pose]
        result: FloatArray = total[field, field] - cross @ np.linalg.solve(inner, cross.T)
        return 0.5 * (result + result.T)

    def _view(self, channel: str, colour: str, place: FloatArray) -> View | None:
        own = self.family.channels[channel]
        size = np.array(own.basis.panel.size_px)
        axes = [np.linspace(0.0, 1.0, _POINTS) * length for length in size]
        pixel = np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)
        pixel = pixel[distance_inside(pixel, own.border_px) >= 0.0]
        if len(pixel) == 0:
            return None
        nominal = own.expansion(self.family.colours.index(colour))
        reference = np.broadcast_to(place[:2], (len(pixel), 2))
        for _ in range(2):
            tangent = tangent_from_cosine(nominal.values(pixel, reference).T)
            reference = place[:2] - place[2] * tangent
        seen = Seen(channel, colour, pixel, tangent, np.broadcast_to(place, (len(pixel), 3)))
        return view_of(self.family, seen, 0, self.settings.prior)

    def variance(self, told: FloatArray) -> float:
        """Return the mean posterior variance of place, px^2, of what positions tell together."""
        precision = told + np.eye(len(told))
        factor = linalg.cho_factor(precision, lower=True, check_finite=False)
        return float(np.trace(linalg.cho_solve(factor, self.weight, check_finite=False))) + self.rest

    def rms_px(self, told: FloatArray) -> float:
        """Return its root."""
        return float(np.sqrt(self.variance(told)))


def chosen_among(told: Told, every: FloatArray, before: list[int], /) -> list[int]:
    """Return the candidates of the least variance: one more than before, then exchanged."""
    chosen = [*before, -1]
    free = [len(before)]
    for turn in range(_EXCHANGES):
        changed = False
        for place in free:
            others = every[[one for k, one in enumerate(chosen) if k != place]].sum(axis=0)
            values = [told.variance(others + one) for one in every]
            best = int(np.argmin(values))
            if chosen[place] < 0 or values[best] < values[chosen[place]] * (1.0 - 1e-9):
                chosen[place], changed = best, True
        free = list(range(len(chosen)))
        if turn and not changed:
            break
    return chosen


def candidate_counts(family: Family, /) -> tuple[int, int, int]:
    """Return how many candidates there are along x, y and z."""
    half = 0.5 * np.diff(family.pupil_box_mm, axis=0)[0]
    x, y, z = (count if length > 0.0 else 1 for count, length in zip(CANDIDATES, half, strict=True))
    return x, y, z


def _regular(told: Told, family: Family, count: int) -> float | None:
    """Return what is claimed from a square lattice of so many positions over the eye box's middle plane."""
    each_way = round(np.sqrt(count))
    if each_way**2 != count:
        return None
    low, high = family.pupil_box_mm
    places = box_lattice(low, high, (each_way, each_way, 1))
    return told.rms_px(np.sum([told.by(place) for place in places], axis=0))
