"""Codes of Chebyshev terms as a stream of bits: what family 1 keeps in its one block of bytes.

Nearly all codes are small, and what is not 0 lies at low degrees, in a channel with a mirror symmetry at
every other j alone. So codes stand without their places, in runs of eight, each as wide as its largest needs.

Whole numbers, lowest bit first, one after another. Rows in turn, tx with each pupil function, then ty: 1 bit,
0: no code. Else 6 bits, the highest degree; 2 bits, a `Choice`; then for each part of that the functions up
to the degree, by total degree and rising j, eight at a time, the last run shorter: 4 bits, the place in
`WIDTHS` of the width of its codes, and the codes, two's complement, never the lowest. Zeros to the end of the
last byte, then seven bytes of zeros: from any bit before eight bytes can be read.
"""

import math
from enum import IntEnum
from functools import lru_cache

import numpy as np

from prewarp.chebyshev import count_of_degree, exponents_of_degree
from prewarp.checks import IntArray
from prewarp.lookup.pupil import pupil_count

WIDTHS = (0, *range(2, 14), 16, 20, 25)
# Codes must be exact as float32: 24 bits of significand.
LARGEST_TERM = (1 << (WIDTHS[-1] - 1)) - 1
DEGREE_BITS, CHOICE_BITS, WIDTH_BITS, RUN, ZEROS = 6, 2, 4, 8, 7
_WIDTHS = np.array(WIDTHS, dtype=np.int64)
_MASKS = (1 << np.arange(WIDTHS[-1] + 1, dtype=np.int64)) - 1
# The largest code of each width.
_LARGEST = np.array([(1 << max(width - 1, 0)) - 1 for width in WIDTHS], dtype=np.int64)


class Choice(IntEnum):
    """Which functions T_i(s) T_j(t) a row has; the values stand in blobs. BOTH: of even j, then of odd."""

    EVEN = 0
    ODD = 1
    BOTH = 2


_PARTS = {Choice.EVEN: (0,), Choice.ODD: (1,), Choice.BOTH: (0, 1)}


@lru_cache(maxsize=256)
def runs_of(top: int, choice: Choice, /) -> tuple[IntArray, ...]:
    """Return the places of panel functions, in the graded order, of every run up to a degree."""
    j = exponents_of_degree(top)[:, 1]
    parts = [np.flatnonzero(j % 2 == part) for part in _PARTS[choice]]
    return tuple(part[first : first + RUN] for part in parts for first in range(0, len(part), RUN))


@lru_cache(maxsize=256)
def _runs_together(top: int, choice: Choice, /) -> tuple[IntArray, IntArray, IntArray]:
    """Return the places of `runs_of` one after another, where each run begins, and their lengths."""
    runs = runs_of(top, choice)
    lengths = np.array([len(one) for one in runs], dtype=np.int64)
    return np.concatenate([np.zeros(0, np.int64), *runs]), np.cumsum(lengths) - lengths, lengths


def packed_terms(codes: IntArray, /) -> bytes:
    """Return the stream of codes (2, pupil functions, panel functions), at most `LARGEST_TERM`.

    The counts of functions are those of a degree.
    """
    numbers: list[IntArray] = []
    widths: list[IntArray] = []
    for row in codes.reshape(-1, codes.shape[-1]):
        if not row.any():
            numbers.append(np.array([0]))
            widths.append(np.array([1]))
            continue
        top = _top_degree(row)
        choice = min(Choice, key=lambda one: _row_bits(row, top, one))
        places, starts, lengths = _runs_together(top, choice)
        place = _width_places(row, top, choice)
        # Ahead of the codes of a run the place of their width.
        heads = starts + np.arange(len(starts))
        codes_at = np.arange(len(places)) + np.repeat(np.arange(1, len(starts) + 1), lengths)
        width = np.empty(len(places) + len(starts), dtype=np.int64)
        number = np.empty_like(width)
        width[heads], width[codes_at] = WIDTH_BITS, np.repeat(_WIDTHS[place], lengths)
        number[heads], number[codes_at] = place, row[places]
        numbers += [np.array([1, top, choice]), number & _MASKS[width]]
        widths += [np.array([1, DEGREE_BITS, CHOICE_BITS]), width]
    number, width = np.concatenate(numbers), np.concatenate(widths)
    at = np.arange(WIDTHS[-1])
    bits = (number[:, None] >> at) & 1
    packed = np.packbits(bits[at < width[:, None]].astype(np.uint8), bitorder="little")
    return packed.tobytes() + bytes(ZEROS)


@lru_cache(maxsize=64)
def unpacked_terms(data: bytes, degree: int, pupil_degree: int, /) -> IntArray:
    """Return the codes (2, pupil functions, panel functions) of a stream, read only.

    Raises
    ------
    ValueError
        The bytes are no such stream: too few or too many, a degree above `degree`, a lowest code.
    """
    codes = np.zeros((2 * pupil_count(pupil_degree), count_of_degree(degree)), dtype=np.int64)
    stream = _Stream(data)
    for row in codes:
        if not stream.take(1):
            continue
        top, choice = stream.take(DEGREE_BITS), Choice(stream.take(CHOICE_BITS))
        if top > degree:
            raise ValueError("a degree above that of the map")
        for run in runs_of(top, choice):
            width = WIDTHS[stream.take(WIDTH_BITS)]
            if width > 0:
                row[run] = stream.take_codes(width, len(run))
    stream.end()
    found = codes.reshape(2, -1, codes.shape[-1])
    found.setflags(write=False)
    return found


class _Stream:
    def __init__(self, data: bytes) -> None:
        self._data, self._place = data, 0
        self._count = 8 * (len(data) - ZEROS)

    def take(self, width: int) -> int:
        first, shift = divmod(self._place, 8)
        self._place += width
        if self._place > self._count:
            raise ValueError("the bytes end before the codes do")
        window = int.from_bytes(self._data[first : first + (shift + width + 7) // 8], "little")
        return (window >> shift) & ((1 << width) - 1)

    def take_codes(self, width: int, count: int) -> list[int]:
        window, half, mask = self.take(width * count), 1 << (width - 1), (1 << width) - 1
        codes = [(((window >> place) & mask) ^ half) - half for place in range(0, width * count, width)]
        if min(codes) == -half:
            raise ValueError("a code is the lowest of its width")
        return codes

    def end(self) -> None:
        left = self._count - self._place
        if left >= 8 or self.take(left) != 0 or any(self._data[-ZEROS:]):
            raise ValueError("bytes follow the codes")


def _top_degree(row: IntArray) -> int:
    last = int(np.flatnonzero(row)[-1])
    return (math.isqrt(8 * last + 1) - 1) // 2


def _width_places(row: IntArray, top: int, choice: Choice) -> IntArray:
    """Return for every run the place of the least width that holds its codes and their negatives."""
    places, starts, _ = _runs_together(top, choice)
    largest = np.maximum.reduceat(np.abs(row[places]), starts)
    return np.searchsorted(_LARGEST, largest)


def _row_bits(row: IntArray, top: int, choice: Choice) -> float:
    """Return the bits of the groups of a row; infinite where a choice leaves out codes."""
    places, _, lengths = _runs_together(top, choice)
    if not len(places) or np.count_nonzero(row[places]) != np.count_nonzero(row):
        return np.inf
    return float(np.sum(WIDTH_BITS + _WIDTHS[_width_places(row, top, choice)] * lengths))
