"""Sums over the samples from which every polynomial model's normal equations follow, without another pass over the data.

A product of two basis functions is again a polynomial, so all normal matrices of all models up to a degree are linear in the
sums  M[p, w, m] = sum_s weight_w(s) Phi_p(u_s, v_s) Psi_m(x_s, y_s)  with Phi, Psi the Chebyshev bases of twice the
degree: a million samples become a few thousand numbers per colour and cross-validation cell. Sums add and subtract, so
leaving out a block of samples, or changing the weights of a few, costs next to nothing.

Where pupil positions share the panel points, the sum over pupils is taken first (the Kronecker structure of design's section 3;
it survives depth, weights and missing points).
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise

import numpy as np
from scipy import sparse

from prewarp.checks import FloatArray, IntArray
from prewarp.fitting.chebyshev import count_of_degree, product_terms
from prewarp.fitting.pupil import column_products, pupil_columns
from prewarp.fitting.samples import CELLS, Samples

# Samples summed at a time.
CHUNK = 8192


@dataclass(frozen=True)
class Moments:
    """Weighted sums per colour and cell.

    `square` (colours, cells, count(2 D), 3, count(2 Q)): weights xx, xy, yy; `linear` (colours, cells, count(D), 2, count(Q)):
    with the weighted target; `target` (colours, cells): sum of the weighted squared target; `samples` (colours, cells).
    """

    degree: int
    pupil_degree: int
    half_mm: tuple[float, float]
    square: FloatArray
    linear: FloatArray
    target: FloatArray
    samples: FloatArray

    def over_cells(self, cells: IntArray | slice, /) -> "Moments":
        """Return moments summed over some of the cells; the cell axis stays, with length 1."""
        return self._with(lambda sums: sums[:, cells].sum(axis=1, keepdims=True))

    def over_colours(self) -> "Moments":
        """Return moments summed over colours; the colour axis stays, with length 1."""
        return self._with(lambda sums: sums.sum(axis=0, keepdims=True))

    def up_to(self, degree: int, pupil_degree: int, /) -> "Moments":
        """Return the part of the moments that models of these degrees need: in graded order the first sums."""
        wide, pupils = count_of_degree(2 * degree), count_of_degree(2 * pupil_degree)
        return replace(
            self,
            degree=degree,
            pupil_degree=pupil_degree,
            square=self.square[:, :, :wide, :, :pupils],
            linear=self.linear[:, :, : count_of_degree(degree), :, : count_of_degree(pupil_degree)],
        )

    def _with(self, change: Callable[[FloatArray], FloatArray]) -> "Moments":
        names = ("square", "linear", "target", "samples")
        return replace(self, **{name: change(getattr(self, name)) for name in names})


def accumulate(
    samples: Samples, weight: FloatArray, target: FloatArray, /, *, degree: int, pupil_degree: int
) -> Moments:
    """Return the moments of `samples` with weights (3, n) (xx, xy, yy) and targets (2, n)."""
    cells = (samples.colours, CELLS)
    moments = Moments(
        degree=degree,
        pupil_degree=pupil_degree,
        half_mm=samples.frame.half_mm,
        square=np.zeros((*cells, count_of_degree(2 * degree), 3, count_of_degree(2 * pupil_degree))),
        linear=np.zeros((*cells, count_of_degree(degree), 2, count_of_degree(pupil_degree))),
        target=np.zeros(cells),
        samples=np.bincount(samples.key, minlength=np.prod(cells)).reshape(cells).astype(float),
    )
    add_samples(moments, samples, weight, target)
    return moments


def add_samples(moments: Moments, samples: Samples, weight: FloatArray, target: FloatArray, /) -> None:
    """Add weighted samples to the sums in place; a negative weight takes them out again. Counts no samples."""
    weighted = _weigh_targets(moments, samples, weight, target)
    square = (moments.square, weight, 2 * moments.degree, 2 * moments.pupil_degree)
    _add_products(samples, square, (moments.linear, weighted, moments.degree, moments.pupil_degree))


def with_target(moments: Moments, samples: Samples, weight: FloatArray, target: FloatArray, /) -> Moments:
    """Return the moments of the same weighted samples with other targets (2, n)."""
    other = replace(moments, linear=np.zeros_like(moments.linear), target=np.zeros_like(moments.target))
    weighted = _weigh_targets(other, samples, weight, target)
    _add_products(samples, (other.linear, weighted, other.degree, other.pupil_degree))
    return other


def _weigh_targets(moments: Moments, samples: Samples, weight: FloatArray, target: FloatArray) -> FloatArray:
    """Return the weighted targets, and add the sums of the weighted squares to the moments."""
    weighted = weighted_target(weight, target)
    squared = weighted[0] * target[0] + weighted[1] * target[1]
    added = np.bincount(samples.key, squared, minlength=moments.target.size)
    moments.target[...] += added.reshape(moments.target.shape)
    return weighted


def weighted_target(weight: FloatArray, target: FloatArray, /) -> FloatArray:
    """Return W y (2, n) for weights (3, n) (xx, xy, yy) and targets (2, n)."""
    return np.stack(
        [weight[0] * target[0] + weight[1] * target[1], weight[1] * target[0] + weight[2] * target[1]]
    )


def _add_products(samples: Samples, *jobs: tuple[FloatArray, FloatArray, int, int]) -> None:
    """Add sum_s Phi_p(s) factor_k(s) Psi_m(s) to sums, for jobs (sums (colours, cells, p, k, m), factors (k, n), degree, pupil degree).

    The first job has the highest degrees: in graded order the functions of the others are its first. Samples of one colour
    and cell lie together. Where panel points repeat, what they have in common is summed first.
    """
    key = samples.key
    edges = np.append(np.flatnonzero(np.diff(key, prepend=-1)), len(key))
    degree, pupil_degree = jobs[0][2:]
    panel = samples.panel_basis(degree)
    for start, stop in pairwise(edges):
        colour, cell = divmod(int(key[start]), CELLS)
        for low in range(start, stop, CHUNK):
            part = slice(low, min(low + CHUNK, stop))
            psi = samples.frame.values(samples.reference_mm[part], pupil_degree)
            pixel = samples.pixel[part]
            if samples.shares_dots:
                first = np.flatnonzero(np.diff(samples.dot[part], prepend=-1))
                pixel = pixel[first]
            phi = panel.values(pixel)
            for sums, factor, low_degree, low_pupil_degree in jobs:
                right = factor[:, None, part] * psi[: count_of_degree(low_pupil_degree)]
                right = right.reshape(-1, psi.shape[1])
                if samples.shares_dots:
                    right = np.add.reduceat(right, first, axis=1)
                place = sums[colour, cell]
                place += (phi[: count_of_degree(low_degree)] @ right.T).reshape(place.shape)


@lru_cache(maxsize=2048)
def _spread(degree: int, first: tuple[int, ...], second: tuple[int, ...]) -> sparse.csr_matrix:
    """Return the matrix that takes sums over the wide panel basis to sums over products of panel functions.

    Row i * len(second) + k: four entries of 1/4, the terms of first[i] * second[k] (`product_terms`).
    """
    places = product_terms(degree)[:, list(first)][:, :, list(second)].reshape(4, -1).T
    rows = len(places)
    return sparse.csr_matrix(
        (np.full(places.size, 0.25), places.ravel(), np.arange(rows + 1) * 4),
        shape=(rows, count_of_degree(2 * degree)),
    )


@dataclass(frozen=True)
class Stretch:
    """Columns that lie together in a matrix and go with one pupil column: from `start`, with these panel functions."""

    pupil: int
    start: int
    panels: tuple[int, ...]

    @property
    def span(self) -> slice:
        """Where the columns lie."""
        return slice(self.start, self.start + len(self.panels))


def stretches(panel: IntArray, pupil: IntArray, /) -> list[Stretch]:
    """Return the stretches of columns (n,) that are sorted by pupil column."""
    starts = np.flatnonzero(np.diff(pupil, prepend=-1))
    return [
        Stretch(int(pupil[start]), int(start), tuple(panel[start:stop].tolist()))
        for start, stop in pairwise([*starts, len(pupil)])
    ]


def write_products(
    matrix: FloatArray, moments: Moments, colour: int, rows: list[Stretch], columns: list[Stretch], /
) -> None:
    """Write A_rows^T W A_columns of one colour of one-cell moments into matrix (rows, columns).

    All pairs of pupil columns that go with the same panel functions are done in one sparse product. The same
    list given twice says that the matrix is symmetric: half of it is computed and mirrored.
    """
    products = column_products(moments.pupil_degree, moments.half_mm)
    symmetric = rows is columns
    groups: dict[tuple, list[tuple[Stretch, Stretch]]] = {}
    for row in rows:
        for column in columns:
            if not (symmetric and column.start < row.start):
                groups.setdefault((row.panels, column.panels), []).append((row, column))
    every = [pair for pairs in groups.values() for pair in pairs]
    wanted = products[[row.pupil for row, _ in every], [column.pupil for _, column in every]]
    flat = moments.square[colour, 0].reshape(-1, products[0, 0].size)
    sums = flat @ wanted.reshape(len(every), flat.shape[1]).T
    done = 0
    for (row_panels, column_panels), pairs in groups.items():
        blocks = _spread(moments.degree, row_panels, column_panels) @ sums[:, done : done + len(pairs)]
        done += len(pairs)
        blocks = blocks.reshape(len(row_panels), len(column_panels), len(pairs))
        for place, (row, column) in enumerate(pairs):
            matrix[row.span, column.span] = blocks[:, :, place]
            if symmetric and column is not row:
                matrix[column.span, row.span] = blocks[:, :, place].T


def right_sides(moments: Moments, colour: int, panel: IntArray, pupil: IntArray, /) -> FloatArray:
    """Return A^T W y (n,) of one colour of one-cell moments, for columns of these panel functions and pupil columns (n,)."""
    table = pupil_columns(moments.pupil_degree, moments.half_mm)
    linear = moments.linear[colour, 0]
    return (linear[:, 0] @ table.x.T + linear[:, 1] @ table.y.T)[panel, pupil]
