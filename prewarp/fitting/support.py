"""Which columns over the pupil the captured positions show, and how they are tied where they show too few.

Up to a degree every column is shown: on a lattice of three nodes each way up to 2. Above it some are: of the
wavefront functions of degree 4 such a lattice shows x2 y2, and not x4, whose slope 4 x3 is one of x2 at all
three nodes. Columns of such degrees are taken one by one, the roundest first: r^n cos(m a) and r^n sin(m a)
with m = n, n - 2, .. from the smallest m. One that adds nothing new at the positions is left out. So x4 + y4
comes in with x2 y2, as in round aberration: a tie that no data can test. Along one line of positions y2 comes
in with x2: no astigmatism.
"""

from dataclasses import dataclass

import numpy as np
from scipy import linalg

from prewarp.chebyshev import count_of_degree
from prewarp.checks import FloatArray
from prewarp.fitting.chebyshev import index_of
from prewarp.fitting.pupil import PupilColumns, PupilFrame, pupil_columns
from prewarp.pupils.shown import Positions, complete_degree

# Degrees above the highest complete one of which columns are taken, and the highest of them.
INCOMPLETE_DEGREES = 3
HIGHEST_INCOMPLETE = 6
# A column counts as shown where this share of it, at least, is not a mixture of those before it.
OWN_PART = 0.05


@dataclass(frozen=True)
class WaveColumn:
    """Gradient of r^n cos(m a) or sin, n = order + 1, m = `turns`; `x`, `y` (count,) in the scalar basis.

    Scaled to unit length there; `length` what it was, r in half sizes of the larger side.
    """

    order: int
    turns: int
    is_sine: bool
    length: float
    x: FloatArray
    y: FloatArray

    @property
    def parity(self) -> tuple[int, int]:
        """Exponent parity under a mirror of x and of y."""
        return (self.turns + self.is_sine) % 2, int(self.is_sine)


def supported_columns(frame: PupilFrame, positions: Positions, /) -> PupilColumns:
    """Return the columns that the positions show: all up to a degree, some above.

    Those above are shown also when any group of positions is left out: else cross-validation could not judge
    them.
    """
    complete = complete_degree(positions, centre_mm=frame.centre_mm, half_mm=frame.half_mm)
    full = pupil_columns(complete, frame.half_mm)
    highest = min(complete + INCOMPLETE_DEGREES, max(complete, HIGHEST_INCOMPLETE))
    shown = _shown(frame, positions, full, highest)
    if not shown:
        return full
    degree = max(column.order for column in shown)
    count = count_of_degree(degree)

    def padded(rows: list[FloatArray]) -> FloatArray:
        return np.array([np.pad(row, (0, count - len(row))) for row in rows])

    return PupilColumns(
        degree=degree,
        x=padded([*full.x, *(column.x for column in shown)]),
        y=padded([*full.y, *(column.y for column in shown)]),
        order=np.concatenate([full.order, [column.order for column in shown]]),
        is_curl=np.concatenate([full.is_curl, np.zeros(len(shown), dtype=bool)]),
        parity=np.concatenate([full.parity, [column.parity for column in shown]]),
    )


def _shown(frame: PupilFrame, positions: Positions, full: PupilColumns, highest: int) -> list[WaveColumn]:
    """Return the columns above the complete degree that the positions show."""
    kept = [np.ones(len(positions.group), dtype=bool)]
    kept += [positions.group != one for one in np.unique(positions.group[positions.group >= 0])]
    views = [frame.values(one[rows], highest) for one in positions.reference_mm() for rows in kept]

    def seen(x: FloatArray, y: FloatArray) -> list[FloatArray]:
        return [np.concatenate([x @ view[: len(x)], y @ view[: len(y)]]) for view in views]

    columns = [seen(x, y) for x, y in zip(full.x, full.y, strict=True)]
    known = [linalg.orth(np.array(one).T, rcond=1e-9) for one in zip(*columns, strict=True)]
    shown = []
    for order in range(full.degree + 1, highest + 1):
        for column in wave_columns(frame, order):
            own = [_own_part(basis, one) for basis, one in zip(known, seen(column.x, column.y), strict=True)]
            sizes = np.array([np.linalg.norm(part) for part in own]).reshape(-1, len(kept))
            if np.median(sizes.min(axis=1)) <= OWN_PART:
                continue
            known = [
                np.column_stack([basis, part / np.linalg.norm(part)]) if np.any(part) else basis
                for basis, part in zip(known, own, strict=True)
            ]
            shown.append(column)
    return shown


