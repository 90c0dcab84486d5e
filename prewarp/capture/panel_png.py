"""Panel codes as PNG, 8 bits a sample up to 8-bit panels and 16 above, in colour.

Codes are spread over the sample's range and the panel's bits stand in the chunk sBIT, as the standard asks
(W3C, Portable Network Graphics (PNG) Specification, Second Edition, sections 11.3.3.4 and 12.5): the upper
`bit_depth` bits of a sample are the code, and a viewer that takes all bits shows the same light. Pillow
cannot write 16-bit colour, and reads it as 8 bits.
"""

import struct
import zlib
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from prewarp.encoding import largest_code
from prewarp.errors import CaptureError
from prewarp.files import MEBIBYTE, read_bytes
from prewarp.memory import PROGRAM_BYTES

_SIGNATURE = b"\x89PNG\r\n\x1a\n"
_COLOUR = 2
_UP = 2
_BAND_ROWS = 16
# Deflate with a window of 32 kB at the usual level; an empty last block of fixed codes (RFC 1950, 1951).
_ZLIB_HEAD, _DEFLATE_END = b"\x78\x9c", b"\x03\x00"
LIMIT_BYTES = 256 * MEBIBYTE
MOST_PX = 1 << 28
# Codes of one plane, and what a picture packs to, by measurement.
_BYTES_PER_PX, _BYTES_PER_PX_16 = 1.2, 2.3

Codes = NDArray[np.unsignedinteger]


def drawing_bytes(size_px: tuple[int, int], bit_depth: int, /) -> float:
    """Return how much memory a process takes that draws and packs pictures of a panel, bytes."""
    return PROGRAM_BYTES + size_px[0] * size_px[1] * (_BYTES_PER_PX if bit_depth <= 8 else _BYTES_PER_PX_16)


def panel_png(codes: Codes, bit_depth: int, /, *, planes: tuple[int, ...] | None = None) -> bytes:
    """Return a PNG file of panel codes: red, green, blue, row 0 the panel's top.

    `codes` (height, width, 3), or (height, width), which is what `planes` (0 red, 1 green, 2 blue) show.
    """
    height, width = codes.shape[:2]
    sample_bits = 8 if bit_depth <= 8 else 16
    samples = np.rint(
        np.arange(largest_code(bit_depth) + 1) * (largest_code(sample_bits) / largest_code(bit_depth))
    )
    table = samples.astype(">u2" if sample_bits == 16 else np.uint8)

    def row_bytes(part: Codes) -> NDArray[np.uint8]:
        values = part if bit_depth == 8 else table[part]
        if planes is not None:
            shown = np.zeros((*values.shape, 3), dtype=values.dtype)
            for plane in planes:
                shown[..., plane] = values
            values = shown
        return values.view(np.uint8).reshape(len(part), -1)

    head = struct.pack(">IIBBBBB", width, height, sample_bits, _COLOUR, 0, 0, 0)
    return png_file(head, (b"sBIT", bytes([bit_depth] * 3)), (b"IDAT", _packed(codes, row_bytes)))


def _packed(codes: Codes, row_bytes: Callable[[Codes], NDArray[np.uint8]]) -> bytes:
    """Return the filtered rows of codes as a zlib stream (RFC 1950).

    Bands of rows are filtered and packed each by itself (full flush). Most rows of a target are as those
    above them: a band of such rows is packed once and written again.
    """
    length = row_bytes(codes[:1]).shape[1]
    same = _filtered(np.zeros((_BAND_ROWS + 1, length), dtype=np.uint8))
    packed_same = _packed_band(same)
    parts, check = [_ZLIB_HEAD], 1
    for top in range(0, len(codes), _BAND_ROWS):
        # With the row above the band; nothing is above the first.
        part = codes[max(top - 1, 0) : top + _BAND_ROWS]
        if top and len(part) == len(same) + 1 and np.array_equal(part[1:], part[:-1]):
            band, packed = same, packed_same
        else:
            rows = row_bytes(part)
            band = _filtered(rows if top else np.concatenate([np.zeros_like(rows[:1]), rows]))
            packed = _packed_band(band)
        check = zlib.adler32(band.data, check)
        parts.append(packed)
    return b"".join([*parts, _DEFLATE_END, struct.pack(">I", check)])


