"""Numbers as devices store them."""

import numpy as np
import pytest

from prewarp.errors import ShapeError
from prewarp.lookup.coding import (
    CodedArray,
    Format,
    byte_count,
    coded,
    format_for,
    numbers_from_bytes,
    packed_12,
    scale_for,
    unpacked_12,
)


def test_twelve_bits_by_hand():
    # 0x123 and 0xABC = -1348: low byte of the first, its high 4 bits with the low 4 of the second, the rest.
    assert packed_12(np.array([0x123, 0xABC - 4096])) == bytes([0x23, 0xC1, 0xAB])
    assert packed_12(np.array([-1])) == bytes([0xFF, 0x0F])


@pytest.mark.parametrize("count", [0, 1, 2, 7, 8])
def test_twelve_bits_round_trip(count):
    codes = np.random.default_rng(count).integers(-2047, 2048, count)
    np.testing.assert_array_equal(unpacked_12(packed_12(codes), count), codes)


@pytest.mark.parametrize("form", list(Format))
def test_every_format_reads_back(form):
    random = np.random.default_rng(int(form))
    if form == Format.FLOAT32:
        numbers = random.normal(size=9).astype(np.float32)
    else:
        largest = 255 if form == Format.UINT8 else 127
        numbers = random.integers(0 if form in (Format.UINT8, Format.UINT16) else -largest, largest, 9)
    block = CodedArray(form, numbers, 0.5)
    data = block.to_bytes()
    assert len(data) == block.byte_count == byte_count(form, 9)
    np.testing.assert_array_equal(numbers_from_bytes(form, data, 9), numbers)


def test_rounding_is_at_most_half_a_step():
    values = np.random.default_rng(0).normal(size=500)
    for form in (Format.INT8, Format.INT12, Format.INT16):
        block = coded(values, form, scale_for(values, form))
        assert np.abs(block.values() - values).max() <= 0.5001 * block.scale
        assert np.abs(block.numbers).max() == {8: 127, 12: 2047, 16: 32767}[int(form)]


def test_narrowest_format():
    assert format_for(np.array([127])) == Format.INT8
    assert format_for(np.array([-128])) == Format.INT12
    assert format_for(np.array([2048])) == Format.INT16
    assert format_for(np.array([32768])) is None


def test_wrong_length_is_refused():
    with pytest.raises(ShapeError, match="5 bytes for 3 numbers of format INT16; expected 6"):
        numbers_from_bytes(Format.INT16, bytes(5), 3)
