"""Choice of model by block cross-validation and by the generalised score of all samples.

Blocks are whole pupil positions and, apart from them, whole regions of dots. The standard error is that of
the paired difference to the best model over the blocks (Breiman et al., Classification and Regression Trees,
1984, the one-standard-error rule; pairing is derived here: it removes what all models have in common).

One factor of all samples' equations gives the residual sum of squares of every model of a nested chain. Only
models up to the one with the least generalised score are cross-validated: that score takes samples for
independent, so it errs to the large side.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from prewarp.checks import FloatArray, IntArray
from prewarp.fitting.leastsquares import Factor, NormalEquations, assemble, factor
from prewarp.fitting.models import JointColumns, PolynomialModel, columns_of, nested_order
from prewarp.fitting.moments import Moments
from prewarp.fitting.samples import CELLS, DOT_GROUPS, PUPIL_GROUPS

# No panel, camera or eye resolves this; between models that both reach it the simpler is taken. Pixels, RMS.
RESOLUTION_PX = 1e-4
# Relative difference of two scores that is rounding.
ROUNDING = 1e-6
# A step that explains less than this many times what noise would does not pay in the error of prediction.
WORTH_TRYING = 2.0
# A step that explains more than this many times what noise would is taken without a look at the simpler
# model.
SURELY_WORTH = 4.0


@dataclass(frozen=True)
class Choice:
    """The chosen model and its cross-validated RMS error, px."""

    model: PolynomialModel
    rms_px: float


@dataclass(frozen=True)
class Split:
    """One-cell moments of all samples, and of what each fold leaves out, if anything."""

    whole: Moments
    left_out: tuple[Moments, ...]


def split(moments: Moments, /) -> Split:
    """Return moments that have the cross-validation cells, put together by folds."""
    parts = (moments.over_cells(cells) for cells in folds())
    return Split(moments.over_cells(slice(None)), tuple(part for part in parts if part.samples.sum() > 0))


def folds() -> list[IntArray]:
    """Return the cells that each fold leaves out: pupil groups first, then dot groups."""
    cells = np.arange(CELLS).reshape(PUPIL_GROUPS + 1, DOT_GROUPS + 1)
    return [cells[1 + group] for group in range(PUPIL_GROUPS)] + [
        cells[:, 1 + group] for group in range(DOT_GROUPS)
    ]


def simplest_within_error(scores: FloatArray, parameters: Sequence[float], /) -> int:
    """Return the place of the simplest model whose scores (models, folds) are within one standard error.

    Scores are mean squared errors per fold; they are compared fold by fold.
    """
    mean = scores.mean(axis=1)
    best = int(np.argmin(mean))
    difference = scores - scores[best]
    as_good = difference.mean(axis=1) <= np.maximum(_standard_error(difference), ROUNDING * mean[best])
    acceptable = as_good | (mean <= RESOLUTION_PX**2)
    acceptable[best] = True
    candidates = np.flatnonzero(acceptable)
    return int(candidates[np.argmin(np.asarray(parameters)[candidates])])


def _standard_error(difference: FloatArray) -> FloatArray:
    """Return the standard error of means over the last axis, the folds; one fold alone has none: 0."""
    folds = difference.shape[-1]
    return difference.std(axis=-1, ddof=1) / np.sqrt(folds) if folds > 1 else np.zeros(difference.shape[:-1])


def choose(moments: Split, *chains: Sequence[PolynomialModel]) -> Choice:
    """Return the adequate model of one or more nested chains (each simplest first).

    The chain with the least generalised cross-validation score (Craven and Wahba, Numerische Mathematik 31,
    1979) is cross-validated, up to the model that has it; see `best_supported`.
    """
    factored = [_factor_chain(moments.whole, chain) for chain in chains]
    left_over = [_left_over(solver, lengths) for solver, _, lengths in factored]
    generalised = [rest / freedom**2 for rest, freedom in left_over]
    best = int(np.argmin([scores.min() for scores in generalised]))
    chain, (solver, columns, lengths) = chains[best], factored[best]
    kept = slice(0, int(np.argmin(generalised[best])) + 1)
    columns = columns.take(np.arange(lengths[kept][-1]))
    scores = _cross_validate(moments.left_out, solver, columns, lengths[kept])
    rest, freedom = (values[kept] for values in left_over[best])
    place = best_supported(scores, rest, freedom, lengths[kept])
    return Choice(chain[place], float(np.sqrt(scores[place].mean())))


def best_supported(
    scores: FloatArray, rest: FloatArray, freedom: FloatArray, parameters: Sequence[int], /
) -> int:
    """Return the place of the model to take.

    A handful of folds cannot see a term of a tenth of the noise, thousands of samples can. Of the models
    larger than the simplest adequate one, the largest is taken that pays (what it explains beyond that one is
    more than twice what noise would, and one standard deviation of that), if the folds do not find it worse
    by more than their standard error.

    Parameters
    ----------
    scores : (models, folds) float array
        Mean squared errors of what each fold leaves out, px^2.
    rest, freedom : (models,) float arrays
        Residual sum of squares of all samples and its degrees of freedom.
    parameters : sequence of int
        Columns of each model, rising.
    """
    simplest = simplest_within_error(scores, parameters)
    if scores[simplest].mean() <= RESOLUTION_PX**2:
        return simplest
    noise = rest[-1] / freedom[-1]
    for place in range(len(scores) - 1, simplest, -1):
        more = parameters[place] - parameters[simplest]
        explained = (rest[simplest] - rest[place]) / noise
        pays = explained > WORTH_TRYING * more + np.sqrt(2.0 * more)
        difference = scores[place] - scores[simplest]
        if pays and difference.mean() <= _standard_error(difference):
            return place
    return simplest


def worth_of(moments: Moments, smaller: PolynomialModel, larger: PolynomialModel, /) -> float:
    """Return how many times more what `larger` adds to `smaller` explains than as many columns of noise.

    A quick look where cross-validation would hardly ever choose the larger model: see `WORTH_TRYING` and
    `SURELY_WORTH`.
    """
    return weighed(moments, [smaller, larger])[0]


def weighed(moments: Moments, chain: Sequence[PolynomialModel], /) -> tuple[float, int]:
    """Return `worth_of` the last model of a nested chain beside the first; the place of the least score."""
    solver, _, lengths = _factor_chain(moments, chain)
    rest, freedom = _left_over(solver, lengths)
    more = max(lengths[-1] - lengths[0], 1)
    worth = (rest[0] - rest[-1]) / more / (rest[-1] / freedom[-1])
    return float(worth), int(np.argmin(rest / freedom**2))


def _left_over(solver: Factor, lengths: Sequence[int]) -> tuple[FloatArray, FloatArray]:
    """Return the residual sum of squares of every model of the chain, and its degrees of freedom."""
    equations = solver.equations
    explained = np.concatenate([[0.0], np.cumsum(solver.forward**2)])[np.asarray(lengths)]
    # Below the second term the difference is rounding.
    rest = np.maximum(equations.target - explained, max(1e-15 * equations.target, 1e-300))
    return rest, np.maximum(2.0 * equations.samples - np.asarray(lengths), 1.0)


def _factor_chain(
    moments: Moments, chain: Sequence[PolynomialModel]
) -> tuple[Factor, JointColumns, list[int]]:
    """Return the factor of all samples' equations, columns with each model a prefix, and the lengths."""
    universe = columns_of(chain[-1], moments.samples.shape[0], moments.pupil)
    order, lengths = nested_order(universe, chain, moments.pupil)
    columns = universe.take(order)
    return factor(assemble(moments, columns)), columns, lengths


def _cross_validate(
    left_out: Sequence[Moments], solver: Factor, columns: JointColumns, lengths: Sequence[int]
) -> FloatArray:
    """Return mean squared errors (models, folds) in px^2 per sample of nested models.

    One factorisation per fold serves the whole chain: the factor of a leading block is the leading block of
    the factor.
    """
    everything = solver.equations.leading(columns.count)
    scores = [_errors_of_fold(moments, everything, columns, lengths) for moments in left_out]
    return np.maximum(np.array(scores).T, 0.0)


def _errors_of_fold(
    moments: Moments, everything: NormalEquations, columns: JointColumns, lengths: Sequence[int]
) -> FloatArray:
    """Return mean squared errors (models,) of what one fold leaves out; its matrices go with it."""
    validation = assemble(moments, columns)
    training = factor(everything.minus(validation))
    return validation.squared_residual(training.solve_each(lengths)) / validation.samples
