"""Analysis of variance: sums of squares of groups, and of a crossed balanced study of two factors.

Means are taken out before anything is squared, in two passes (after Chan, Golub and LeVeque, The American
Statistician 37, 1983, 242, from memory), so that a large common constant costs no digits that the numbers
themselves hold.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from prewarp.checks import FloatArray
from prewarp.errors import ShapeError


@dataclass(frozen=True)
class OneWay:
    """One-way analysis of variance: what lies between groups, and within them.

    `between`, `within`: sums of squares; `between_freedom`, `within_freedom`: their degrees of freedom.
    """

    between: float
    within: float
    between_freedom: int
    within_freedom: int

    @property
    def f(self) -> float:
        """Ratio of the mean squares; infinite where nothing varies within groups."""
        mean = self.within / self.within_freedom
        return (self.between / self.between_freedom) / mean if mean > 0.0 else np.inf

    @property
    def p(self) -> float:
        """Chance of an F at least as large where all groups have one mean."""
        return float(special.fdtrc(self.between_freedom, self.within_freedom, self.f))

    @property
    def r_squared(self) -> float:
        """Share of the sum of squares that lies between groups."""
        return self.between / (self.between + self.within)

    @property
    def residual_sigma(self) -> float:
        """Standard deviation within groups."""
        return float(np.sqrt(self.within / self.within_freedom))


def one_way(groups: Sequence[ArrayLike], /) -> OneWay:
    """Return the one-way analysis of variance of two or more groups of numbers.

    Raises
    ------
    ShapeError
        Fewer than two groups, an empty one, no group of two, or numbers that are not finite.
    """
    arrays = [np.asarray(one, dtype=float).reshape(-1) for one in groups]
    count = sum(len(one) for one in arrays)
    if len(arrays) < 2 or not all(len(one) for one in arrays) or count <= len(arrays):
        raise ShapeError(
            f"{len(arrays)} groups of {count} numbers; expected two groups or more, none empty, and more "
            "numbers than groups."
        )
    whole = np.concatenate(arrays)
    _require_finite(whole)
    origin = float(whole[0])
    arrays = [one - origin for one in arrays]
    mean = centre(np.concatenate(arrays))
    means = [centre(one) for one in arrays]
    between = sum(len(one) * (own - mean) ** 2 for one, own in zip(arrays, means, strict=True))
    within = sum(float(np.sum((one - own) ** 2)) for one, own in zip(arrays, means, strict=True))
    return OneWay(float(between), within, len(arrays) - 1, count - len(arrays))


@dataclass(frozen=True)
class Crossed:
    """Sums of squares of a study in which every appraiser measures every part, each several times.

    `part`, `appraiser`, `interaction`, `repeat`: sums of squares; `parts`, `appraisers`, `trials`: counts.
    With one appraiser the sums of `appraiser` and `interaction` are 0.
    """

    part: float
    appraiser: float
    interaction: float
    repeat: float
    parts: int
    appraisers: int
    trials: int

    def __post_init__(self) -> None:
        if self.parts < 2 or self.appraisers < 1 or self.trials < 2:
            raise ShapeError(
                f"{self.parts} parts, {self.appraisers} appraisers, {self.trials} trials; expected at least "
                "2 parts, 1 appraiser and 2 trials each."
            )

    @property
    def total(self) -> float:
        """All of the sum of squares."""
        return self.part + self.appraiser + self.interaction + self.repeat

    @property
    def part_freedom(self) -> int:
        """Degrees of freedom of parts."""
        return self.parts - 1

    @property
    def appraiser_freedom(self) -> int:
        """Degrees of freedom of appraisers."""
        return self.appraisers - 1

    @property
    def interaction_freedom(self) -> int:
        """Degrees of freedom of the interaction of both."""
        return self.part_freedom * self.appraiser_freedom

    @property
    def repeat_freedom(self) -> int:
        """Degrees of freedom of repeats."""
        return self.parts * self.appraisers * (self.trials - 1)


def crossed(values: ArrayLike, /) -> Crossed:
    """Return the sums of squares of values (parts, appraisers, trials), all there.

    Raises
    ------
    ShapeError
        Another shape, too few of something, or numbers that are not finite.
    """
    array = np.asarray(values, dtype=float)
    if array.ndim != 3 or 0 in array.shape:
        raise ShapeError(f"values have shape {array.shape}; expected (parts, appraisers, trials).")
    _require_finite(array)
    array = array - array[0, 0, 0]
    array = array - centre(array)
    cell = array.mean(axis=2, keepdims=True)
    part, appraiser = cell.mean(axis=1, keepdims=True), cell.mean(axis=0, keepdims=True)
    parts, appraisers, trials = array.shape
    return Crossed(
        part=float(appraisers * trials * np.sum(part**2)),
        appraiser=float(parts * trials * np.sum(appraiser**2)),
        interaction=float(trials * np.sum((cell - part - appraiser) ** 2)),
        repeat=float(np.sum((array - cell) ** 2)),
        parts=parts,
        appraisers=appraisers,
        trials=trials,
    )


def centre(values: FloatArray, /) -> float:
    """Return the mean, its own rounding taken out by a second pass."""
    first = float(np.mean(values))
    return first + float(np.mean(values - first))


def _require_finite(values: FloatArray) -> None:
    if not np.isfinite(values).all():
        raise ShapeError(
            f"{int((~np.isfinite(values)).sum())} values are not finite numbers. Leave them out."
        )
