"""Cubic B-splines through values on an evenly spaced lattice: the one form in which maps reach pictures.

Rows run along the second coordinate (v), columns along the first (u), as everywhere. The same coefficients
are read by numpy here, by `shaders/spline.glsl` on a GPU and by exported shaders, so all of them draw one
map.
"""

from dataclasses import dataclass
from functools import lru_cache
from math import comb

import numpy as np
from scipy.ndimage import binary_dilation, distance_transform_edt

from prewarp.checks import BoolArray, FloatArray
from prewarp.errors import ShapeError

MIN_NODES = 4
# Degrees by which `fill_outward` continues lines of nodes, ring after ring; further out values stay as they
# are. A node's error fades by 2 - sqrt(3) = 0.27 per node in a cubic spline, so only the first rings matter
# to the rim and the change of rule to a constant, twelve nodes out, is not felt.
_RING_DEGREES = (5, 5, 3, 3, 3, 3, 1, 1, 1, 1, 1, 1)


@dataclass(frozen=True)
class SplineLattice:
    """A bicubic B-spline surface with `k` components, C2, exact at its nodes.

    Parameters
    ----------
    coefficients : (rows + 2, columns + 2, k) float array
        Node (r, c) is the middle of coefficients r to r + 2, c to c + 2, weighed 1/6, 2/3, 1/6 each way.
    origin : (2,) float array
        Position (first, second coordinate) of node (0, 0).
    step : (2,) float array
        Distance between nodes along each coordinate.
    """

    coefficients: FloatArray
    origin: FloatArray
    step: FloatArray

    @property
    def node_shape(self) -> tuple[int, int]:
        """Rows and columns of nodes."""
        return self.coefficients.shape[0] - 2, self.coefficients.shape[1] - 2

    def basis(self, position: FloatArray, /, *, axis: int) -> FloatArray:
        """Return the weights (n, nodes + 2) of all coefficients along one axis at positions (n,).

        `axis` 0 is the first coordinate (columns), 1 the second (rows). Past the last node the end pieces go
        on.
        """
        nodes = self.node_shape[1 - axis]
        first, weight = cubic_weights((np.asarray(position) - self.origin[axis]) / self.step[axis], nodes)
        matrix = np.zeros((len(weight), nodes + 2))
        np.put_along_axis(matrix, first[:, None] + np.arange(4), weight, axis=1)
        return matrix

    def on_columns(self, first: FloatArray, /) -> FloatArray:
        """Return the surface at positions (n,) of the first coordinate, not yet joined along the second.

        Shape (k, rows + 2, n): coefficients of cubic B-splines along the second coordinate, see `basis`.
        """
        return np.ascontiguousarray(np.moveaxis(self.coefficients, -1, 0)) @ self.basis(first, axis=0).T

    def on_lattice(self, first: FloatArray, second: FloatArray, /) -> FloatArray:
        """Return values (len(second), len(first), k) at all pairs of positions."""
        start, weight = cubic_weights(
            (np.asarray(second) - self.origin[1]) / self.step[1], self.node_shape[0]
        )
        columns = self.on_columns(first)
        joined = np.sum([weight[:, tap, None] * columns[:, start + tap] for tap in range(4)], axis=0)
        return np.moveaxis(joined, 0, -1)

    def at(self, point: FloatArray, /) -> FloatArray:
        """Return values (..., k) at scattered points (..., 2)."""
        place = (point - self.origin) / self.step
        rows, columns = self.node_shape
        c, cw = cubic_weights(place[..., 0], columns)
        r, rw = cubic_weights(place[..., 1], rows)
        total = np.zeros((*point.shape[:-1], self.coefficients.shape[-1]))
        for i in range(4):
            for j in range(4):
                total += (rw[..., i] * cw[..., j])[..., None] * self.coefficients[r + i, c + j]
        return total


def cubic_weights(place: FloatArray, nodes: int, /) -> tuple[np.ndarray, FloatArray]:
    """Return the first coefficient (...) and the four cubic B-spline weights (..., 4) at node coordinates.

    References
    ----------
    C. de Boor, A Practical Guide to Splines, 1978: uniform cubic, [(1-t)^3, 3t^3-6t^2+4, -3t^3+3t^2+3t+1,
    t^3] / 6.
    """
    first = np.clip(np.floor(place).astype(np.int64), 0, nodes - 2)
    t = place - first
    t2, t3 = t * t, t * t * t
    weights = np.stack([(1.0 - t) ** 3, 3 * t3 - 6 * t2 + 4, -3 * t3 + 3 * t2 + 3 * t + 1, t3], axis=-1)
    return first, weights / 6.0


