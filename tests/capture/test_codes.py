"""Names of dots in time: how many, what they notice, and how well they tell neighbours' light apart."""

import math

import numpy as np
import pytest

from prewarp.capture.codes import (
    FRAMES,
    NAMES,
    WEIGHT,
    all_words,
    assigned_names,
    is_name,
    text_of_word,
    words_of_texts,
)
from prewarp.capture.extract.order import other_orders


@pytest.mark.outside
def test_there_are_as_many_names_as_combinations():
    """13 choose 6, of `math.comb`; 11 frames with a parity frame among them would name 2^10 - 1."""
    words = all_words()
    assert len(words) == NAMES == math.comb(FRAMES, WEIGHT) == 1716 > 2**10 - 1 == 1023
    assert len(np.unique(words, axis=0)) == NAMES
    assert (words.sum(axis=1) == WEIGHT).all()


@pytest.mark.parametrize("wrong_to", [False, True])
def test_every_one_way_error_leaves_no_name(wrong_to):
    """Berger, Information and Control 4 (1961) 68: constant weight finds all errors of one direction."""
    random = np.random.default_rng(0)
    words = all_words()[random.integers(0, NAMES, 400)].copy()
    for word in words:
        able = np.flatnonzero(word != wrong_to)
        word[random.choice(able, random.integers(1, len(able) + 1), replace=False)] = wrong_to
        assert not is_name(text_of_word(word))


def test_text_and_words_go_both_ways():
    words = all_words()[::97]
    texts = tuple(text_of_word(word) for word in words)
    assert np.array_equal(words_of_texts(texts), words)
    assert all(is_name(text) for text in texts)
    assert not any(is_name(text) for text in ("", "1" * 6, "0000000111112", "00000001111110"))


@pytest.mark.parametrize(("columns", "rows"), [(33, 33), (41, 41), (2, 858), (1, 1)])
def test_no_two_dots_of_a_lattice_have_one_name(columns, rows):
    names = assigned_names(columns, rows)
    assert names.shape == (rows, columns)
    assert len(np.unique(names)) == columns * rows


@pytest.mark.parametrize(("count", "lattices"), [(17, 7), (33, 12)])
def test_lattices_name_their_places_differently(count, lattices):
    """17 x 17 dots have names of their own five times over, 33 x 33 once; then another order of frames."""
    names = [assigned_names(count, count, number) for number in range(lattices)]
    apart = NAMES // count**2
    for number, one in enumerate(names):
        assert len(np.unique(one)) == count**2
        for earlier, other in enumerate(names[:number]):
            assert np.count_nonzero(one == other) <= 0.02 * count**2
            if number < apart:
                assert not np.isin(one, other).any(), earlier
    words = all_words()[names[-1]].astype(float)
    shared = np.einsum("rcf,rcf->rc", words[:, 1:], words[:, :-1])
    first = all_words()[names[(lattices - 1) % apart]].astype(float)
    assert np.array_equal(shared, np.einsum("rcf,rcf->rc", first[:, 1:], first[:, :-1]))


def test_another_lattice_is_no_other_order_of_the_frames():
    """Neither exchanged nor moved on nor reversed: what photographs in a wrong order are told by."""
    words = [all_words()[assigned_names(33, 33, number)] for number in range(4)]
    for one in words[1:]:
        for order, _ in other_orders():
            assert np.mean(np.all(words[0] == one[..., order], axis=-1)) < 0.05


def test_more_lattices_than_orders_are_refused():
    with pytest.raises(ValueError, match="lattice 131 of 33 x 33"):
        assigned_names(33, 33, 131)


def test_more_dots_than_names_are_refused():
    with pytest.raises(ValueError, match="there are 1716 names"):
        assigned_names(42, 41)


def own_sigma(names):
    """Return the uncertainty of each dot's own light by regression on it, its 8 neighbours and a background.

    Over the whole frame and 13 code frames of unit noise; inner dots of a lattice (rows, columns).
    """
    words = all_words().astype(float)
    found = []
    for row in range(1, names.shape[0] - 1):
        for column in range(1, names.shape[1] - 1):
            near = names[row - 1 : row + 2, column - 1 : column + 2].ravel()
            frames = np.vstack([words[near].T, np.ones(9)])
            covariance = np.linalg.pinv(
                np.hstack([frames, np.ones((14, 1))]).T @ np.hstack([frames, np.ones((14, 1))])
            )
            found.append(math.sqrt(covariance[4, 4]))
    return np.array(found)


def test_neighbours_light_is_told_apart_better_than_by_names_drawn_by_lot():
    by_lot = np.random.default_rng(0).permutation(NAMES)[: 17 * 17].reshape(17, 17)
    chosen, drawn = own_sigma(assigned_names(17, 17)), own_sigma(by_lot)
    assert np.median(chosen) < 0.75 * np.median(drawn)
    assert chosen.max() < 0.6 * drawn.max()
    # Dot and background alone: 1 / sqrt(sum of squares about the mean of seven ones in 14 frames).
    assert np.median(chosen) < 1.3 / math.sqrt(14 * 0.5 * 0.5)


def test_code_frames_give_about_equal_light():
    lit = all_words()[assigned_names(33, 33).ravel()].mean(axis=0)
    assert np.abs(lit - WEIGHT / FRAMES).max() < 0.05
