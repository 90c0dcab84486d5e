"""The layout of a lookup blob, in data: writer, reader, C header and the table for people come from it.

Little-endian throughout. A blob is a header, a table of sections, then the sections in the order of
`SECTIONS`, each at a multiple of `ALIGNMENT` bytes, zeros between. CRC-32 is that of IEEE 802.3 (check value
0xCBF43926 for "123456789").
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

MAGIC = b"PWLOOKUP"
VERSION = 3
ALIGNMENT = 16
BLOCK_ALIGNMENT = 4
NAME_BYTES = 32
NONE = 0xFFFF
MAX_BLOB_BYTES = 1 << 30

# Entries whose name begins so hold zeros.
RESERVED = "reserved"
_NUMPY = {"u16": "<u2", "u32": "<u4", "f32": "<f4"}


@dataclass(frozen=True)
class Entry:
    """One entry of a record: `kind` char, u16, u32 or f32; `count` of them; unit and meaning for people."""

    name: str
    kind: str
    count: int
    unit: str
    meaning: str

    @property
    def format(self) -> str:
        """The entry as a numpy type."""
        if self.kind == "char":
            return f"S{self.count}"
        return f"{self.count if self.count > 1 else ''}{_NUMPY[self.kind]}"


@dataclass(frozen=True)
class Record:
    """A record of fixed size: entries without gaps."""

    name: str
    meaning: str
    entries: tuple[Entry, ...]

    @cached_property
    def dtype(self) -> np.dtype[np.void]:
        """The record as a packed, little-endian numpy type."""
        return np.dtype([(entry.name, entry.format) for entry in self.entries])

    @property
    def byte_count(self) -> int:
        """Bytes of one record."""
        return self.dtype.itemsize

    def offset(self, name: str, /) -> int:
        """Return the place of an entry in the record."""
        fields = self.dtype.fields
        assert fields is not None
        return int(fields[name][1])


HEADER = Record(
    "header",
    "Begins the blob",
    (
        Entry("magic", "char", 8, "", "PWLOOKUP"),
        Entry("version", "u16", 1, "", "version of this layout; a reader refuses any other"),
        Entry("section_count", "u16", 1, "", "number of sections"),
        Entry("total_bytes", "u32", 1, "bytes", "length of the whole blob"),
        Entry("crc", "u32", 1, "", "CRC-32 of header and section table, with this entry as zero"),
        Entry("reserved", "u32", 3, "", "zero"),
    ),
)
SECTION = Record(
    "section",
    "One per section, directly after the header, in the order of the sections",
    (
        Entry("kind", "u32", 1, "", "which section, from 1"),
        Entry("offset", "u32", 1, "bytes", "from the blob's first byte"),
        Entry("size", "u32", 1, "bytes", "length, without the zeros that follow"),
        Entry("crc", "u32", 1, "", "CRC-32 of the section"),
    ),
)
DISPLAY = Record(
    "display",
    "The eye box and the content picture; one record",
    (
        Entry("pupil_low", "f32", 3, "mm", "lowest pupil position x, y, z; those outside are moved inside"),
        Entry("pupil_high", "f32", 3, "mm", "highest pupil position"),
        Entry("content_size", "u32", 2, "px", "width and height of the content picture; 0, 0 if not given"),
        Entry("content_kind", "u32", 1, "", "0 not given, 1 flat (tangents), 2 equidistant (angles)"),
        Entry("content_focal", "f32", 1, "px", "content px per unit tangent (flat) or radian in the middle"),
        Entry("error_px", "f32", 1, "px", "largest error of all maps, measured, panel px"),
        Entry("reserved", "u32", 3, "", "zero"),
    ),
)
CHANNEL = Record(
    "channel",
    "One per channel",
    (
        Entry("name", "char", NAME_BYTES, "", "UTF-8, zeros to the end; no two alike"),
        Entry("panel_width", "u32", 1, "px", "width of the panel"),
        Entry("panel_height", "u32", 1, "px", "height of the panel"),
        Entry("reserved", "u32", 2, "", "zero"),
    ),
)
COLOUR = Record(
    "colour",
    "One per colour",
    (Entry("name", "char", NAME_BYTES, "", "UTF-8, zeros to the end; no two alike"),),
)
MAP = Record(
    "map",
    "Panel point to direction of one channel and colour, or a difference from an earlier map",
    (
        Entry("channel", "u16", 1, "", "place of the channel"),
        Entry("colour", "u16", 1, "", "place of the colour"),
        Entry("base", "u16", 1, "", "place of the map that this one is added to; 65535: none"),
        Entry("family", "u16", 1, "", "1 Chebyshev terms, 2 B-spline with modes"),
        Entry("columns", "u16", 1, "", "coefficients along u: degree + 1 (family 1), nodes + 2 (family 2)"),
        Entry("rows", "u16", 1, "", "coefficients along v"),
        Entry("pupil_degree", "u16", 1, "", "total degree of the pupil polynomials"),
        Entry("modes", "u16", 1, "", "how many pupil functions (family 1) or modes (family 2)"),
        Entry("border", "u16", 1, "", "place of its border; 65535: everything is lit"),
        Entry("reserved", "u16", 2, "", "zero"),
        Entry("first_block", "u16", 1, "", "place of its first block"),
        Entry("block_count", "u16", 1, "", "number of its blocks"),
        Entry("gain", "u16", 1, "", "place of its gain, rising from map to map; 65535: gain is 1"),
        Entry("affine", "f32", 6, "tangent", "tx: constant, per s, per t; then ty"),
        Entry("error_px", "f32", 1, "px", "largest error, measured, panel px"),
        Entry("reserved_end", "u32", 2, "", "zero"),
    ),
)
BLOCK = Record(
    "block",
    "Numbers of one format, value = scale x number. Blocks stand in the order of their owners (maps, claims, "
    "each border with its regions, gains) and follow one another through the whole data section",
    (
        Entry(
            "format",
            "u16",
            1,
            "",
            "8, 12, 16: signed codes of so many bits; 108, 116: unsigned, 8 or 16 bits; 232: float32",
        ),
        Entry("reserved", "u16", 1, "", "zero"),
        Entry("count", "u32", 1, "", "how many numbers"),
        Entry("offset", "u32", 1, "bytes", "from the data section's first byte; the next multiple of 4"),
        Entry("scale", "f32", 1, "", "value of code 1: tangents, or the unit of the surface"),
    ),
)
CLAIMS = Record(
    "claims",
    "Claims of all channels by direction, cubic B-splines over the plane of angles; one record or none",
    (
        Entry("columns", "u16", 1, "", "coefficients along x"),
        Entry("rows", "u16", 1, "", "coefficients along y"),
        Entry("block", "u16", 1, "", "place of its block: 16-bit codes, channel by channel, row by row"),
        Entry("reserved", "u16", 1, "", "zero"),
        Entry("origin", "f32", 2, "degree", "middle of the second column and row in the plane: x, y"),
        Entry("pitch", "f32", 1, "degree", "from one column or row to the next"),
        Entry("least", "f32", 1, "", "claim that each channel has in addition wherever it is lit"),
        Entry("reserved_end", "u32", 2, "", "zero"),
    ),
)
BORDER = Record(
    "border",
    "The part of a panel that a map may show",
    (
        Entry("block", "u16", 1, "", "place of its block: 16-bit codes without sign, u, v of every point"),
        Entry("first_region", "u16", 1, "", "place of its first region"),
        Entry("region_count", "u16", 1, "", "number of its regions, all of which must be lit"),
        Entry("reserved", "u16", 1, "", "zero"),
        Entry("middle", "f32", 2, "px", "a panel point well inside: u, v"),
    ),
)
REGION = Record(
    "region",
    "Rays that are lit: where a polynomial of panel point and pupil is above 0",
    (
        Entry("degree", "u16", 1, "", "total degree in s, t, x0, y0"),
        Entry("pupil_degree", "u16", 1, "", "largest degree in x0 and y0 together"),
        Entry("block", "u16", 1, "", "place of its block: 16-bit codes of the terms"),
        Entry("reserved", "u16", 1, "", "zero"),
        Entry("centre", "f32", 2, "mm", "x0, y0 that count as 0"),
        Entry("half", "f32", 2, "mm", "distance from there that counts as 1"),
    ),
)
GAIN = Record(
    "gain",
    "Logarithm of the gain of a map: a polynomial of panel point and pupil",
    (
        Entry("panel_degree", "u16", 1, "", "total degree in s, t"),
        Entry("pupil_degree", "u16", 1, "", "total degree in x0, y0"),
        Entry("block", "u16", 1, "", "place of its block: 16-bit codes, pupil functions fastest"),
        Entry("reserved", "u16", 1, "", "zero"),
        Entry("centre", "f32", 2, "mm", "x0, y0 that count as 0"),
        Entry("half", "f32", 2, "mm", "distance from there that counts as 1; places beyond are moved there"),
        Entry("error", "f32", 1, "", "largest relative error of the gain, measured"),
        Entry("reserved_end", "u32", 1, "", "zero"),
    ),
)
# Sections in their order; `None`: bytes without records.
SECTIONS: tuple[tuple[str, Record | None], ...] = (
    ("display", DISPLAY),
    ("channels", CHANNEL),
    ("colours", COLOUR),
    ("maps", MAP),
    ("blocks", BLOCK),
    ("claims", CLAIMS),
    ("borders", BORDER),
    ("regions", REGION),
    ("gains", GAIN),
    ("data", None),
)
RECORDS = (HEADER, SECTION, DISPLAY, CHANNEL, COLOUR, MAP, BLOCK, CLAIMS, BORDER, REGION, GAIN)


def aligned(place: int, step: int = ALIGNMENT, /) -> int:
    """Return the next multiple of `step` at or after `place`."""
    return -(-place // step) * step
