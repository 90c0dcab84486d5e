"""The family of sparse Chebyshev terms: of the products of panel and pupil polynomials those that matter.

Every code is a whole multiple of one step per map: the terms that are small, nearly all, fit in 8 bits. Terms
are sorted by component and pupil function, so a term is one byte of panel index and its code.
"""

from itertools import combinations

import numpy as np

from prewarp.chebyshev import exponents_of_degree
from prewarp.checks import FloatArray, IntArray
from prewarp.lookup.coding import INTEGER_FORMATS, LARGEST_CODE, WIDTHS, CodedArray, Format
from prewarp.lookup.layout import BLOCK
from prewarp.lookup.pupil import pupil_count, pupil_exponents
from prewarp.lookup.series import FieldSeries
from prewarp.lookup.tables import MAX_PANEL_DEGREE, MAX_PUPIL_DEGREE, Family, MapTable

# Up to this degree a panel function's place fits in one byte: (21 + 1)(21 + 2) / 2 = 253.
BYTE_DEGREE = 21


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


def rounded_codes(coefficients: FloatArray, step: float, dead_zone: float, /) -> IntArray:
    """Return whole multiples of `step`; coefficients below `dead_zone` steps become 0 and need no term."""
    codes = np.rint(coefficients / step).astype(np.int64)
    return np.where(np.abs(coefficients) < dead_zone * step, 0, codes)


def chebyshev_table(codes: IntArray, step: float, /, *, bits: int | None = None) -> MapTable | None:
    """Return the table of codes (2, pupil functions, panel functions), or None where a code exceeds 24 bits.

    It stands at the first place of a lookup. `bits` fixes the width of all codes that fit in it; without, the
    widths that take the fewest bytes are used.
    """
    if np.abs(codes).max(initial=0) > LARGEST_CODE[Format.INT32]:
        return None
    component, pupil, panel = np.nonzero(codes)
    degree = _degree(exponents_of_degree(MAX_PANEL_DEGREE), panel)
    pupil_degree = _degree(pupil_exponents(MAX_PUPIL_DEGREE), pupil)
    functions = pupil_count(pupil_degree)
    row = component * functions + pupil
    number = codes[component, pupil, panel]
    # Which widths there are besides the widest.
    some = [choice for size in range(4) for choice in combinations(WIDTHS, size)]
    choices = some if bits is None else [(bits,)]
    index_form = Format.UINT8 if degree <= BYTE_DEGREE else Format.UINT16
    candidates = (
        _blocks(row, panel, number, 2 * functions, widths, index_form, float(np.float32(step)))
        for widths in choices
    )
    # A block costs a record besides its numbers.
    blocks = min(candidates, key=lambda one: sum(block.byte_count + BLOCK.byte_count for block in one))
    size = degree + 1
    affine = np.zeros((2, 3))
    return MapTable(0, 0, None, Family.CHEBYSHEV, size, size, pupil_degree, functions, affine, blocks)


def terms_of(table: MapTable, /) -> list[tuple[int, int, IntArray, IntArray]]:
    """Return (component, pupil function, panel places, codes) in the order in which a device adds them."""
    terms = []
    for place in range(0, len(table.blocks), 3):
        counts, indices, numbers = (block.numbers for block in table.blocks[place : place + 3])
        ends = np.cumsum(counts)
        for row in np.flatnonzero(counts):
            part = slice(ends[row] - counts[row], ends[row])
            terms.append((int(row // table.modes), int(row % table.modes), indices[part], numbers[part]))
    return terms


def decoded_coefficients(table: MapTable, shape: tuple[int, ...], /) -> FloatArray:
    """Return the coefficients that the table holds, in the shape of `graded_coefficients`."""
    total = np.zeros(shape)
    for component, pupil, places, numbers in terms_of(table):
        total[component, pupil, places] += table.blocks[2].scale * numbers
    return total


def _degree(exponents: IntArray, places: IntArray) -> int:
    return int(exponents[places].sum(axis=1).max(initial=0))


def _blocks(
    row: IntArray,
    panel: IntArray,
    number: IntArray,
    rows: int,
    widths: tuple[int, ...],
    index_form: Format,
    step: float,
) -> tuple[CodedArray, ...]:
    blocks: list[CodedArray] = []
    left = np.ones(len(number), dtype=bool)
    for width in (*widths, 32):
        form = INTEGER_FORMATS[width]
        here = left & (np.abs(number) <= LARGEST_CODE[form])
        left &= ~here
        if here.any():
            counts = np.bincount(row[here], minlength=rows)
            blocks += [
                CodedArray(index_form, counts),
                CodedArray(index_form, panel[here]),
                CodedArray(form, number[here], step),
            ]
    return tuple(blocks)
