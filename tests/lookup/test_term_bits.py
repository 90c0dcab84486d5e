"""Codes of Chebyshev terms as bits: by hand, back again, and no more bytes than they need."""

import numpy as np
import pytest

from prewarp.lookup.pupil import pupil_count
from prewarp.lookup.term_bits import LARGEST_TERM, packed_terms, unpacked_terms
from tests.lookup.slow_lookup import read_terms
from tests.lookup.small_lookups import case


def test_by_hand():
    """One pupil function, degree 1: tx holds 3 at T_0, -1 at T_1(s), 5 at T_1(t); ty nothing."""
    codes = np.array([[[3, -1, 5]], [[0, 0, 0]]])
    # Lowest bit first: a row; degree 1 (6 bits); both (2); width 3 (4 bits: 2), 3, -1; width 4, 5; no row.
    bits = "1" + "100000" + "01" + "0100" + "110" + "111" + "1100" + "1010" + "0"
    wanted = int(bits[::-1], 2).to_bytes(4, "little") + bytes(7)
    assert packed_terms(codes) == wanted
    np.testing.assert_array_equal(unpacked_terms(wanted, 1, 0), codes)


@pytest.mark.parametrize("empty", [False, True], ids=["codes", "runs of width 0"])
def test_a_degree_above_the_map_s_is_refused(empty):
    """Degree 2 in a map of degree 1, with codes or with none."""
    row = "1" + "010000" + "01" + ("0000" * 2 if empty else "0100" + "110" * 4 + "0100" + "110" * 2) + "0"
    data = int(row[::-1], 2).to_bytes(-(-len(row) // 8), "little") + bytes(7)
    assert unpacked_terms(data, 2, 0).any() != empty
    with pytest.raises(ValueError, match="degree above"):
        unpacked_terms(data, 1, 0)


@pytest.mark.parametrize("seed", range(6))
def test_codes_come_back(seed):
    random = np.random.default_rng(seed)
    codes = np.rint(random.normal(size=(2, pupil_count(3), 28)) * 10.0 ** random.uniform(-3, 6, (2, 20, 1)))
    codes = np.clip(codes, -LARGEST_TERM, LARGEST_TERM).astype(np.int64)
    # Rows without codes, with even j alone, with odd j alone.
    j = np.array([k for n in range(7) for k in range(n + 1)])
    codes[:, ::4] = 0
    codes[:, 1::4, j % 2 == 1] = 0
    codes[:, 2::4, j % 2 == 0] = 0
    codes[0, 3, 5], codes[1, 3, 5] = LARGEST_TERM, -LARGEST_TERM
    np.testing.assert_array_equal(unpacked_terms(packed_terms(codes), 6, 3), codes)


@pytest.mark.outside
def test_what_layout_says_is_what_is_written():
    """Bits read as LAYOUT.md tells people to read them."""
    table = case("chebyshev").maps[0]
    codes = unpacked_terms(table.blocks[0].to_bytes(), table.columns - 1, table.pupil_degree)
    found = np.zeros((2 * table.modes, codes.shape[2]), dtype=int)
    for row, i, j, code in read_terms(table):
        found[row, (i + j) * (i + j + 1) // 2 + j] = code
    np.testing.assert_array_equal(found.reshape(codes.shape), codes)


def test_zeros_cost_little():
    """A mirror symmetry leaves every other j: it costs two bits a row, not a place a code."""
    codes = np.zeros((2, pupil_count(2), 66), dtype=np.int64)
    j = np.array([k for n in range(11) for k in range(n + 1)])
    codes[0, 0, j % 2 == 0] = 1
    count = np.count_nonzero(codes)
    assert len(packed_terms(codes)) <= (2 * count + 4 * -(-count // 8) + 9 + 20 + 7) // 8 + 7
