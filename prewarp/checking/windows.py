"""Windows on the panel and what other pupils show in them: the measure for patches and whole shots.

Residuals of the smooth model hold noise, faults and what the model cannot follow. The last changes little
from pupil to pupil: a low polynomial over the pupil in each window takes it out, and what one pupil is off
that stands against noise and against how well the other pupils agree with it.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from prewarp.chebyshev import chebyshev_terms, exponents_of_degree
from prewarp.checking.lattice import Lattice
from prewarp.checking.outliers import CellScale
from prewarp.checking.samples import Samples
from prewarp.checking.surface import FEWEST_POSITIONS, MapModel
from prewarp.checks import FloatArray, IntArray, any_of_rows, extent
from prewarp.frames import cosine_from_tangent, tangent_from_degrees

_SAME_DEPTH_MM = 1e-6
_ON_NODE, _ON_NODE_PX = 1e-8, 1e-3  # direction cosine, px
_WEAKEST = 0.05  # singular value against the largest
_PER_TERM = 1.6  # positions per term of the polynomial over the pupil
CARRIED_POSITIONS = 9  # from which positions say enough of the terms that they do not show


@dataclass(frozen=True, eq=False)
class Places:
    """Where the samples of one channel and colour lie, (n,) each: on the panel in dot spacings, and in which
    group.

    `across` counts dots to the right and down (lattice numbers, in direction or on the panel); `local`
    numbers the groups `groups` (g,), `position_mm` (g, 2) is where their rays cross z = 0 on average;
    `exact`: the same places are seen from every pupil.
    """

    groups: IntArray
    local: IntArray
    across: FloatArray
    position_mm: FloatArray
    exact: bool
    one_depth: bool

    def take(self, index: IntArray) -> "Places":
        """Return the places of some of the samples."""
        return replace(self, local=self.local[index], across=self.across[index])


def meant_pixel(samples: Samples, lattice: Lattice, index: IntArray, residual_px: FloatArray) -> FloatArray:
    """Return panel points (n, 2), px; of samples off the nodes of a panel lattice where they belong.

    `residual_px` (n, 2) says how far that is, as its direction has it.
    """
    pixel = samples.pixel[index]
    if lattice.kind != "panel":
        return pixel
    at = _at_nodes(lattice, _nodes(lattice, pixel))
    off = np.flatnonzero(any_of_rows(np.abs(pixel - at) > _ON_NODE_PX))
    pixel[off] += residual_px[off]
    return pixel


def place_samples(
    samples: Samples, surface: MapModel, lattice: Lattice, index: IntArray, pixel: FloatArray
) -> Places:
    """Return the places of the samples `index` of the pair of `surface`, at panel points `pixel` (n, 2).

    A sample a little off its node still has the node's number: levels are interpolated.
    """
    groups = np.flatnonzero(samples.group_pair == surface.pair)
    number = np.zeros(len(samples.group_pair), dtype=np.int64)
    number[groups] = np.arange(len(groups))
    local = number[samples.group[index]]
    if lattice.kind == "scattered":
        spacing = 2.0 / np.sqrt(max(float(np.median(samples.group_size[groups])), 1.0))
        across = (np.clip(surface.frame(samples.pixel[index]), -1.5, 1.5) + 1.0) / spacing
    else:
        across = _nodes(lattice, _on_lattice(samples, lattice, index, pixel))
    count = np.maximum(np.bincount(local, minlength=len(groups)), 1)[:, None]
    position = (
        np.stack([np.bincount(local, column, len(groups)) for column in samples.reference_mm[index].T], -1)
        / count
    )
    depth = samples.pupils_mm[samples.group_pupil[groups], 2]
    one_depth = bool(np.ptp(depth) < _SAME_DEPTH_MM)
    return Places(groups, local, across, position, lattice.kind != "scattered", one_depth)


def _on_lattice(samples: Samples, lattice: Lattice, index: IntArray, pixel: FloatArray) -> FloatArray:
    """Return what is regular on a lattice: panel points (n, 2) px, or directions, degrees."""
    return pixel if lattice.kind == "panel" else samples.grid.direction_deg[samples.index[index]]


def _nodes(lattice: Lattice, values: FloatArray) -> FloatArray:
    """Return the numbers (n, 2) of the lattice's nodes nearest to values (n, 2)."""
    columns = zip(values.T, lattice.levels, strict=True)
    across = [np.interp(column, levels, np.arange(len(levels))) for column, levels in columns]
    return np.stack([np.floor(one + 0.5) for one in across], axis=-1)


