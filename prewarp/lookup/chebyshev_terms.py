"""The family of sparse Chebyshev terms: of the products of panel and pupil polynomials those that matter.

Every code is a whole multiple of one step per map. Nearly all are 0 or small; `term_bits` says how they are
kept.
"""

import numpy as np

from prewarp.chebyshev import count_of_degree, exponents_of_degree
from prewarp.checks import FloatArray, IntArray
from prewarp.lookup.coding import CodedArray, Format
from prewarp.lookup.pupil import pupil_count, pupil_exponents
from prewarp.lookup.series import FieldSeries
from prewarp.lookup.tables import MAX_PANEL_DEGREE, MAX_PUPIL_DEGREE, Family, MapTable
from prewarp.lookup.term_bits import LARGEST_TERM, packed_terms, unpacked_terms


def graded_coefficients(series: FieldSeries, /) -> FloatArray:
    """Return coefficients (2, pupil functions, panel functions) up to the largest degrees of tables."""
    k, m, i, j, n, _ = series.coefficients.shape
    panel = exponents_of_degree(min(max(k, m) - 1, MAX_PANEL_DEGREE))
    pupil = pupil_exponents(min(i + j + n - 3, MAX_PUPIL_DEGREE))
    inside = (panel[:, 0] < k) & (panel[:, 1] < m)
    within = np.all(pupil < (i, j, n), axis=1)
    a, b = np.minimum(panel, (k - 1, m - 1)).T
    x, y, z = np.minimum(pupil, (i - 1, j - 1, n - 1)).T
    gathered = series.coefficients[a[None], b[None], x[:, None], y[:, None], z[:, None]]
    return np.moveaxis(gathered * (within[:, None] & inside[None])[..., None], -1, 0)


def rounded_codes(coefficients: FloatArray, step: float, /) -> IntArray:
    """Return the nearest whole multiples of `step`."""
    return np.asarray(np.rint(coefficients / step), dtype=np.int64)


def chebyshev_table(codes: IntArray, step: float, /) -> MapTable | None:
    """Return the table of codes (2, pupil functions, panel functions), or None where a code exceeds 24 bits.

    It stands at the first place of a lookup.
    """
    if np.abs(codes).max(initial=0) > LARGEST_TERM:
        return None
    _, pupil, panel = np.nonzero(codes)
    degree = _degree(exponents_of_degree(MAX_PANEL_DEGREE), panel)
    pupil_degree = _degree(pupil_exponents(MAX_PUPIL_DEGREE), pupil)
    functions, terms = pupil_count(pupil_degree), count_of_degree(degree)
    kept = np.zeros((2, functions, terms), dtype=np.int64)
    part = codes[:, :functions, :terms]
    kept[:, : part.shape[1], : part.shape[2]] = part
    blocks: tuple[CodedArray, ...] = ()
    if len(panel) > 0:
        data = np.frombuffer(packed_terms(kept), dtype=np.uint8).astype(np.int64)
        blocks = (CodedArray(Format.UINT8, data, float(np.float32(step))),)
    size = degree + 1
    affine = np.zeros((2, 3))
    return MapTable(0, 0, None, Family.CHEBYSHEV, size, size, pupil_degree, functions, affine, blocks)


def terms_of(table: MapTable, /) -> tuple[IntArray, float]:
    """Return codes (2, pupil functions, panel functions), read only, and their step.

    Raises
    ------
    ValueError
        The table's bytes hold something else.
    """
    degree = table.columns - 1
    if not table.blocks:
        return np.zeros((2, table.modes, count_of_degree(degree)), dtype=np.int64), 1.0
    (block,) = table.blocks
    return unpacked_terms(block.to_bytes(), degree, table.pupil_degree), block.scale


def decoded_coefficients(table: MapTable, /) -> FloatArray:
    """Return the coefficients (2, pupil functions, panel functions) that a table holds."""
    codes, step = terms_of(table)
    return np.asarray(step * codes, dtype=np.float64)


def _degree(exponents: IntArray, places: IntArray) -> int:
    return int(exponents[places].sum(axis=1).max(initial=0))
