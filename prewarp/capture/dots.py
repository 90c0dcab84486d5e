"""Where dots lie on a panel, and how large they are: for coded frames, and marks that name themselves.

Centres lie on whole or half px. A disc there is its own mirror image pixel by pixel, so that its centroid
stays its centre through any encoding and rounding; elsewhere it misses by up to some 0.009 px.
"""

import math
from dataclasses import dataclass

import numpy as np

from prewarp.capture.codes import NAMES, all_words, assigned_names, text_of_word, words_of_texts
from prewarp.checks import BoolArray, FloatArray
from prewarp.errors import CaptureError

SMALLEST_RADIUS_PX = 1.5
# A tenth of the pitch: ghosts a pitch away fall beside the dot, and its light spreads over many pixels.
_RADIUS_PER_PITCH = 0.1
# Beside a dot this much of the pitch at least is black, for the background.
_BLACK_PER_PITCH = 0.4
# Radii of marks that name themselves, over the smallest: small, large, and the one in the middle.
_LARGE, _CENTRE = 1.5, 2.2
# A window of so many dots each way is found once only, turned or mirrored as it may be.
WINDOW = 5
_TRIES = 200


@dataclass(frozen=True, eq=False)
class DotLattice:
    """Dots of one panel, row by row from its top-left corner: mark = row x columns + column.

    `places` (n, 2) centres u, v, px; `radii` (n,) px; `code` 13 characters each; `columns`, `rows`.
    """

    places: FloatArray
    radii: FloatArray
    code: tuple[str, ...]
    columns: int
    rows: int

    @property
    def lit(self) -> BoolArray:
        """Whether each dot is lit in each code frame, (n, 13)."""
        return words_of_texts(self.code)

    @property
    def pitch_px(self) -> float:
        """The smaller distance of neighbours across and down, px."""
        lattice = self.places.reshape(self.rows, self.columns, 2)
        return float(min(np.diff(lattice[0, :, 0]).min(), np.diff(lattice[:, 0, 1]).min()))


def dot_lattice(
    size_px: tuple[int, int],
    count: tuple[int, int],
    /,
    *,
    radius_px: float | None = None,
    named_by_size: bool = False,
    number: int = 0,
) -> DotLattice:
    """Return dots spread over a panel from rim to rim, on whole or half px.

    Parameters
    ----------
    size_px : (int, int)
        Width and height of the panel.
    count : (int, int)
        Dots across and down.
    radius_px : float, optional
        Of a dot; a tenth of the pitch where left out, in half px, 1.5 px at least.
    named_by_size : bool
        Whether dots are of two sizes, with a larger one in the middle, so that one frame names them.
    number : int
        Which panel of a module it is: no two have the same names, or pattern of sizes, at their places.

    Raises
    ------
    CaptureError
        More dots than names, fewer than two each way, or dots that touch or do not fit the panel.
    """
    columns, rows = count
    if columns < 2 or rows < 2 or columns * rows > NAMES:
        raise CaptureError(
            f"{columns} x {rows} dots; expected 2 or more each way and {NAMES} at most, the names that 13 "
            "frames give. Take 41x41, or sines for denser places."
        )
    radius = radius_px if radius_px is not None else _fitting_radius(size_px, count)
    largest = radius * (_CENTRE if named_by_size else 1.0)
    # One px of black at the panel's edge, so that no dot's light is cut.
    rim = math.ceil(2.0 * (radius * (_LARGE if named_by_size else 1.0) + 1.0)) / 2.0
    u, v = (
        _half_px(np.linspace(rim, length - rim, many)) for length, many in zip(size_px, count, strict=True)
    )
    pitch = float(min(np.diff(u).min(), np.diff(v).min()))
    if radius < SMALLEST_RADIUS_PX - 1e-9 or pitch - 2.0 * largest < _BLACK_PER_PITCH * pitch:
        raise CaptureError(
            f"{columns} x {rows} dots of radius {radius:g} px on {size_px[0]} x {size_px[1]} px lie "
            f"{max(pitch, 0.0):g} px apart; expected a radius of {SMALLEST_RADIUS_PX:g} px or more and "
            f"{100 * _BLACK_PER_PITCH:.0f} % of the pitch black between dots. Take fewer or smaller dots "
            "(--dots, --radius)."
        )
    places = np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)
    words = all_words()[assigned_names(columns, rows, number).ravel()]
    radii = np.full(len(places), radius)
    if named_by_size:
        radii *= _sizes(columns, rows, number).ravel()
    return DotLattice(places, radii, tuple(text_of_word(word) for word in words), columns, rows)


def _half_px(place: FloatArray) -> FloatArray:
    return np.round(2.0 * place) / 2.0


def _fitting_radius(size_px: tuple[int, int], count: tuple[int, int]) -> float:
    pitch = min(length / many for length, many in zip(size_px, count, strict=True))
    return max(SMALLEST_RADIUS_PX, round(2.0 * _RADIUS_PER_PITCH * pitch) / 2.0)


def middle_mark(columns: int, rows: int, /) -> int:
    """Return the mark from which marks that name themselves are counted: the largest of all."""
    return (rows // 2) * columns + columns // 2


def _sizes(columns: int, rows: int, number: int) -> FloatArray:
    """Return the size of each mark over the smallest, (rows, columns).

    Drawn by lot from fixed seeds until every window of 5 x 5 marks is found once only, in all of its eight
    turns and mirror images: a photograph that shows one whole window then names all that hang together with
    it. Lattices of fewer marks are named by the largest, from which the others are counted.
    """
    for seed in range(number * _TRIES, (number + 1) * _TRIES):
        large = np.random.default_rng(seed).integers(0, 2, (rows, columns)).astype(bool)
        # To the right and below the middle: which way is which, and whether it is a mirror image.
        row, column = divmod(middle_mark(columns, rows), columns)
        if column + 1 < columns:
            large[row, column + 1] = True
        if row + 1 < rows:
            large[row + 1, column] = False
        large[row, column - 1], large[row - 1, column] = False, False
        if has_unlike_windows(large):
            sizes = np.where(large, _LARGE, 1.0)
            sizes[row, column] = _CENTRE
            return sizes
    raise CaptureError(
        f"{columns} x {rows} marks of two sizes: no pattern was found in which no two windows are alike."
    )


def has_unlike_windows(large: BoolArray, /) -> bool:
    """Return whether no 5 x 5 window of a pattern (rows, columns) is like another, or like itself turned."""
    if min(large.shape) < WINDOW:
        return True
    windows = np.lib.stride_tricks.sliding_window_view(large, (WINDOW, WINDOW)).reshape(-1, WINDOW, WINDOW)
    weights = 1 << np.arange(WINDOW * WINDOW)
    keys = []
    for mirrored in (windows, windows[:, :, ::-1]):
        keys += [
            np.rot90(mirrored, turn, axes=(1, 2)).reshape(len(windows), -1) @ weights for turn in range(4)
        ]
    together = np.concatenate(keys)
    return len(np.unique(together)) == len(together)