def _at_nodes(lattice: Lattice, across: FloatArray) -> FloatArray:
    """Return the values (n, 2) of the lattice's nodes with these numbers."""
    node = across.astype(np.int64)
    return np.stack([levels[number] for levels, number in zip(lattice.levels, node.T, strict=True)], axis=-1)


def measured_in_px(
    samples: Samples,
    lattice: Lattice,
    index: IntArray,
    across: FloatArray,
    scale: CellScale,
) -> FloatArray:
    """Return what was measured at the lattice's nodes (n, 2), in px, with the sign of residuals.

    `across` (n, 2): the nodes' numbers.

    On a panel lattice directions, through `scale`; on one in direction panel points. A sample off its node
    is carried there.
    """
    pixel, cosine = samples.pixel[index], samples.cosine[index]
    if lattice.kind == "scattered":
        return -pixel
    at = _at_nodes(lattice, across)
    if lattice.kind == "panel":
        return scale.applied(at, cosine) - (pixel - at)
    away = cosine - cosine_from_tangent(tangent_from_degrees(at))
    moved = np.flatnonzero(any_of_rows(np.abs(away) > _ON_NODE))
    result = -pixel
    result[moved] += scale.applied(pixel[moved], away[moved])
    return result


def window_numbers(
    places: Places, shape: tuple[int, int], offset: tuple[int, int]
) -> tuple[IntArray, tuple[int, int]]:
    """Return the window (n,) of each sample and how many windows lie (down, across); `shape` in dots."""
    first, second = (_window_steps(places.across[:, axis], shape[axis], offset[axis]) for axis in (0, 1))
    size = int(first.max()) + 1, int(second.max()) + 1
    second *= size[0]
    second += first
    return second, (size[1], size[0])


def _window_steps(across: FloatArray, dots: int, offset: int) -> IntArray:
    """Return in which window (n,) of so many dots each place lies, from 0 on."""
    steps = np.floor((across + offset) / dots if dots > 1 else across + offset).astype(np.int64)
    steps -= steps.min()
    return steps


@dataclass(frozen=True, eq=False)
class Agreement:
    """Means over windows and what the other pupils say of them.

    `weight` (g, c) samples; `mean`, `fit` (g, c, 2) in the unit of the values; `leverage` (g, c), the share
    of a mean in its own fit; `terms` of the polynomial over the pupil; `others` (g, c): sum of squares that
    the other pupils leave, each mean weighted by its samples.
    """

    weight: FloatArray
    mean: FloatArray
    fit: FloatArray
    leverage: FloatArray
    terms: int
    others: FloatArray

    def fit_at(self, local: IntArray, window: IntArray) -> FloatArray:
        """Return what is fitted at the group and window (n,) of each sample, (n, 2)."""
        place = local * self.fit.shape[1] + window
        result: FloatArray = self.fit.reshape(-1, 2).take(place, axis=0)
        return result

    @property
    def predicted(self) -> FloatArray:
        """Return what the other pupils alone say (g, c, 2)."""
        return self.mean - self.deviation

    @property
    def deviation(self) -> FloatArray:
        """Return means minus what the other pupils alone say (g, c, 2)."""
        result: FloatArray = (self.mean - self.fit) / (1.0 - self.leverage)[..., None]
        return result

    @property
    def squared(self) -> FloatArray:
        """Return the squared deviation times its weight (g, c): noise of one sample gives 2 sigma^2."""
        off = self.mean - self.fit
        left = off[..., 0] ** 2 + off[..., 1] ** 2
        result: FloatArray = self.weight * left / (1.0 - self.leverage)
        return result

    @property
    def freedom(self) -> FloatArray:
        """Return degrees of freedom (c,) in what the others leave."""
        seen = (self.weight > 0.0).sum(axis=0)
        result: FloatArray = np.maximum(2.0 * (seen - self.terms - 1), 0.0)
        return result


