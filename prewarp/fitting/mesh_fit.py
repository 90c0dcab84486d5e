"""The mesh family: cubic B-splines with a curvature penalty on top of a polynomial trend.

For fields that no polynomial of an affordable degree follows: a kink where two surfaces meet, a stripe of
mid-spatial-frequency error, a panel that is not flat. Cell size, penalty and pupil degree come from the same
cross-validation as in the polynomial family.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest
from typing import cast

import numpy as np
from scipy import linalg

from prewarp.chebyshev import count_of_degree
from prewarp.checks import FloatArray
from prewarp.fitting.chebyshev import ChebyshevPanel
from prewarp.fitting.expansion import Expansion
from prewarp.fitting.outlying import colour_scales, robust_weight
from prewarp.fitting.polynomial import PolynomialFit
from prewarp.fitting.residuals import in_pixels, residuals
from prewarp.fitting.samples import CELLS, PUPIL_GROUPS, Samples
from prewarp.fitting.selection import folds, simplest_within_error
from prewarp.fitting.spline_sums import (
    BandedEquations,
    SplineColumns,
    SplineSums,
    curvature_penalty,
    sum_splines,
)
from prewarp.fitting.splines import MeshPanel, SplinePanel

# Cells across the longer side; pupil degrees; weights of the curvature penalty, stiffest first, relative to
# all samples: a wave of k periods across the panel is halved at 1 / (2 pi k)^4, so from about one period to
# one cell of the finest mesh.
CELLS_ACROSS = (6, 12, 24)
PUPIL_DEGREES = (1, 2)
DIFFERENCE_PUPIL_DEGREE = 1
PENALTIES = tuple(10.0**-power for power in (3.0, 4.5, 6.0, 7.5, 9.0, 10.5))
FIRST_PENALTY = PENALTIES[2]
# Probes of the trace that counts parameters, with a fixed seed.
PROBES = 8
# Regions across the panel in which a lack of fit is looked for, and the F ratio from which it is believed.
REGIONS = 12
LACK_OF_FIT = 1.5


@dataclass(frozen=True)
class SplineChoice:
    """Columns, penalty, solution, banded factor, mean squared error per fold, parameters that count."""

    columns: SplineColumns
    penalty: float
    solution: FloatArray
    factor: FloatArray
    scores: FloatArray
    parameters: float


@dataclass(frozen=True)
class MeshFit:
    """A polynomial trend with splines on top; fields as in `PolynomialFit`, `splines` per colour.

    `shared` is what all colours have in common; `own` what each colour has besides, None where nothing.
    """

    trend: PolynomialFit
    shared: SplineChoice
    own: tuple[SplineChoice | None, ...]
    expansions: tuple[Expansion, ...]
    parameters: int
    rest_px: FloatArray
    weight: FloatArray
    sigma_px: FloatArray
    rms_cv_px: float

    def text(self) -> str:
        """Return the choice in words, for people."""
        cells = " x ".join(str(count) for count in self.shared.columns.panel.cells)
        own = sum(choice is not None for choice in self.own)
        parts = [
            f"mesh of {cells} cells with pupil degree {self.shared.columns.pupil_degree}, "
            f"curvature penalty {self.shared.penalty:.0e}"
        ]
        if own:
            parts.append(f"{own} colours with a mesh of their own")
        return ", ".join([*parts, f"on a {self.trend.model.text()}"])


def lacks_fit(samples: Samples, rest_px: FloatArray, weight: FloatArray, /) -> bool:
    """Return whether residuals of neighbours agree more than noise would: the model lags the samples.

    An F ratio: mean residuals of panel regions (all colours, per pupil group) against the scatter of single
    samples.

    Parameters
    ----------
    samples : Samples
    rest_px : (2, n) float array
        Residuals, px.
    weight : (n,) float array
        Robust weights.
    """
    step = max(samples.panel_size_px) / REGIONS
    region = np.floor(samples.pixel / step).astype(np.int64).clip(0, REGIONS - 1)
    key = (region[:, 0] * REGIONS + region[:, 1]) * (PUPIL_GROUPS + 1) + samples.pupil_group + 1
    total = np.bincount(key, weight)
    sums = np.stack([np.bincount(key, weight * axis) for axis in rest_px])
    used = total > 0.0
    between = np.sum(sums[:, used] ** 2 / total[used]) / used.sum()
    noise = np.sum(weight * rest_px**2) / np.sum(weight)
    return bool(between > LACK_OF_FIT * noise)


def fit_mesh(samples: Samples, trend: PolynomialFit, /) -> MeshFit:
    """Fit splines to what a polynomial trend leaves over, all colours together and then each for itself."""
    highest = min(samples.pupil.degree, PUPIL_DEGREES[-1])
    metric, weight = trend.metric, trend.weight
    rest = residuals(samples, trend.expansions)
    first = _columns(samples, CELLS_ACROSS[0], min(1, highest))
    rough = _solve_one(sum_splines(first, samples, metric * weight, rest), FIRST_PENALTY)
    weight = _reweighted(samples, metric, _with_splines(trend.expansions, rough))
    shared = _choose_shared(samples, metric * weight, rest, highest)
    weight = _reweighted(samples, metric, _with_splines(trend.expansions, shared))
    fresh = _solve_one(sum_splines(shared.columns, samples, metric * weight, rest), shared.penalty)
    shared = replace(fresh, scores=shared.scores)
    own = _choose_own(samples, metric, weight, _with_splines(trend.expansions, shared), shared)
    expansions = _with_splines(trend.expansions, shared, own)
    rest_px = in_pixels(metric, residuals(samples, expansions))
    extra = shared.parameters + sum(choice.parameters for choice in own if choice is not None)
    return MeshFit(
        trend=trend,
        shared=shared,
        own=tuple(own),
        expansions=expansions,
        parameters=trend.parameters + round(extra),
        rest_px=rest_px,
        weight=robust_weight(samples, rest_px),
        sigma_px=colour_scales(samples, np.hypot(*rest_px)),
        rms_cv_px=float(np.sqrt(shared.scores.mean())),
    )


def helps(samples: Samples, mesh: MeshFit, polynomial: PolynomialFit, /) -> bool:
    """Return whether a mesh is better than a polynomial by more than one standard error, fold by fold."""
    cell = samples.key % CELLS
    total = np.bincount(cell, polynomial.weight * np.sum(polynomial.rest_px**2, axis=0), minlength=CELLS)
    count = np.bincount(cell, minlength=CELLS)
    nothing = [total[cells].sum() / count[cells].sum() for cells in folds() if count[cells].sum() > 0]
    return _is_better(mesh.shared.scores, np.array(nothing))


def _columns(samples: Samples, across: int, pupil_degree: int) -> SplineColumns:
    longer = max(samples.panel_size_px)
    cells_u, cells_v = (max(3, round(across * side / longer)) for side in samples.panel_size_px)
    return SplineColumns(
        SplinePanel(samples.panel_size_px, (cells_u, cells_v)), samples.pupil.up_to(pupil_degree)
    )


def _choose_shared(samples: Samples, weight: FloatArray, rest: FloatArray, highest: int) -> SplineChoice:
    """Choose the pupil degree on the coarsest mesh, then the cells and the penalty."""
    coarse = [
        _choose_penalty(
            sum_splines(_columns(samples, CELLS_ACROSS[0], degree), samples, weight, rest), PENALTIES
        )
        for degree in PUPIL_DEGREES
        if degree <= max(highest, PUPIL_DEGREES[0])
    ]
    best = coarse[_simplest(coarse)]
    for across in CELLS_ACROSS[1:]:
        if across > samples.points_across:
            break
        columns = _columns(samples, across, best.columns.pupil_degree)
        stiffest = max(PENALTIES.index(best.penalty) - 1, 0)
        finer = _choose_penalty(sum_splines(columns, samples, weight, rest), PENALTIES[stiffest:])
        if _simplest([best, finer]) == 0:
            break
        best = finer
    return best


def _choose_own(
    samples: Samples,
    metric: FloatArray,
    weight: FloatArray,
    expansions: tuple[Expansion, ...],
    shared: SplineChoice,
) -> list[SplineChoice | None]:
    """Choose what each colour has besides, on the same cells: stiffer, where its residuals hang together."""
    own: list[SplineChoice | None] = [None] * samples.colours
    if samples.colours == 1:
        return own
    rest = residuals(samples, expansions)
    degree = min(DIFFERENCE_PUPIL_DEGREE, shared.columns.pupil_degree)
    columns = replace(shared.columns, pupil=shared.columns.pupil.up_to(degree))
    stiffer = PENALTIES[: PENALTIES.index(shared.penalty) + 1][-3:]
    for colour in range(samples.colours):
        rows = np.flatnonzero(samples.colour == colour)
        few = samples.take(rows)
        if lacks_fit(few, in_pixels(metric[:, rows], rest[:, rows]), weight[rows]):
            sums = sum_splines(columns, few, metric[:, rows] * weight[rows], rest[:, rows])
            choice = _choose_penalty(sums, stiffer)
            nothing = [sums.target[cells].sum() / sums.samples[cells].sum() for cells in _used_folds(sums)]
            own[colour] = choice if _is_better(choice.scores, np.array(nothing)) else None
    return own


def _used_folds(sums: SplineSums) -> list[np.ndarray]:
    return [cells for cells in folds() if sums.samples[cells].sum() > 0]


def _choose_penalty(sums: SplineSums, penalties: Sequence[float]) -> SplineChoice:
    """Choose a penalty by cross-validation, from the stiffest to softer ones while the error falls."""
    everything = sums.equations()
    smooth = curvature_penalty(sums.columns) * sums.total_weight
    validations = [sums.equations(cells) for cells in _used_folds(sums)]
    scores: list[list[float]] = []
    for penalty in penalties:
        scores.append([_score(everything, validation, smooth * penalty) for validation in validations])
        if len(scores) > 1 and sum(scores[-1]) > sum(scores[-2]):
            break
    # The stiffer, the simpler.
    place = simplest_within_error(np.array(scores), range(len(scores)))
    return replace(_solve(sums, everything, penalties[place]), scores=np.array(scores[place]))


def _score(everything: BandedEquations, validation: BandedEquations, penalty: FloatArray) -> float:
    """Return the mean squared error (px^2) on samples that are left out."""
    training = everything.minus(validation)
    lower = training.factor(penalty)
    solution = linalg.cho_solve_banded((lower, True), training.side, check_finite=False)
    return max(validation.squared_residual(solution), 0.0) / validation.samples


def _solve_one(sums: SplineSums, penalty: float) -> SplineChoice:
    return _solve(sums, sums.equations(), penalty)


def _solve(sums: SplineSums, equations: BandedEquations, penalty: float) -> SplineChoice:
    columns = sums.columns
    lower = equations.factor(curvature_penalty(columns) * (penalty * sums.total_weight))
    solution = linalg.cho_solve_banded((lower, True), equations.side, check_finite=False)
    # Parameters that count: the trace of what takes the samples to the fit, from random signs (Hutchinson
    # 1990).
    signs = np.random.default_rng(0).choice([-1.0, 1.0], size=(columns.count, PROBES))
    carried = linalg.cho_solve_banded((lower, True), signs, check_finite=False)
    trace = np.mean([one @ equations.times(two) for one, two in zip(carried.T, signs.T, strict=True)])
    return SplineChoice(columns, penalty, solution, lower, np.array([]), float(trace))


def _simplest(choices: list[SplineChoice]) -> int:
    return simplest_within_error(
        np.stack([choice.scores for choice in choices]), [choice.parameters for choice in choices]
    )


def _is_better(scores: FloatArray, nothing: FloatArray) -> bool:
    """Return whether `scores` per fold are better than `nothing` by more than one standard error."""
    return simplest_within_error(np.stack([nothing, scores]), [0, 1]) == 1


def _reweighted(samples: Samples, metric: FloatArray, expansions: tuple[Expansion, ...]) -> FloatArray:
    return robust_weight(samples, in_pixels(metric, residuals(samples, expansions)))


def _with_splines(
    trend: tuple[Expansion, ...], shared: SplineChoice, own: Sequence[SplineChoice | None] = ()
) -> tuple[Expansion, ...]:
    """Return the trend's expansions, one per colour, with splines on top."""
    spline = shared.columns.panel
    result = []
    for expansion, besides in zip_longest(trend, own):
        parts = [shared] if besides is None else [shared, besides]
        smooth = expansion.panel.count
        degree = max(expansion.pupil_degree, *(part.columns.pupil_degree for part in parts))
        table = np.zeros((smooth + spline.count, count_of_degree(degree), 2))
        table[:smooth, : expansion.coefficients.shape[1]] = expansion.coefficients
        for part in parts:
            local = part.columns.coefficients(part.solution)
            table[smooth:, : local.shape[1]] += local
        result.append(
            Expansion(
                MeshPanel(cast(ChebyshevPanel, expansion.panel), spline), expansion.frame, degree, table
            )
        )
    return tuple(result)
