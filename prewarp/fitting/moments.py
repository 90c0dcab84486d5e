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
from itertools import pairwise

import numpy as np

from prewarp.checks import FloatArray, IntArray
from prewarp.fitting.chebyshev import ChebyshevPanel, count_of_degree, exponents_of_degree, pair_products
from prewarp.fitting.pupil import column_products, pupil_columns
from prewarp.fitting.samples import CELLS, Samples

CHUNK = 4096


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
        """Return moments summed over the chosen cells; the cell axis stays, with length 1."""
        return self._with(lambda sums: sums[:, cells].sum(axis=1, keepdims=True))

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
        samples=np.zeros(cells),
    )
    add_samples(moments, samples, weight, target)
    moments.samples[...] += np.bincount(
        samples.colour * CELLS + samples.cell, minlength=np.prod(cells)
    ).reshape(cells)
    return moments


def add_samples(moments: Moments, samples: Samples, weight: FloatArray, target: FloatArray, /) -> None:
    """Add weighted samples to the sums in place; a negative weight takes them out again. Counts no samples."""
    key = samples.colour * CELLS + samples.cell
    weighted = np.stack(
        [weight[0] * target[0] + weight[1] * target[1], weight[1] * target[0] + weight[2] * target[1]]
    )
    squared = np.bincount(key, np.sum(weighted * target, axis=0), minlength=moments.target.size)
    moments.target[...] += squared.reshape(moments.target.shape)
    edges = (
        np.concatenate([[0], np.flatnonzero(np.diff(key)) + 1, [len(key)]]) if len(key) else np.zeros(1, int)
    )
    for start, stop in pairwise(edges):
        colour, cell = divmod(int(key[start]), CELLS)
        for low in range(start, stop, CHUNK):
            _add_chunk(moments, samples, weight, weighted, slice(low, min(low + CHUNK, stop)), colour, cell)


def _add_chunk(
    moments: Moments,
    samples: Samples,
    weight: FloatArray,
    weighted: FloatArray,
    part: slice,
    colour: int,
    cell: int,
) -> None:
    """Add the samples of one slice, all of one colour and cell."""
    panel_count, pupil_count = moments.linear.shape[2], moments.linear.shape[4]
    wide_panel_count, _, wide_pupil_count = moments.square.shape[2:]
    psi = samples.frame.values(samples.reference_mm[part], 2 * moments.pupil_degree)
    right = np.empty((3 * wide_pupil_count + 2 * pupil_count, part.stop - part.start))
    squares, linears = right[: 3 * wide_pupil_count], right[3 * wide_pupil_count :]
    np.multiply(weight[:, None, part], psi, out=squares.reshape(3, wide_pupil_count, -1))
    np.multiply(weighted[:, None, part], psi[:pupil_count], out=linears.reshape(2, pupil_count, -1))
    pixel = samples.pixel[part]
    if samples.shares_dots:
        first = np.concatenate([[0], np.flatnonzero(np.diff(samples.dot[part])) + 1])
        right = np.add.reduceat(right, first, axis=1)
        pixel = pixel[first]
    phi = ChebyshevPanel(samples.panel_size_px, 2 * moments.degree).values(pixel)
    sums = phi @ right.T
    moments.square[colour, cell] += sums[:, : 3 * wide_pupil_count].reshape(
        wide_panel_count, 3, wide_pupil_count
    )
    moments.linear[colour, cell] += sums[:panel_count, 3 * wide_pupil_count :].reshape(
        panel_count, 2, pupil_count
    )


@dataclass(frozen=True)
class Columns:
    """Model columns: `panel` (m,) panel function and `pupil` (m,) pupil column of each."""

    panel: IntArray
    pupil: IntArray


def normal_matrix(moments: Moments, colour: int, rows: Columns, columns: Columns, /) -> FloatArray:
    """Return A_rows^T W A_columns, (rows, columns), of one colour; moments must have one cell.

    The same object given twice says that the matrix is symmetric: half of it is then copied.
    """
    square = moments.square[colour, 0]
    flat = square.reshape(square.shape[0], -1)
    products = column_products(moments.pupil_degree, moments.half_mm)
    panel_count = count_of_degree(moments.degree)
    total = exponents_of_degree(moments.degree).sum(axis=1)
    symmetric = rows is columns
    matrix = np.zeros((len(rows.panel), len(columns.panel)))
    for pupil in np.unique(rows.pupil):
        chosen = np.flatnonzero(rows.pupil == pupil)
        # Of a symmetric matrix the blocks above the diagonal are enough.
        wanted = np.flatnonzero(columns.pupil >= pupil) if symmetric else np.arange(len(columns.pupil))
        used, place = np.unique(columns.pupil[wanted], return_inverse=True)
        row_panels = rows.panel[chosen]
        first_degree = int(total[row_panels.max()])
        contracted = flat @ products[pupil, used].reshape(len(used), -1).T
        block = pair_products(moments.degree, first_degree) @ contracted
        # Row i, column (k, p) of the block lies at ((i * panels + k) * pupils + p).
        offset = columns.panel[wanted] * len(used) + place
        block = block.reshape(-1, panel_count * len(used))
        matrix[np.ix_(chosen, wanted)] = block[row_panels[:, None], offset]
    if symmetric:
        lower = columns.pupil[:, None] > columns.pupil[None, :]
        matrix[lower] = matrix.T[lower]
    return matrix


def right_side(moments: Moments, colour: int, columns: Columns, /) -> FloatArray:
    """Return A^T W y (columns,) of one colour; moments must have one cell."""
    pupil = pupil_columns(moments.pupil_degree, moments.half_mm)
    linear = moments.linear[colour, 0]
    table = linear[:, 0] @ pupil.x.T + linear[:, 1] @ pupil.y.T
    return table[columns.panel, columns.pupil]