def position_terms(position_mm: FloatArray, highest: int) -> FloatArray | None:
    """Return the terms (g, p) of the highest degree up to `highest` that positions (g, 2) carry, or None."""
    if len(position_mm) < FEWEST_POSITIONS:
        return None
    low, high = extent(position_mm)
    w = (position_mm - (low + high) / 2.0) / np.maximum((high - low) / 2.0, 1e-9)
    moves = (high - low) > 0.05
    for degree in range(highest, 0, -1):
        exponents = exponents_of_degree(degree)
        exponents = exponents[(exponents[:, ~moves] == 0).all(axis=1)]
        terms: FloatArray = chebyshev_terms(w, exponents)
        if len(w) >= _PER_TERM * terms.shape[1] and is_determined(terms):
            return terms
    one: FloatArray = np.ones((len(w), 1))
    return one


def is_determined(terms: FloatArray) -> bool:
    """Return whether terms (g, p) over positions are determined well, not by small differences alone."""
    if len(terms) < terms.shape[1]:
        return False
    values = np.linalg.svd(terms, compute_uv=False)
    return bool(values[-1] > _WEAKEST * values[0])


def agreement(
    local: IntArray,
    window: IntArray,
    count: int,
    values: FloatArray,
    terms: FloatArray,
    weights: FloatArray | None = None,
) -> Agreement:
    """Return means of `values` (n, 2) by group `local` and `window`, fitted over the groups by `terms`.

    `weights` (n,) of the samples; 1 without.
    """
    groups, size = terms.shape
    key = local * count + window
    ones: FloatArray = np.ones(len(key)) if weights is None else weights
    sums = [np.bincount(key, column, groups * count) for column in (ones, *(values * ones[:, None]).T)]
    table = np.stack(sums, axis=-1).astype(np.float64).reshape(groups, count, 3)
    weight = table[..., 0]
    mean = table[..., 1:] / np.where(weight > 0.0, weight, 1.0)[..., None]
    # Windows that the same groups saw as often share one matrix.
    kinds, kind = _alike(weight)
    products = (terms[:, :, None] * terms[:, None, :]).reshape(groups, -1)
    normal = (weight[:, kinds].T @ products).reshape(len(kinds), size, size)
    normal += 1e-9 * np.maximum(np.trace(normal, axis1=1, axis2=2), 1e-9)[:, None, None] * np.eye(size)
    inverse = np.linalg.inv(normal)
    right = (terms.T @ (weight[..., None] * mean).reshape(groups, -1)).reshape(size, count, 2)
    if len(kinds) == 1:
        solution = (inverse[0] @ right.reshape(size, -1)).reshape(size, count, 2)
    else:
        solution = (inverse[kind] @ right.transpose(1, 0, 2)).transpose(1, 0, 2)
    fit = (terms @ solution.reshape(size, -1)).reshape(groups, count, 2)
    # Share of each group in its own fit by kind of window, terms inverse terms.
    own = ((inverse @ terms.T) * terms.T).sum(axis=1)
    leverage: FloatArray = np.minimum(own.T[:, kind] * weight, 0.999)
    off = mean - fit
    squared = weight * (off[..., 0] ** 2 + off[..., 1] ** 2)
    others = np.maximum(squared.sum(axis=0) - squared / (1.0 - leverage), 0.0)
    return Agreement(weight, mean, fit, leverage, size, others)


def _alike(weight: FloatArray) -> tuple[IntArray, IntArray]:
    """Return one column (k,) of each kind of column of `weight` (g, c), and the kind (c,) of each."""
    mixed = np.random.default_rng(0).uniform(1.0, 2.0, len(weight)) @ weight
    _, first, kind = np.unique(mixed, return_index=True, return_inverse=True)
    kind = kind.reshape(-1)
    if 2 * len(first) > len(mixed) or (weight != weight[:, first[kind]]).any():
        every = np.arange(len(mixed))
        return every, every
    return first, kind


def without_place(places: Places, values: FloatArray, terms: FloatArray) -> FloatArray:
    """Return values (n, 2) without what all pupils show at the same place; as they are where none is shared.

    What the model misses in the fine structure of the panel is gone then, dot by dot.
    """
    if not places.exact:
        return values
    window, (down, across) = window_numbers(places, (1, 1), (0, 0))
    found = agreement(places.local, window, down * across, values, terms)
    result: FloatArray = values - found.fit_at(places.local, window)
    return result


def neighbours_of(across: FloatArray, distance: float) -> IntArray:
    """Return pairs (m, 2) of places (n, 2) in dots that lie within a distance."""
    result: IntArray = cKDTree(across).query_pairs(distance, output_type="ndarray")
    return result
