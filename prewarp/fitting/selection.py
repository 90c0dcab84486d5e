"""Choice of model by block cross-validation, taking the simplest model within one standard error of the best.

Blocks are whole pupil positions and, apart from them, whole regions of dots. The standard error is that of the paired
difference to the best model over the blocks (Breiman et al., Classification and Regression Trees, 1984, the
one-standard-error rule; pairing is derived here: it removes what all models have in common).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from prewarp.checks import FloatArray, IntArray
from prewarp.fitting.leastsquares import NormalEquations, assemble, factor
from prewarp.fitting.models import JointColumns, PolynomialModel, columns_of, nested_order
from prewarp.fitting.moments import Moments
from prewarp.fitting.samples import DOT_GROUPS, PUPIL_GROUPS

# No panel, camera or eye resolves this; between models that both reach it the simpler is taken. Pixels, RMS.
RESOLUTION_PX = 1e-4


@dataclass(frozen=True)
class Choice:
    """The chosen model, its place in the chain, and the cross-validated RMS error (px) of every model of the chain."""

    model: PolynomialModel
    place: int
    rms_px: FloatArray


def folds() -> list[IntArray]:
    """Return the cells that each fold leaves out: pupil groups first, then dot groups."""
    cells = np.arange((PUPIL_GROUPS + 1) * DOT_GROUPS).reshape(PUPIL_GROUPS + 1, DOT_GROUPS)
    return [cells[1 + group] for group in range(PUPIL_GROUPS)] + [
        cells[:, group] for group in range(DOT_GROUPS)
    ]


def simplest_within_error(scores: FloatArray, parameters: Sequence[int], /) -> int:
    """Return the place of the simplest of the models whose scores (models, folds) are within one standard error.

    Scores are mean squared errors per fold; they are compared fold by fold.
    """
    mean = scores.mean(axis=1)
    best = int(np.argmin(mean))
    difference = scores - scores[best]
    error = difference.std(axis=1, ddof=1) / np.sqrt(scores.shape[1])
    acceptable = (difference.mean(axis=1) <= error) | (mean <= RESOLUTION_PX**2)
    acceptable[best] = True
    candidates = np.flatnonzero(acceptable)
    return int(candidates[np.argmin(np.asarray(parameters)[candidates])])


@dataclass(frozen=True)
class FoldEquations:
    """Normal equations of one set of columns for all samples and for what each fold leaves out.

    Every model whose columns are among these is a choice of rows and columns: nothing is summed again.
    """

    columns: JointColumns
    basis_pupil_degree: int
    total: NormalEquations
    left_out: tuple[NormalEquations, ...]

    def cross_validate(self, chain: Sequence[PolynomialModel], /) -> tuple[FloatArray, list[int]]:
        """Return mean squared errors (models, folds) in px^2 per sample of nested models, and their column counts.

        One factorisation per fold serves the whole chain: the factor of a leading block is the leading block of the factor.
        """
        order, lengths = nested_order(self.columns, chain, basis_pupil_degree=self.basis_pupil_degree)
        everything = self.total.take(order)
        scores = []
        for fold in self.left_out:
            validation = fold.take(order)
            training = factor(everything.minus(validation))
            scores.append(
                [
                    validation.squared_residual(training.solve(length)) / validation.samples
                    for length in lengths
                ]
            )
        return np.maximum(np.array(scores).T, 0.0), lengths

    def choose(self, *chains: Sequence[PolynomialModel]) -> Choice:
        """Return the simplest adequate model of one or more nested chains (each simplest first)."""
        results = [self.cross_validate(chain) for chain in chains]
        models = [model for chain in chains for model in chain]
        scores = np.concatenate([scores for scores, _ in results])
        parameters = [length for _, lengths in results for length in lengths]
        place = simplest_within_error(scores, parameters)
        return Choice(models[place], place, np.sqrt(scores.mean(axis=1)))

    def explains_little(self, smaller: PolynomialModel, larger: PolynomialModel, /) -> bool:
        """Return whether the columns that `larger` has beyond `smaller` explain no more than a few times what noise would.

        An F ratio on all samples: a quick look where cross-validation would hardly ever choose the larger model.
        """
        order, lengths = nested_order(
            self.columns, [smaller, larger], basis_pupil_degree=self.basis_pupil_degree
        )
        solver = factor(self.total.take(order))
        few, many = (
            solver.equations.squared_residual(solver.solve(length, refinements=1)) for length in lengths
        )
        freedom = max(2.0 * self.total.samples - lengths[1], 1.0)
        return (few - many) / max(lengths[1] - lengths[0], 1) < 4.0 * max(many, 1e-300) / freedom


def fold_equations(moments: Moments, model: PolynomialModel, /) -> FoldEquations:
    """Return the equations of the columns of `model` for all folds."""
    columns = columns_of(model, moments.square.shape[0], basis_pupil_degree=moments.pupil_degree)
    equations = [assemble(moments.over_cells(cells), columns) for cells in folds()]
    # The dot groups make up all samples, each once.
    total = equations[PUPIL_GROUPS]
    for part in equations[PUPIL_GROUPS + 1 :]:
        total = total.plus(part)
    return FoldEquations(
        columns, moments.pupil_degree, total, tuple(part for part in equations if part.samples > 0)
    )
