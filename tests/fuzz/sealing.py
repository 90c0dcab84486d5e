"""Blobs whose checksums agree again after something was changed."""

import struct
import zlib

HEADER_BYTES, SECTION_BYTES = 32, 16


def resealed(blob):
    """Return a blob whose checksums agree again, as far as its sections lie inside it."""
    if len(blob) < HEADER_BYTES:
        return blob
    data = bytearray(blob)
    count = min(struct.unpack_from("<H", data, 10)[0], (len(data) - HEADER_BYTES) // SECTION_BYTES)
    for place in range(HEADER_BYTES, HEADER_BYTES + SECTION_BYTES * count, SECTION_BYTES):
        offset, size = struct.unpack_from("<II", data, place + 4)
        if offset + size <= len(data):
            struct.pack_into("<I", data, place + 12, zlib.crc32(bytes(data[offset : offset + size])))
    struct.pack_into("<I", data, 16, 0)
    end = HEADER_BYTES + SECTION_BYTES * count
    struct.pack_into("<I", data, 16, zlib.crc32(bytes(data[:end])))
    return bytes(data)
