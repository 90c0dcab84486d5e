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
from prewarp.checks import FloatArray, IntArray
from prewarp.fitting.chebyshev import index_of
from prewarp.fitting.pupil import PupilColumns, PupilFrame, pupil_columns

# Rank of the pupil basis: judged on so many positions, by this ratio of the smallest to the largest singular
# value.
MOST_POSITIONS = 200
RANK_LIMIT = 1e-2
HIGHEST_PUPIL_DEGREE = 8
# Degrees above the highest complete one of which columns are taken, and the highest of them.
INCOMPLETE_DEGREES = 3
HIGHEST_INCOMPLETE = 6
# A column counts as shown where this share of it, at least, is not a mixture of those before it.
OWN_PART = 0.05
# A motion of the pupil counts as shown where positions spread along it (RMS) by so much of the widest spread,
# and by so many mm.
SPREAD_SHOWN = 0.05
LEAST_SPREAD_MM = 0.05


@dataclass(frozen=True)
class WaveColumn:
    """Gradient of r^n cos(m a) or sin, n = order + 1, m = `turns`; `x`, `y` (count,) in the scalar basis."""

    order: int
    turns: int
    is_sine: bool
    x: FloatArray
    y: FloatArray

    @property
    def parity(self) -> tuple[int, int]:
        """Exponent parity under a mirror of x and of y."""
        return (self.turns + self.is_sine) % 2, int(self.is_sine)


@dataclass(frozen=True)
class Positions:
    """Different pupil positions (k, 3), mm, the group (k,) of each that is left out together (-1: never), and
    directions (m, 2), tangents, that stand for all that were captured.
    """

    pupil_mm: FloatArray
    group: IntArray
    tangent: FloatArray

    def reference_mm(self) -> FloatArray:
        """Return where rays of each direction cross z = 0, (m, k, 2), mm."""
        return self.pupil_mm[:, :2] - self.pupil_mm[:, 2:] * self.tangent[:, None]


def spread_positions(
    pupil_mm: FloatArray, group: IntArray, tangent: FloatArray, first: IntArray, /
) -> Positions:
    """Return at most `MOST_POSITIONS` different positions of samples (n, ...), and directions spread over
    theirs; one direction where all lie in the plane z = 0. `first` (k,): a sample of each position.
    """
    some = first[:: -(-len(first) // MOST_POSITIONS)]
    if np.any(pupil_mm[some, 2]):
        low, middle, high = np.quantile(tangent, (0.1, 0.5, 0.9), axis=0)
        nodes = np.stack([low, middle, high])
        directions = np.array([(nodes[i, 0], nodes[j, 1]) for j in range(3) for i in range(3)])
    else:
        directions = np.zeros((1, 2))
    return Positions(pupil_mm[some], group[some], directions)


def position_keys(pupil_mm: FloatArray, /) -> np.ndarray:
    """Return a complex number for each position (n, 3), equal where they agree to 1e-6 mm: quick to sort."""
    x, y, z = np.round(pupil_mm, 6).T
    result: np.ndarray = (x + 1j * y) + z * (1e3 + 1.7e3j)
    return result


def complete_degree(frame: PupilFrame, positions: Positions, /) -> int:
    """Return the highest degree in (x, y) of which the positions show every function.

    By the rank of the pupil basis, not by the number of positions: on five values of x a fifth power is a
    mixture of lower ones. Rays do not bend, so positions off the plane z = 0 count where the ray crosses it,
    for each direction apart; the middle one of the directions decides. The basis has one scale in x and y:
    aberrations do not know how far the stage went.
    """
    half = max(frame.half_mm)
    round_frame, references = PupilFrame(frame.centre_mm, (half, half)), positions.reference_mm()
    degree = 0
    while degree < HIGHEST_PUPIL_DEGREE:
        bases = (round_frame.values(one, degree + 1) for one in references)
        sizes = [np.linalg.svd(basis @ basis.T, compute_uv=False) for basis in bases]
        if np.median([size[-1] / size[0] for size in sizes]) < RANK_LIMIT**2:
            break
        degree += 1
    return degree


def supported_columns(frame: PupilFrame, positions: Positions, /) -> PupilColumns:
    """Return the columns that the positions show: all up to a degree, some above.

    Those above are shown also when any group of positions is left out: else cross-validation could not judge
    them.
    """
    complete = complete_degree(frame, positions)
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
            size = np.sqrt(np.sum(x * x + y * y))
            columns.append(WaveColumn(order, turns, is_sine, x / size, y / size))
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


def motions_shown(positions: Positions, /) -> FloatArray:
    """Return the unit vectors in x, y (m, 2) along which positions differ: none, one, or both axes.

    For the middle one of the directions, each with positions where its rays cross z = 0. Along a second axis
    they differ where they spread by `SPREAD_SHOWN` of the first at least.
    """
    spread = positions.reference_mm()
    spread = spread - spread.mean(axis=1, keepdims=True)
    _, size, axes = np.linalg.svd(spread, full_matrices=False)
    if size.shape[1] < 2:
        return np.zeros((0, 2))
    size = size / np.sqrt(len(positions.group))
    if np.median(size[:, 1]) >= max(SPREAD_SHOWN * np.median(size[:, 0]), LEAST_SPREAD_MM):
        return np.eye(2)
    # One line in space serves all directions; a line along z turns with the direction and shows no motion.
    mean = np.einsum("mi,mj->ij", axes[:, 0], axes[:, 0]) / len(axes)
    share, vectors = np.linalg.eigh(mean)
    if np.median(size[:, 0]) < LEAST_SPREAD_MM or share[1] < 0.9:
        return np.zeros((0, 2))
    axis = vectors[:, 1] * np.where(vectors[np.argmax(np.abs(vectors[:, 1])), 1] < 0.0, -1.0, 1.0)
    return axis[None]