def _filtered(rows: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return rows but for the first, each less the one above it, behind the filter's number."""
    filtered = np.empty((len(rows) - 1, 1 + rows.shape[1]), dtype=np.uint8)
    filtered[:, 0] = _UP
    np.subtract(rows[1:], rows[:-1], out=filtered[:, 1:])
    return filtered


def _packed_band(band: NDArray[np.uint8]) -> bytes:
    packer = zlib.compressobj(6, zlib.DEFLATED, -zlib.MAX_WBITS)
    return packer.compress(band.data) + packer.flush(zlib.Z_FULL_FLUSH)


def png_file(head: bytes, /, *chunks: tuple[bytes, bytes]) -> bytes:
    """Return a PNG file of its head, the data of IHDR, and chunks of kind and data up to the end."""
    whole = ((b"IHDR", head), *chunks, (b"IEND", b""))
    return _SIGNATURE + b"".join(_chunk(kind, data) for kind, data in whole)


def read_panel_png(path: Path | str, size_px: tuple[int, int], bit_depth: int, /) -> Codes:
    """Return the codes (height, width, 3) of a picture that `panel_png` made for such a panel.

    Raises
    ------
    InputFileError
        The file is missing, empty or too large.
    CaptureError
        Damaged, of another size or depth, or written by something else.
    """
    path = Path(path)
    data = read_bytes(path, limit_bytes=LIMIT_BYTES, what="a target picture (PNG)")

    def wrong(what: str) -> CaptureError:
        return CaptureError(
            f"{path}: {what}; expected a target picture as 'prewarp targets' wrote it. Write the targets "
            "again.",
            path=str(path),
        )

    chunks = _chunks(data)
    if chunks is None:
        raise wrong("not a whole PNG file")
    sample_bits = 8 if bit_depth <= 8 else 16
    width, height = size_px
    head = struct.pack(">IIBBBBB", width, height, sample_bits, _COLOUR, 0, 0, 0)
    if chunks.get(b"IHDR") != head or chunks.get(b"sBIT") != bytes([bit_depth] * 3):
        raise wrong(f"not {width} x {height} px in colour of {bit_depth} bits")
    row_bytes = 1 + 3 * width * sample_bits // 8
    if width * height > MOST_PX:
        raise wrong(f"more than {MOST_PX} px")
    unpacked = _unpacked(chunks.get(b"IDAT", b""), row_bytes * height)
    if unpacked is None:
        raise wrong("damaged data")
    filtered = np.frombuffer(unpacked, dtype=np.uint8).reshape(height, row_bytes)
    if np.any(filtered[:, 0] != _UP):
        raise wrong("rows are filtered in another way")
    rows = filtered[:, 1:].copy()
    # Row by row: ten times as fast as one accumulation down the columns.
    for above, row in pairwise(rows):
        row += above
    samples = rows.view(">u2" if sample_bits == 16 else np.uint8).reshape(height, width, 3)
    codes: Codes = np.right_shift(samples, sample_bits - bit_depth)
    return codes.astype(np.uint16) if sample_bits == 16 else codes.astype(np.uint8)


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def _chunks(data: bytes) -> dict[bytes, bytes] | None:
    """Return the chunks by kind, those of one kind joined; None where the file is cut or damaged."""
    if not data.startswith(_SIGNATURE):
        return None
    found: dict[bytes, bytes] = {}
    place = len(_SIGNATURE)
    while place + 12 <= len(data):
        (length,) = struct.unpack_from(">I", data, place)
        kind, end = data[place + 4 : place + 8], place + 8 + length
        body = data[place + 8 : end]
        if data[end : end + 4] != struct.pack(">I", zlib.crc32(kind + body)):
            return None
        found[kind] = found.get(kind, b"") + body
        if kind == b"IEND":
            return found
        place = end + 4
    return None


def _unpacked(data: bytes, size: int) -> bytes | None:
    """Return exactly `size` bytes of zlib data; None where it is damaged or holds more or less."""
    stream = zlib.decompressobj()
    try:
        unpacked = stream.decompress(data, size + 1)
    except zlib.error:
        return None
    return unpacked if len(unpacked) == size and stream.eof else None