def spline_through(values: FloatArray, /, *, origin: FloatArray, step: FloatArray) -> SplineLattice:
    """Return the spline through node values (rows, columns, k).

    Ends: the third derivative does not jump at the second node from either end ("not-a-knot", de Boor 1978),
    so that a cubic is reproduced and the error stays of fourth order up to the rim.

    Raises
    ------
    ShapeError
        Fewer than four nodes along an axis.
    """
    rows, columns = values.shape[:2]
    if min(rows, columns) < MIN_NODES:
        raise ShapeError(
            f"lattice has {rows} x {columns} nodes; expected at least {MIN_NODES} each way. "
            "Use a smaller step."
        )
    half = np.tensordot(_interpolation(rows), values, axes=1)
    coefficients = np.matmul(_interpolation(columns), half)
    return SplineLattice(coefficients, np.asarray(origin, dtype=float), np.asarray(step, dtype=float))


@lru_cache(maxsize=16)
def _interpolation(nodes: int) -> FloatArray:
    """Return the matrix (nodes + 2, nodes) from values at nodes to coefficients."""
    system = np.zeros((nodes + 2, nodes + 2))
    inner = np.arange(nodes)
    for offset, weight in enumerate((1.0 / 6.0, 2.0 / 3.0, 1.0 / 6.0)):
        system[inner + 1, inner + offset] = weight
    fourth_difference = np.array([1.0, -4.0, 6.0, -4.0, 1.0])
    system[0, :5] = fourth_difference
    system[-1, -5:] = fourth_difference
    return np.asarray(np.linalg.inv(system)[:, 1:-1], dtype=np.float64)


def fill_outward(values: FloatArray, valid: BoolArray, /) -> FloatArray:
    """Return node values (rows, columns, k), continued smoothly outside `valid` (rows, columns).

    Ring by ring, each new node is the mean of what the straight lines of known nodes ending beside it (eight
    directions) continue to: polynomials of degree five next to the known region, of lower degree further out
    and where fewer known nodes stand in line.
    """
    if not valid.any():
        raise ShapeError("no node is valid; nothing can be continued. Check that the region is seen at all.")
    filled, known = np.where(valid[..., None], values, 0.0), valid
    for degree in _RING_DEGREES:
        if known.all():
            return filled
        filled, known = _next_ring(filled, known, degree)
    row, column = distance_transform_edt(~known, return_distances=False, return_indices=True)
    result: FloatArray = filled[row, column]
    return result


_DIRECTIONS = np.array([(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1) if (i, j) != (0, 0)])


def _next_ring(values: FloatArray, known: BoolArray, degree: int) -> tuple[FloatArray, BoolArray]:
    longest = degree + 1
    ring = np.argwhere(binary_dilation(known, np.ones((3, 3), dtype=bool)) & ~known)
    margin = ((longest, longest), (longest, longest))
    padded, mask = np.pad(values, (*margin, (0, 0))), np.pad(known, margin)
    # Lines of nodes leading away from each new node: (new, directions, longest).
    line = ring[:, None, None] + longest + _DIRECTIONS[:, None] * np.arange(1, longest + 1)[:, None]
    row, column = line[..., 0], line[..., 1]
    length = np.cumprod(mask[row, column], axis=-1).sum(axis=-1)
    best = length.max(axis=1)
    weights = np.stack([_continuation(count, longest) for count in range(longest + 1)])[length]
    estimate = np.einsum("ndl,ndlk->ndk", weights, padded[row, column])
    chosen = length == best[:, None]
    filled, now = values.copy(), known.copy()
    filled[ring[:, 0], ring[:, 1]] = (
        np.sum(estimate * chosen[..., None], axis=1) / chosen.sum(axis=1)[:, None]
    )
    now[ring[:, 0], ring[:, 1]] = True
    return filled, now


def _continuation(count: int, longest: int) -> FloatArray:
    """Return the weights (longest,) that continue `count` evenly spaced values, nearest first."""
    weights = [-((-1.0) ** n) * comb(count, n) for n in range(1, count + 1)]
    return np.array(weights + [0.0] * (longest - count))