def _own_part(known: FloatArray, values: FloatArray) -> FloatArray:
    """Return what of a column (n,), scaled to unit length, the orthonormal columns (n, k) do not hold."""
    own = values / max(float(np.linalg.norm(values)), 1e-300)
    for _ in range(2):
        own = own - known @ (known.T @ own)
    return own


def wave_columns(frame: PupilFrame, order: int, /) -> list[WaveColumn]:
    """Return the gradients of the wavefront functions of degree `order + 1` in mm, the roundest first."""
    degree, columns = order + 1, []
    scale = np.array(frame.half_mm) / max(frame.half_mm)
    for turns in range(degree % 2, degree + 1, 2):
        for is_sine in (False, True) if turns else (False,):
            wave = _in_chebyshev(_harmonic(degree, turns, is_sine) * np.outer(*_powers(scale, degree)))
            x = _graded(_derivative(wave, 0) / frame.half_mm[0], order)
            y = _graded(_derivative(wave, 1) / frame.half_mm[1], order)
            length = float(np.sqrt(np.sum(x * x + y * y)))
            columns.append(WaveColumn(order, turns, is_sine, length, x / length, y / length))
    return columns


def _powers(scale: FloatArray, degree: int) -> tuple[FloatArray, FloatArray]:
    return scale[0] ** np.arange(degree + 1), scale[1] ** np.arange(degree + 1)


def _harmonic(degree: int, turns: int, is_sine: bool) -> FloatArray:
    """Return the coefficients [a, b] of x^a y^b in r^degree cos(turns angle), or sin."""
    turned = np.zeros((degree + 1, degree + 1), dtype=complex)
    # (x + i y)^turns, times (x^2 + y^2)^((degree - turns) / 2).
    turned[0, 0] = 1.0
    for _ in range(turns):
        turned = _times(turned, [(1, 0, 1.0), (0, 1, 1j)])
    for _ in range((degree - turns) // 2):
        turned = _times(turned, [(2, 0, 1.0), (0, 2, 1.0)])
    return np.ascontiguousarray(turned.imag if is_sine else turned.real)


def _times(table: np.ndarray, terms: list[tuple[int, int, complex]]) -> np.ndarray:
    result = np.zeros_like(table)
    for a, b, factor in terms:
        result[a:, b:] += factor * table[: len(table) - a, : len(table) - b]
    return result


def _in_chebyshev(table: FloatArray) -> FloatArray:
    """Return coefficients of products of powers as those of products of Chebyshev polynomials."""
    size = len(table)
    change = np.zeros((size, size))
    for power in range(size):
        column = np.polynomial.chebyshev.poly2cheb(np.eye(size)[power])
        change[: len(column), power] = column
    result: FloatArray = change @ table @ change.T
    return result


def _derivative(table: FloatArray, axis: int) -> FloatArray:
    return np.asarray(np.polynomial.chebyshev.chebder(table, axis=axis), dtype=np.float64)


def _graded(table: FloatArray, degree: int) -> FloatArray:
    """Return coefficients [a, b] of T_a T_b in the graded order of the scalar basis, (count,)."""
    result = np.zeros(count_of_degree(degree))
    a, b = np.nonzero(table)
    result[index_of(np.stack([a, b], axis=-1))] = table[a, b]
    return result
