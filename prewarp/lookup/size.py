"""Bytes that a lookup takes as a blob, without writing it. The layout itself is `prewarp.export.layout`'s."""

from prewarp.lookup.candidates import BLOCK_RECORD, MAP_RECORD
from prewarp.lookup.tables import Lookup

HEADER, SECTION, DISPLAY, CHANNEL, COLOUR, SURFACE = 32, 16, 56, 48, 32, 48
SECTIONS, ALIGNMENT = 7, 16


def blob_bytes(lookup: Lookup, /) -> int:
    """Return the bytes of the blob of a lookup; a test holds this to what the writer writes."""
    surfaces = (*lookup.weights, *lookup.gains)
    blocks = [block for table in lookup.maps for block in table.blocks] + [one.block for one in surfaces]
    data = 0
    for block in blocks:
        data = _aligned(data, 4) + block.byte_count
    parts = (
        DISPLAY,
        CHANNEL * len(lookup.channels),
        COLOUR * len(lookup.colours),
        MAP_RECORD * len(lookup.maps),
        BLOCK_RECORD * len(blocks),
        SURFACE * len(surfaces),
        data,
    )
    place = HEADER + SECTION * SECTIONS
    for part in parts:
        place = _aligned(place, ALIGNMENT) + part
    return _aligned(place, ALIGNMENT)


def _aligned(place: int, step: int) -> int:
    return -(-place // step) * step
