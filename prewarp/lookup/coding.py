"""Numbers as a device stores them: whole numbers of 8, 12 or 16 bits with a scale, and floats.

`value = scale * code`. Codes are signed and never the lowest number of their width, so a table's negative is
a table.
"""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from prewarp.checks import FloatArray, IntArray
from prewarp.errors import ShapeError


class Format(IntEnum):
    """How a number is stored; the values stand in blobs."""

    INT8 = 8
    INT12 = 12
    INT16 = 16
    UINT8 = 108
    UINT16 = 116
    FLOAT32 = 232


INTEGER_FORMATS = {8: Format.INT8, 12: Format.INT12, 16: Format.INT16}
# Those that a user may ask for, bits.
WIDTHS = (8, 12, 16)
LARGEST_CODE = {Format.INT8: 127, Format.INT12: 2047, Format.INT16: 32767}
_PLAIN = {
    Format.INT8: "<i1",
    Format.INT16: "<i2",
    Format.UINT8: "<u1",
    Format.UINT16: "<u2",
    Format.FLOAT32: "<f4",
}


@dataclass(frozen=True)
class CodedArray:
    """Numbers in one format: `numbers` (n,) are codes (integers) or values (floats); `scale` is a float32."""

    format: Format
    numbers: np.ndarray
    scale: float = 1.0

    @property
    def byte_count(self) -> int:
        """Bytes that the numbers take."""
        return byte_count(self.format, len(self.numbers))

    def values(self) -> FloatArray:
        """Return scale times numbers, float64."""
        return np.float64(np.float32(self.scale)) * self.numbers.astype(np.float64)

    def to_bytes(self) -> bytes:
        """Return the numbers as they stand in a blob, little-endian."""
        if self.format == Format.INT12:
            return packed_12(self.numbers)
        return np.ascontiguousarray(self.numbers).astype(_PLAIN[self.format]).tobytes()


def byte_count(form: Format, count: int, /) -> int:
    """Return the bytes that `count` numbers of a format take; two 12-bit numbers share three bytes."""
    if form == Format.INT12:
        return (count * 3 + 1) // 2
    return count * np.dtype(_PLAIN[form]).itemsize


def numbers_from_bytes(form: Format, data: bytes, count: int, /) -> np.ndarray:
    """Return `count` numbers; inverse of `CodedArray.to_bytes`."""
    if len(data) != byte_count(form, count):
        raise ShapeError(
            f"{len(data)} bytes for {count} numbers of format {form.name}; "
            f"expected {byte_count(form, count)}."
        )
    if form == Format.INT12:
        return unpacked_12(data, count)
    plain = np.frombuffer(data, dtype=_PLAIN[form])
    return plain.astype(np.float32 if form == Format.FLOAT32 else np.int64)


def packed_12(codes: IntArray, /) -> bytes:
    """Return signed 12-bit codes, two in three bytes.

    The low 8 bits of the first; its high 4 with the second's low 4; the rest.
    """
    raw = np.asarray(codes, dtype=np.int64) & 0xFFF
    even = raw[0::2]
    odd = np.zeros_like(even)
    odd[: len(raw[1::2])] = raw[1::2]
    triple = np.stack([even & 0xFF, (even >> 8) | ((odd & 0xF) << 4), odd >> 4], axis=-1).astype(np.uint8)
    return triple.tobytes()[: byte_count(Format.INT12, len(raw))]


def unpacked_12(data: bytes, count: int, /) -> IntArray:
    """Return `count` signed 12-bit codes; inverse of `packed_12`."""
    triple = np.zeros((count + 1) // 2 * 3, dtype=np.int64)
    triple[: len(data)] = np.frombuffer(data, dtype=np.uint8)
    a, b, c = triple[0::3], triple[1::3], triple[2::3]
    raw = np.stack([a | ((b & 0xF) << 8), (b >> 4) | (c << 4)], axis=-1).ravel()[:count]
    return np.where(raw > 2047, raw - 4096, raw)


def format_for(codes: FloatArray | IntArray, /) -> Format | None:
    """Return the narrowest of 8, 12 and 16 bits that holds the codes, or None when 16 bits do not."""
    largest = int(np.abs(codes).max(initial=0))
    forms = (INTEGER_FORMATS[bits] for bits in WIDTHS)
    return next((form for form in forms if largest <= LARGEST_CODE[form]), None)


def scale_for(values: FloatArray, form: Format, /) -> float:
    """Return the smallest float32 scale with which the format holds the values."""
    largest = float(np.abs(values).max(initial=0.0))
    scale = np.float32(max(largest, 1e-30) / LARGEST_CODE[form])
    # The nearest float32 may be a hair too small.
    enough = float(scale) * LARGEST_CODE[form] >= largest
    return float(scale if enough else np.nextafter(scale, np.float32(np.inf)))


def coded(values: FloatArray, form: Format, scale: float, /) -> CodedArray:
    """Return values rounded to whole multiples of `scale` (a float32), clipped to the format."""
    scale32 = float(np.float32(scale))
    largest = LARGEST_CODE[form]
    codes = np.clip(np.rint(np.ravel(values) / scale32), -largest, largest).astype(np.int64)
    return CodedArray(form, codes, scale32)
