"""The family of meshes with pupil modes: mesh(e) = affine + sum_k w_k(e) S_k, S_k from singular values.

The panel basis is a cubic B-spline; w_k are pupil polynomials with a largest value of 1, so that one step for
all surfaces spreads the rounding evenly and weak modes fit in fewer bits.
"""

from dataclasses import dataclass

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import NDArray

from prewarp.checks import FloatArray
from prewarp.lattice import spline_through
from prewarp.lookup.coding import INTEGER_FORMATS, CodedArray, Format, coded, format_for, scale_for
from prewarp.lookup.pupil import pupil_count, pupil_exponents, pupil_values
from prewarp.lookup.series import FieldSeries
from prewarp.lookup.tables import MAX_MODES, MAX_PUPIL_DEGREE, Family, MapTable, float32_array
from prewarp.points import box_lattice

# Where a mode's largest weight is looked for: lattice points per pupil axis.
_PUPIL_POINTS = 9
# Tangents; 3e-6 px on a panel of 3000 px per unit tangent.
_NEGLIGIBLE = 1e-9
# Modes weaker than this share of the strongest are rounding of the squares; 1e-5 px as a rule.
_SMALLEST_MODE = 3e-8


@dataclass(frozen=True)
class MeshModes:
    """Modes of one map before rounding.

    `affine` (2, 3), float32 values; `weights` (modes, pupil functions), float32 values, each with a largest
    weight of 1 over the box; `surfaces` (modes, columns, rows, 2) tangents, strongest first; `pupil_degree`.
    """

    affine: FloatArray
    weights: FloatArray
    surfaces: FloatArray
    pupil_degree: int


def coefficient_positions(count: int, /) -> NDArray[np.float32]:
    """Return the places of coefficients along an axis on -1 to 1, as a device computes them (float32)."""
    last = np.float32(count - 3)
    return (np.float32(2.0) * (np.arange(count, dtype=np.float32) - np.float32(1.0)) - last) / last


def node_values(series: FieldSeries, columns: int, rows: int, /) -> FloatArray:
    """Return (x, y, z degrees, rows, columns, 2): the pupil series at even panel nodes, edge to edge."""
    across = chebyshev.chebvander(np.linspace(-1.0, 1.0, columns), series.coefficients.shape[0] - 1)
    down = chebyshev.chebvander(np.linspace(-1.0, 1.0, rows), series.coefficients.shape[1] - 1)
    values: FloatArray = np.einsum("vl,uk,klijnc->ijnvuc", down, across, series.coefficients, optimize=True)
    return values


def mesh_modes(series: FieldSeries, columns: int, rows: int, /) -> MeshModes:
    """Decompose a map on a mesh of columns x rows nodes.

    Notes
    -----
    Rows of the decomposed matrix are pupil functions weighed by their root mean square over the box under the
    Chebyshev measure (1 for T_0, 1/sqrt(2) for each other factor), so singular values rank modes by their
    effect.
    """
    nodes = node_values(series, columns, rows)
    i, j, n = nodes.shape[:3]
    degree = min(i + j + n - 3, MAX_PUPIL_DEGREE)
    functions = pupil_exponents(degree)
    within = np.all(functions < (i, j, n), axis=1)
    x, y, z = np.minimum(functions, (i - 1, j - 1, n - 1)).T
    by_function = nodes[x, y, z] * within[:, None, None, None]
    by_function = np.stack(
        [
            spline_through(one, origin=np.zeros(2), step=np.ones(2)).coefficients.swapaxes(0, 1)
            for one in by_function
        ]
    )
    affine, by_function[0] = _affine(by_function[0])
    norm = np.sqrt(0.5) ** np.count_nonzero(functions, axis=1)
    matrix = norm[:, None] * by_function.reshape(len(functions), -1)
    # Pupil functions that nothing needs would only make the decomposition longer.
    needed = np.abs(matrix).max(axis=1) > _NEGLIGIBLE
    needed[0] = True
    # A few pupil functions, many coefficients: the left vectors are the eigenvectors of a small matrix.
    squares, vectors = np.linalg.eigh(matrix[needed] @ matrix[needed].T)
    some = vectors[:, ::-1]
    size = np.sqrt(np.maximum(squares[::-1], 0.0))
    left = np.zeros((len(functions), len(size)))
    left[needed] = some
    keep = min(MAX_MODES, int(np.sum(size > _SMALLEST_MODE * max(size[0], 1e-30))) or 1)
    weights = left[:, :keep].T / norm
    peak = np.abs(_corner_weights(weights, degree)).max(axis=0)
    # The sign of a singular vector is arbitrary: the largest coefficient is made positive.
    sign = np.sign(weights[np.arange(keep), np.abs(weights).argmax(axis=1)])
    weights = float32_array(weights * (sign / peak)[:, None])
    surfaces = (sign * peak)[:, None] * (left[:, :keep].T @ matrix)
    return MeshModes(affine, weights, surfaces.reshape(keep, *by_function.shape[1:]), degree)


def mesh_table(modes: MeshModes, rank: int, step: float, /, *, bits: int | None = None) -> MapTable | None:
    """Return the table of the `rank` strongest modes, or None where the codes of one do not fit in 16 bits.

    It stands at the first place of a lookup. `step` in tangents is the same for all modes; with `bits` given
    each mode has the finest step that its width allows.
    """
    rank = min(rank, len(modes.surfaces))
    used = _used_degree(modes.weights[:rank], modes.pupil_degree)
    weights = modes.weights[:rank, : pupil_count(used)]
    blocks = [CodedArray(Format.FLOAT32, weights.ravel())]
    for surface in modes.surfaces[:rank]:
        form = INTEGER_FORMATS[bits] if bits else format_for(np.rint(surface / float(np.float32(step))))
        if form is None:
            return None
        blocks.append(coded(surface, form, scale_for(surface, form) if bits else step))
    columns, rows = modes.surfaces.shape[1:3]
    return MapTable(0, 0, None, Family.SPLINE, columns, rows, used, rank, modes.affine, tuple(blocks))


def decoded_surfaces(table: MapTable, /) -> FloatArray:
    """Return the surfaces (modes, columns, rows, 2) that a table holds."""
    return np.stack([block.values().reshape(table.columns, table.rows, 2) for block in table.blocks[1:]])


def _affine(surface: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the plane (2, 3) nearest to coefficients (columns, rows, 2), and what is left of them."""
    s, t = np.meshgrid(*(coefficient_positions(n).astype(float) for n in surface.shape[:2]), indexing="ij")
    basis = np.stack([np.ones(s.size), s.ravel(), t.ravel()], axis=-1)
    solution, *_ = np.linalg.lstsq(basis, surface.reshape(-1, 2), rcond=None)
    rest = surface.reshape(-1, 2) - basis @ solution
    solution[0] += 0.5 * rest.max(axis=0) + 0.5 * rest.min(axis=0)
    affine = float32_array(solution.T)
    plane = affine[:, 0] + s[..., None] * affine[:, 1] + t[..., None] * affine[:, 2]
    return affine, surface - plane


def _corner_weights(weights: FloatArray, degree: int) -> FloatArray:
    unit = box_lattice(-np.ones(3), np.ones(3), (_PUPIL_POINTS,) * 3)
    return np.asarray(pupil_values(unit, degree) @ weights.T)


def _used_degree(weights: FloatArray, degree: int) -> int:
    """Return the highest degree at which a weight matters: below 1e-6 of the largest it is rounding."""
    total = pupil_exponents(degree).sum(axis=1)
    used = np.abs(weights).max(axis=0) > 1e-6
    return int(total[used].max(initial=0))
