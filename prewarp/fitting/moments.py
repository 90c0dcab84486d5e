"""Sums over the samples from which every polynomial model's normal equations follow.

A product of two basis functions is again a polynomial, so all normal matrices of all models up to a degree
are linear in the sums  M[p, w, m] = sum_s weight_w(s) Phi_p(u_s, v_s) Psi_m(x_s, y_s)  with Phi, Psi the
Chebyshev bases of twice the degree: a million samples become a few thousand numbers per colour and
cross-validation cell. Sums add and subtract, so leaving out a block of samples, or changing the weights of a
few, costs next to nothing.

Where pupil positions share the panel points, the sum over pupils is taken first (a Kronecker structure that
survives depth, weights and missing points).
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise

import numpy as np
from scipy import sparse

from prewarp.chebyshev import count_of_degree
from prewarp.checks import FloatArray, IntArray
from prewarp.fitting.chebyshev import exponents_up_to, product_terms
from prewarp.fitting.pupil import PupilColumns
from prewarp.fitting.samples import CELLS, Samples

# Weights (3, n) xx, xy, yy; or a metric (3, n) and what it is weighted by (n,), multiplied some at a time: of
# millions of samples the product is not kept.
Weights = FloatArray | tuple[FloatArray, FloatArray]
# What gives factors (k, m) of some samples.
Factors = Callable[[slice], FloatArray]
# Samples summed at a time.
CHUNK = 8192
# Degrees over the pupil summed at a time: few enough that high ones go without high panel degrees, enough for
# matrix products.
BAND = 3


@dataclass(frozen=True)
class Moments:
    """Weighted sums per colour and cell.

    `square` (colours, cells, count(2 D), 3, count(2 Q)): weights xx, xy, yy; `linear` (colours, cells,
    count(D), 2, count(Q)): with the weighted target; `target` (colours, cells): sum of the weighted squared
    target; `samples` (colours, cells).
    `pupil`: the columns over the pupil. `product_degrees`: sums of `square` are there up to these panel
    degrees, by degree over the pupil; the others are 0.
    """

    degree: int
    pupil: PupilColumns
    product_degrees: tuple[int, ...]
    square: FloatArray
    linear: FloatArray
    target: FloatArray
    samples: FloatArray

    @property
    def pupil_degree(self) -> int:
        """Highest degree over the pupil of the columns."""
        return self.pupil.degree

    @property
    def degrees(self) -> tuple[int, ...]:
        """Panel degrees of the sums of `linear`, by degree over the pupil."""
        return (self.degree,) * (self.pupil_degree + 1)

    def over_cells(self, cells: IntArray | slice, /) -> "Moments":
        """Return moments summed over some of the cells; the cell axis stays, with length 1."""
        return self._with(lambda sums: sums[:, cells].sum(axis=1, keepdims=True))

    def over_colours(self) -> "Moments":
        """Return moments summed over colours; the colour axis stays, with length 1."""
        return self._with(lambda sums: sums.sum(axis=0, keepdims=True))

    def up_to(self, degree: int, pupil_degree: int, /) -> "Moments":
        """Return the part that models of these degrees need: in graded order the first sums."""
        wide, pupils = count_of_degree(2 * degree), count_of_degree(2 * pupil_degree)
        return replace(
            self,
            degree=degree,
            pupil=self.pupil.up_to(pupil_degree),
            product_degrees=self.product_degrees[: 2 * pupil_degree + 1],
            square=self.square[:, :, :wide, :, :pupils],
            linear=self.linear[:, :, : count_of_degree(degree), :, : count_of_degree(pupil_degree)],
        )

    def _with(self, change: Callable[[FloatArray], FloatArray]) -> "Moments":
        return replace(
            self,
            square=change(self.square),
            linear=change(self.linear),
            target=change(self.target),
            samples=change(self.samples),
        )


def accumulate(
    samples: Samples,
    weight: Weights,
    target: FloatArray,
    /,
    *,
    degree: int,
    pupil_degree: int,
    product_degrees: tuple[int, ...] | None = None,
) -> Moments:
    """Return the moments of `samples` with weights (3, n) (xx, xy, yy) and targets (2, n).

    `product_degrees`: the highest panel degree that goes with each degree over the pupil in products of two
    columns, 0 .. 2 * pupil_degree; twice `degree` where not given.
    """
    cells = (samples.colours, CELLS)
    moments = Moments(
        degree=degree,
        pupil=samples.pupil.up_to(pupil_degree),
        product_degrees=product_degrees or (2 * degree,) * (2 * pupil_degree + 1),
        square=np.zeros((*cells, count_of_degree(2 * degree), 3, count_of_degree(2 * pupil_degree))),
        linear=np.zeros((*cells, count_of_degree(degree), 2, count_of_degree(pupil_degree))),
        target=np.zeros(cells),
        samples=np.bincount(samples.key, minlength=np.prod(cells)).reshape(cells).astype(float),
    )
    add_samples(moments, samples, weight, target)
    return moments


def add_samples(moments: Moments, samples: Samples, weight: Weights, target: FloatArray, /) -> None:
    """Add weighted samples in place; a negative weight takes them out again. Counts no samples."""
    weighted = _weigh_targets(moments, samples, weight, target)
    square = (moments.square, _weights_of(weight), moments.product_degrees)
    linear = (moments.linear, weighted, moments.degrees)
    _add_products(samples, 2 * moments.pupil_degree, square, linear)


def with_target(moments: Moments, samples: Samples, weight: Weights, target: FloatArray, /) -> Moments:
    """Return the moments of the same weighted samples with other targets (2, n)."""
    other = replace(moments, linear=np.zeros_like(moments.linear), target=np.zeros_like(moments.target))
    weighted = _weigh_targets(other, samples, weight, target)
    _add_products(samples, other.pupil_degree, (other.linear, weighted, other.degrees))
    return other


def _weights_of(weight: Weights) -> Factors:
    """Return what gives the weights (3, m) of some samples."""
    if isinstance(weight, tuple):
        metric, of_each = weight
        return lambda part: metric[:, part] * of_each[part]
    whole = weight
    return lambda part: whole[:, part]


def _weigh_targets(moments: Moments, samples: Samples, weight: Weights, target: FloatArray) -> Factors:
    """Return what gives weighted targets; add the sums of the weighted squares to the moments."""
    weights, key = _weights_of(weight), samples.key

    def weighted(part: slice) -> FloatArray:
        return weighted_target(weights(part), target[:, part])

    added = np.zeros(moments.target.size)
    for part in _parts(samples.count):
        squared = np.sum(weighted(part) * target[:, part], axis=0)
        added += np.bincount(key[part], squared, minlength=added.size)
    moments.target[...] += added.reshape(moments.target.shape)
    return weighted


def _parts(count: int) -> Iterator[slice]:
    for low in range(0, count, CHUNK):
        yield slice(low, min(low + CHUNK, count))


def weighted_target(weight: FloatArray, target: FloatArray, /) -> FloatArray:
    """Return W y (2, n) for weights (3, n) (xx, xy, yy) and targets (2, n)."""
    return np.stack(
        [weight[0] * target[0] + weight[1] * target[1], weight[1] * target[0] + weight[2] * target[1]]
    )


def _add_products(
    samples: Samples, pupil_degree: int, *jobs: tuple[FloatArray, Factors, tuple[int, ...]]
) -> None:
    """Add sum_s Phi_p(s) factor_k(s) Psi_m(s) to sums (colours, cells, p, k, m), for what gives factors.

    Panel degrees: up to which degree of p, for each degree of m. Samples of one colour and cell lie together.
    Where panel points repeat, what they have in common is summed first.
    """
    key = samples.key
    panel = samples.panel_basis(max(max(degrees) for _, _, degrees in jobs))
    banded = [(sums, factors, list(_bands(degrees))) for sums, factors, degrees in jobs]
    for part in _parts(samples.count):
        psi = samples.frame.values(samples.reference_mm[part], pupil_degree)
        own_key, pixel, first = key[part], samples.pixel[part], None
        if samples.shares_dots:
            is_new = np.diff(samples.dot[part], prepend=-1) != 0
            first = np.flatnonzero(is_new | (np.diff(own_key, prepend=-1) != 0))
            own_key, pixel = own_key[first], pixel[first]
        phi = panel.values(pixel)
        edges = [*np.flatnonzero(np.diff(own_key, prepend=-1)), len(own_key)]
        for sums, factors, bands in banded:
            factor = factors(part)
            for of_band, reached in bands:
                right = (factor[:, None] * psi[of_band]).reshape(-1, psi.shape[1])
                if first is not None:
                    right = np.add.reduceat(right, first, axis=1)
                for start, stop in pairwise(edges):
                    place = sums[divmod(int(own_key[start]), CELLS)][:reached, :, of_band]
                    place += (phi[:reached, start:stop] @ right[:, start:stop].T).reshape(place.shape)


def _bands(degrees: tuple[int, ...]) -> Iterator[tuple[slice, int]]:
    """Yield the pupil functions of a few degrees at a time, and how many panel functions go with them."""
    for order in range(0, len(degrees), BAND):
        above = min(order + BAND, len(degrees))
        of_band = slice(count_of_degree(order - 1), count_of_degree(above - 1))
        yield of_band, count_of_degree(max(degrees[order:above]))


@lru_cache(maxsize=2048)
def _spread(degree: int, first: tuple[int, ...], second: tuple[int, ...], wide: int) -> sparse.csr_matrix:
    """Return the matrix from the first `wide` sums of the wide basis to sums over products of functions.

    Row i * len(second) + k: four entries of 1/4, the terms of first[i] * second[k] (`product_terms`).
    """
    places = product_terms(degree)[:, list(first)][:, :, list(second)].reshape(4, -1).T
    rows = len(places)
    return sparse.csr_matrix(
        (np.full(places.size, 0.25), places.ravel(), np.arange(rows + 1) * 4), shape=(rows, wide)
    )


@dataclass(frozen=True)
class ColumnGroup:
    """Columns that lie together: each pupil column with all of the panel functions, which run faster.

    `span` where they lie; `degree` and `pupil_degree` the highest of the panel functions and of the pupil
    columns.
    """

    span: slice
    pupils: IntArray
    panels: tuple[int, ...]
    degree: int
    pupil_degree: int


def group_columns(
    panel: IntArray, pupil: IntArray, table: PupilColumns, /
) -> tuple[IntArray, list[ColumnGroup]]:
    """Return an order (n,) in which pupil columns with the same panel functions lie together; the groups."""
    order = np.lexsort((panel, pupil))
    alike: dict[tuple[int, ...], list[IntArray]] = {}
    for own in np.split(order, np.flatnonzero(np.diff(pupil[order])) + 1) if len(order) else ():
        alike.setdefault(tuple(panel[own].tolist()), []).append(own)
    orders = table.order
    groups, start = [], 0
    for panels, owns in alike.items():
        pupils = np.array([pupil[own[0]] for own in owns])
        stop = start + len(pupils) * len(panels)
        degree = int(exponents_up_to(max(panels))[-1].sum())
        groups.append(ColumnGroup(slice(start, stop), pupils, panels, degree, int(orders[pupils].max())))
        start = stop
    return np.array([place for owns in alike.values() for own in owns for place in own], dtype=int), groups


def write_products(
    matrix: FloatArray,
    moments: Moments,
    colour: int,
    rows: list[ColumnGroup],
    columns: list[ColumnGroup],
    /,
) -> None:
    """Write A_rows^T W A_columns of a colour of one-cell moments into a matrix, group by group.

    The same list given twice says that the matrix is symmetric: half of it is computed and mirrored.
    """
    products = moments.pupil.products
    square = moments.square[colour, 0]
    symmetric = rows is columns
    for place, row in enumerate(rows):
        for column in columns[place:] if symmetric else columns:
            wide = count_of_degree(row.degree + column.degree)
            pupils = count_of_degree(row.pupil_degree + column.pupil_degree)
            wanted = products[row.pupils[:, None], column.pupils, :, :pupils].reshape(-1, 3, pupils)
            sums = square[:wide, 0, :pupils] @ wanted[:, 0].T
            sums += square[:wide, 1, :pupils] @ wanted[:, 1].T
            sums += square[:wide, 2, :pupils] @ wanted[:, 2].T
            block = _spread(moments.degree, row.panels, column.panels, wide) @ sums
            shape = (len(row.panels), len(column.panels), len(row.pupils), len(column.pupils))
            block = block.reshape(shape).transpose(2, 0, 3, 1).reshape(shape[2] * shape[0], -1)
            matrix[row.span, column.span] = block
            if symmetric and column is not row:
                matrix[column.span, row.span] = block.T


def right_sides(moments: Moments, colour: int, panel: IntArray, pupil: IntArray, /) -> FloatArray:
    """Return A^T W y (n,) of a colour of one-cell moments, for panel functions and pupil columns (n,)."""
    table = moments.pupil
    linear = moments.linear[colour, 0]
    result: FloatArray = (linear[:, 0] @ table.x.T + linear[:, 1] @ table.y.T)[panel, pupil]
    return result
