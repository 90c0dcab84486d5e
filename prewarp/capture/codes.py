"""Names of dots, told in time: in 13 frames a dot is lit in exactly 6.

There are 13! / (6! 7!) = 1,716 such names. Each dot gives the same light over the frames, and a frame that is
misread in one direction only (a dot taken for dark, or for lit) leaves a word of another weight, which is no
name: constant-weight codes find every one-way error (J. M. Berger, Information and Control 4 (1961) 68).
"""

from functools import lru_cache
from itertools import combinations

import numpy as np

from prewarp.checks import BoolArray, IntArray

FRAMES = 13
WEIGHT = 6
NAMES = 1716
# Two names share 36/13 frames on average. Dots that share as many tell their light apart best: with more they
# look alike, with fewer both together look like an even background.
_MEAN_SHARED = WEIGHT * WEIGHT / FRAMES
# How far around a dot others count, in dots, and by which power of the distance less.
_REACH = 3
_FADING = 2.0
# Of a prime number of frames every factor gives an order; 1 and 12 would give the same one, there and back.
_FACTORS = tuple(range(2, FRAMES - 1))


@lru_cache(maxsize=1)
def all_words() -> BoolArray:
    """Return every name, shape (1716, 13): whether the dot is lit in each frame; in lexical order."""
    lit = np.array(list(combinations(range(FRAMES), WEIGHT)))
    words = np.zeros((len(lit), FRAMES), dtype=bool)
    np.put_along_axis(words, lit, True, axis=1)
    words = words[np.lexsort(words.T[::-1])]
    words.flags.writeable = False
    return words


def text_of_word(word: BoolArray, /) -> str:
    """Return a name (13,) as 13 characters, 1 where the dot is lit."""
    return "".join("1" if lit else "0" for lit in word)


def is_name(text: str, /) -> bool:
    """Return whether `text` is a name: 13 characters 0 or 1, six of them 1."""
    return len(text) == FRAMES and set(text) <= {"0", "1"} and text.count("1") == WEIGHT


def words_of_texts(texts: tuple[str, ...], /) -> BoolArray:
    """Return names as (n, 13) bool: lit in each frame."""
    return np.array([[one == "1" for one in text] for text in texts], dtype=bool).reshape(-1, FRAMES)


@lru_cache(maxsize=32)
def assigned_names(columns: int, rows: int, number: int = 0, /) -> IntArray:
    """Return the place in `all_words` of the name of each dot of a lattice, shape (rows, columns).

    No two dots have one name. Each dot in turn, row by row, takes of the free names the one whose shared
    frames with the dots around it come nearest to the mean, so that the light of neighbours and ghosts can be
    told from its own by regression; of equals the first.

    `number` counts lattices, one for each panel: no two name their places alike, so that photographs of
    exchanged panels are told. While names suffice a lattice has none of those of the lattices before; then
    frame f shows what frame a f + b (mod 13) of an earlier lattice shows, a from 2 to 11: names share as many
    frames as there, and as a is neither 1 nor 12 this is never the same order shifted or reversed.

    Raises
    ------
    ValueError
        More dots than names, or more lattices than there are orders.
    """
    count = rows * columns
    if not 1 <= count <= NAMES:
        raise ValueError(f"{columns} x {rows} dots; there are {NAMES} names")
    unlike_sets = NAMES // count
    order, base = divmod(number, unlike_sets)
    if not 0 <= order <= len(_FACTORS) * FRAMES:
        raise ValueError(f"lattice {number} of {columns} x {rows} dots; names are given to fewer")
    if order == 0:
        names = _chosen_names(columns, rows, number)
    else:
        shift, factor = divmod(order - 1, len(_FACTORS))
        shown = (_FACTORS[factor] * np.arange(FRAMES) + shift) % FRAMES
        words = all_words()[assigned_names(columns, rows, base)]
        names = _places_of_words(words[..., shown])
    names.flags.writeable = False
    return names


def _chosen_names(columns: int, rows: int, number: int) -> IntArray:
    """Return names that lattices before have none of."""
    words = all_words().astype(np.float64)
    unlike = (words @ words.T - _MEAN_SHARED) ** 2
    names = np.full((rows, columns), -1)
    taken = np.zeros(NAMES)
    for earlier in range(number):
        taken[assigned_names(columns, rows, earlier)] = np.inf
    for row in range(rows):
        for column in range(columns):
            cost = taken.copy()
            for down in range(-_REACH, 1):
                for across in range(-_REACH, _REACH + 1):
                    r, c = row + down, column + across
                    if r < 0 or not 0 <= c < columns or names[r, c] < 0:
                        continue
                    cost += unlike[names[r, c]] / np.hypot(down, across) ** _FADING
            names[row, column] = int(np.argmin(cost))
            taken[names[row, column]] = np.inf
    return names


def _places_of_words(words: BoolArray) -> IntArray:
    """Return where in `all_words` words (..., 13) stand; they are in rising order there."""
    powers = 1 << np.arange(FRAMES)[::-1]
    places: IntArray = np.searchsorted(all_words() @ powers, words @ powers)
    return places
