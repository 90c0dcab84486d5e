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

    def over_cells(self, *groups: IntArray | slice) -> "Moments":
        """Return moments summed over each group of cells: the new cells."""
        return self._with(lambda sums: np.stack([sums[:, cells].sum(axis=1) for cells in groups], axis=1))

    def over_colours(self) -> "Moments":
        """Return moments summed over colours; the colour axis stays, with length 1."""
        return self._with(lambda sums: sums.sum(axis=0, keepdims=True))

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
    _add_products(moments.square, samples, weight, 2 * moments.degree, 2 * moments.pupil_degree)
    _add_targets(moments, samples, weight, target)


def with_target(moments: Moments, samples: Samples, weight: FloatArray, target: FloatArray, /) -> Moments:
    """Return the moments of the same weighted samples with other targets (2, n)."""
    other = replace(moments, linear=np.zeros_like(moments.linear), target=np.zeros_like(moments.target))
    _add_targets(other, samples, weight, target)
    return other


def _add_targets(moments: Moments, samples: Samples, weight: FloatArray, target: FloatArray) -> None:
    """Add what depends on the targets."""
    weighted = weighted_target(weight, target)
    squared = np.bincount(samples.key, np.sum(weighted * target, axis=0), minlength=moments.target.size)
    moments.target[...] += squared.reshape(moments.target.shape)
    _add_products(moments.linear, samples, weighted, moments.degree, moments.pupil_degree)


def weighted_target(weight: FloatArray, target: FloatArray, /) -> FloatArray:
    """Return W y (2, n) for weights (3, n) (xx, xy, yy) and targets (2, n)."""
    return np.stack(
        [weight[0] * target[0] + weight[1] * target[1], weight[1] * target[0] + weight[2] * target[1]]
    )


def _add_products(
    sums: FloatArray, samples: Samples, factor: FloatArray, degree: int, pupil_degree: int
) -> None:
    """Add sum_s Phi_p(s) factor_k(s) Psi_m(s) to sums (colours, cells, p, k, m), for factors (k, n).

    Samples of one colour and cell lie together. Where panel points repeat, what they have in common is summed first.
    """
    key = samples.key
    edges = np.append(np.flatnonzero(np.diff(key, prepend=-1)), len(key))
    for start, stop in pairwise(edges):
        colour, cell = divmod(int(key[start]), CELLS)
        place = sums[colour, cell]
        for low in range(start, stop, CHUNK):
            part = slice(low, min(low + CHUNK, stop))
            psi = samples.frame.values(samples.reference_mm[part], pupil_degree)
            right = (factor[:, None, part] * psi).reshape(-1, psi.shape[1])
            pixel = samples.pixel[part]
            if samples.shares_dots:
                first = np.flatnonzero(np.diff(samples.dot[part], prepend=-1))
                right = np.add.reduceat(right, first, axis=1)
                pixel = pixel[first]
            phi = samples.panel_basis(degree).values(pixel)
            place += (phi @ right.T).reshape(place.shape)


@dataclass(frozen=True)
class Columns:
    """Model columns of one block: `panel` (k,) panel function, `pupil` (k,) pupil column, `place` (k,) among all columns."""

    panel: IntArray
    pupil: IntArray
    place: IntArray

    def by_pupil(self) -> list[tuple[int, IntArray, tuple[int, ...]]]:
        """Return (pupil column, places of the columns that have it, their panel functions), in rising order."""
        order = np.argsort(self.pupil, kind="stable")
        starts = np.flatnonzero(np.diff(self.pupil[order], prepend=-1))
        return [
            (int(self.pupil[part[0]]), self.place[part], tuple(self.panel[part].tolist()))
            for part in np.split(order, starts[1:])
            if len(part)
        ]

    def places_of(self, others: "Columns", /) -> IntArray:
        """Return the places here of the other block's columns, all of which must be in this block as well."""
        width = int(max(self.pupil.max(initial=0), others.pupil.max(initial=0))) + 1
        own, wanted = self.panel * width + self.pupil, others.panel * width + others.pupil
        order = np.argsort(own)
        return self.place[order[np.searchsorted(own, wanted, sorter=order)]]


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


def write_normal_matrices(
    matrix: FloatArray, moments: Moments, colour: int, rows: Columns, columns: Columns, /
) -> None:
    """Write A_rows^T W A_columns of one colour, and its mirror image, into matrix (cells, m, m) for every cell of the moments.

    All pairs of pupil columns that go with the same panel functions, and all cells, are done in one sparse product. The same
    object given twice says that the block lies on the diagonal: half of it is then enough.
    """
    square = moments.square[colour]
    cells, wide_count = square.shape[:2]
    products = column_products(moments.pupil_degree, moments.half_mm)
    symmetric = rows is columns
    groups: dict[tuple, list[tuple[int, IntArray, int, IntArray]]] = {}
    column_sets = columns.by_pupil()
    for first, chosen, row_panels in column_sets if symmetric else rows.by_pupil():
        for second, wanted, column_panels in column_sets:
            if not (symmetric and second < first):
                pair = (first, chosen, second, wanted)
                groups.setdefault((row_panels, column_panels), []).append(pair)
    flat = square.reshape(cells * wide_count, -1)
    for (row_panels, column_panels), pairs in groups.items():
        wanted_products = products[[pair[0] for pair in pairs], [pair[2] for pair in pairs]]
        sums = (flat @ wanted_products.reshape(len(pairs), -1).T).reshape(cells, wide_count, len(pairs))
        sums = np.ascontiguousarray(sums.transpose(1, 2, 0)).reshape(wide_count, -1)
        blocks = _spread(moments.degree, row_panels, column_panels) @ sums
        blocks = blocks.reshape(len(row_panels), len(column_panels), len(pairs), cells)
        # Writing to scattered places is quick only from memory in order.
        blocks = np.ascontiguousarray(blocks.transpose(2, 3, 0, 1))
        for block, (first, chosen, second, wanted) in zip(blocks, pairs, strict=True):
            matrix[:, chosen[:, None], wanted] = block
            if not symmetric or second > first:
                matrix[:, wanted[:, None], chosen] = block.swapaxes(1, 2)


def right_sides(moments: Moments, colour: int, columns: Columns, /) -> FloatArray:
    """Return A^T W y (cells, columns) of one colour for every cell of the moments."""
    pupil = pupil_columns(moments.pupil_degree, moments.half_mm)
    linear = moments.linear[colour]
    table = linear[:, :, 0] @ pupil.x.T + linear[:, :, 1] @ pupil.y.T
    return table[:, columns.panel, columns.pupil]
