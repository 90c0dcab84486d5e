"""Blobs: written and read back, by our reader and by hand from the table; damaged ones are refused."""

import struct
import tracemalloc
import zlib
from dataclasses import replace

import numpy as np
import pytest

from prewarp.errors import PackageError
from prewarp.export.c_header import layout_header, layout_table
from prewarp.lookup import prepare
from prewarp.lookup.blob import assembled, blob_from_lookup
from prewarp.lookup.blob_reading import lookup_from_blob
from prewarp.lookup.chebyshev_terms import terms_of
from prewarp.lookup.layout import (
    BLOCK,
    BORDER,
    CHANNEL,
    CLAIMS,
    COLOUR,
    DISPLAY,
    GAIN,
    HEADER,
    MAP,
    RECORDS,
    REGION,
    SECTION,
    SECTIONS,
    aligned,
)
from prewarp.lookup.tables import Family
from tests.fuzz.fuzz_lookup import damaged, fuzz_python, mended
from tests.lookup.small_lookups import CASES, case, one_channel, small_blobs

PUPIL = np.array([1.0, -2.0, 0.5])


@pytest.mark.parametrize("name", CASES)
def test_reads_back_and_writes_the_same_bytes(name):
    blob = small_blobs()[name]
    read = lookup_from_blob(blob)
    assert blob_from_lookup(read) == blob
    assert read.channels == ("left", "right") and read.colours == ("G", "R")
    assert read.content.size_px == (800, 500) and abs(read.content.field_x_deg - 80.0) < 1e-5
    for place in range(4):
        ours, theirs = prepare(case(name), place, PUPIL), prepare(read, place, PUPIL)
        np.testing.assert_array_equal(ours.mesh(7, 5), theirs.mesh(7, 5))


@pytest.mark.parametrize("error", [0.1, 0.3, 0.7, 1.9])
def test_a_claimed_error_is_never_rounded_down(error):
    """float32 rounds 0.7 and 1.9 down, 0.1 and 0.3 up."""
    lookup = case(next(iter(CASES)))
    claiming = replace(lookup, maps=tuple(replace(table, error_px=error) for table in lookup.maps))
    read = lookup_from_blob(blob_from_lookup(claiming))
    assert error <= read.error_px < error + 1e-6
    assert all(error <= table.error_px < error + 1e-6 for table in read.maps)


def test_checksum_is_the_standard_one():
    # CRC-32 of IEEE 802.3: the published check value of "123456789".
    assert zlib.crc32(b"123456789") == 0xCBF43926


def test_by_hand():
    """Header, sections and one map read with `struct` alone, at the places in the table for people."""
    blob = small_blobs()["spline12"]
    magic, version, sections, total, crc = struct.unpack_from("<8sHHII", blob)
    assert (magic, version, sections, total) == (b"PWLOOKUP", 3, 10, len(blob))
    covered = blob[:16] + bytes(4) + blob[20 : 32 + 10 * 16]
    assert crc == zlib.crc32(covered)
    places = [struct.unpack_from("<IIII", blob, 32 + 16 * n) for n in range(10)]
    assert [kind for kind, *_ in places] == list(range(1, 11))
    for _, offset, size, check in places:
        assert offset % 16 == 0 and zlib.crc32(blob[offset : offset + size]) == check
    low_high = struct.unpack_from("<6f", blob, places[0][1])
    assert low_high == (-4.0, -3.0, -2.0, 4.0, 3.0, 2.0)
    assert struct.unpack_from("<32sII", blob, places[1][1] + 48) == (b"right".ljust(32, b"\0"), 640, 480)
    second = places[3][1] + 64
    channel, colour, base, family, columns, rows, degree, modes = struct.unpack_from("<8H", blob, second)
    table = case("spline12").maps[1]
    assert (channel, colour, base, family) == (0, 1, 0, 2)
    assert (columns, rows, degree, modes) == (table.columns, table.rows, table.pupil_degree, table.modes)
    first_block, count = struct.unpack_from("<HH", blob, second + 22)
    assert count == modes + 1
    form, _, numbers, offset, scale = struct.unpack_from(
        "<HHIIf", blob, places[4][1] + 16 * (first_block + 1)
    )
    assert (form, numbers) == (12, columns * rows * 2) and scale == table.blocks[1].scale
    low, middle = blob[places[9][1] + offset : places[9][1] + offset + 2]
    first = low | (middle & 15) << 8
    assert (first - 4096 if first > 2047 else first) == table.blocks[1].numbers[0]


def test_the_layout_is_one():
    """Header for C, table for people and numpy types give every entry the same place."""
    header, table = layout_header(), layout_table()
    for record in RECORDS:
        assert f"#define PREWARP_{record.name.upper()}_BYTES {record.byte_count}u" in header
        assert f"## {record.name} ({record.byte_count} bytes)" in table
        assert record.dtype.itemsize == record.byte_count
        for entry in record.entries:
            place = record.offset(entry.name)
            assert record.dtype.fields[entry.name][1] == place
            assert f"| {place} | {entry.name} |" in table
            if not entry.name.startswith("reserved"):
                assert f"#define PREWARP_{record.name.upper()}_{entry.name.upper()} {place}u " in header
    with pytest.raises(KeyError):
        HEADER.offset("no such entry")


def changed(blob, section, record, row, entry, value, kind):
    """Return a blob with one entry of one record replaced and all checksums right."""
    start = HEADER.byte_count + SECTION.byte_count * section + SECTION.offset("offset")
    offset = struct.unpack_from("<I", blob, start)[0]
    data = bytearray(blob)
    struct.pack_into("<" + kind, data, offset + record.byte_count * row + record.offset(entry), value)
    return mended(bytes(data))


NAN = float("nan")


# Section, record, its place, entry, value, how it is packed, what is said.
RULES = [
    (0, DISPLAY, 0, "pupil_low", NAN, "f", "eye box is not a box"),
    (0, DISPLAY, 0, "pupil_low", 9.0, "f", "eye box is not a box"),
    (0, DISPLAY, 0, "content_kind", 3, "I", "content picture"),
    (1, CHANNEL, 0, "panel_width", 0, "I", "panel of 0 x 480 px"),
    (1, CHANNEL, 0, "name", b"", "32s", "is empty"),
    (1, CHANNEL, 0, "name", b"le\0ft", "32s", "bytes behind its end"),
    (1, CHANNEL, 1, "name", b"left", "32s", "are the same"),
    (1, CHANNEL, 0, "name", b"l\xe4ft", "32s", "not UTF-8"),
    (1, CHANNEL, 0, "name", b"\xc0\xac", "32s", "not UTF-8"),
    (1, CHANNEL, 0, "name", b"\xed\xa0\x80", "32s", "not UTF-8"),
    (1, CHANNEL, 0, "name", b"\xf4\x90\x80\x80", "32s", "not UTF-8"),
    (2, COLOUR, 1, "name", b"x" * 31 + b"\xc3", "32s", "not UTF-8"),
    (3, MAP, 0, "family", 3, "H", "map 0 is not described"),
    (3, MAP, 1, "base", 1, "H", "does not come before"),
    (3, MAP, 3, "base", 0, "H", "cannot be added to map 0"),
    (3, MAP, 0, "columns", 5, "H", "blocks of map 0"),
    (3, MAP, 0, "first_block", 65535, "H", "map 0 is not described"),
    (3, MAP, 1, "colour", 0, "H", "map 1 is there twice"),
    (3, MAP, 2, "affine", NAN, "f", "map 2 is not described"),
    (4, BLOCK, 1, "format", 216, "H", "unknown format 216"),
    (4, BLOCK, 1, "count", 1 << 28, "I", "block 1 reaches beyond"),
    (4, BLOCK, 1, "offset", 2, "I", "block 1 reaches beyond"),
    (4, BLOCK, 1, "scale", NAN, "f", "block 1 has the scale nan"),
    (4, BLOCK, 2, "offset", 0, "I", "block 2 does not follow"),
    (4, BLOCK, 0, "count", 1, "I", "block 1 does not follow"),
    (6, BORDER, 3, "region_count", 0, "H", "region 3 belongs to no border"),
    (3, MAP, 2, "border", 1, "H", "map 2 has no such border"),
    (3, MAP, 2, "border", 65535, "H", "3 borders for 4 maps"),
    (3, MAP, 3, "gain", 1, "H", "map 3 has no such gain"),
    (5, CLAIMS, 0, "columns", 3, "H", "the claims are not described"),
    (5, CLAIMS, 0, "rows", 8, "H", "the claims are not described"),
    (5, CLAIMS, 0, "pitch", 0.0, "f", "the claims are not described"),
    (5, CLAIMS, 0, "pitch", NAN, "f", "the claims are not described"),
    (5, CLAIMS, 0, "origin", 400.0, "f", "the claims are not described"),
    (5, CLAIMS, 0, "least", 0.0, "f", "the claims are not described"),
    (5, CLAIMS, 0, "block", 9999, "H", "the claims are not described"),
    (6, BORDER, 0, "block", 9999, "H", "border 0 is not described"),
    (6, BORDER, 1, "block", 0, "H", "border 1 is not described"),
    (6, BORDER, 3, "region_count", 5, "H", "border 3 is not described"),
    (6, BORDER, 3, "first_region", 65000, "H", "border 3 is not described"),
    (6, BORDER, 0, "middle", -1.0, "f", "border 0 is not described"),
    (6, BORDER, 0, "middle", 640.001, "f", "border 0 is not described"),
    (6, BORDER, 0, "middle", NAN, "f", "border 0 is not described"),
    (7, REGION, 0, "degree", 13, "H", "region 0 is not described"),
    (7, REGION, 0, "pupil_degree", 3, "H", "region 0 is not described"),
    (7, REGION, 1, "pupil_degree", 1, "H", "region 1 is not described"),
    (7, REGION, 1, "half", 0.0, "f", "region 1 is not described"),
    (7, REGION, 1, "centre", NAN, "f", "region 1 is not described"),
    (8, GAIN, 0, "panel_degree", 17, "H", "gain 0 is not described"),
    (8, GAIN, 0, "pupil_degree", 0, "H", "gain 0 is not described"),
    (8, GAIN, 0, "half", -1.0, "f", "gain 0 is not described"),
    (8, GAIN, 0, "error", NAN, "f", "gain 0 is not described"),
]


@pytest.mark.parametrize(("section", "record", "row", "entry", "value", "kind", "message"), RULES)
def test_rules_behind_the_checksums(section, record, row, entry, value, kind, message):
    blob = small_blobs()["spline"]
    assert mended(blob) == blob
    with pytest.raises(PackageError, match=message):
        lookup_from_blob(changed(blob, section, record, row, entry, value, kind), source="tables.bin")


def sections_of(blob):
    """Return the sections of a blob."""
    rows = np.frombuffer(blob, SECTION.dtype, len(SECTIONS), HEADER.byte_count)
    return [blob[int(row["offset"]) : int(row["offset"]) + int(row["size"])] for row in rows]


def repeated_blocks(count):
    """Return a blob with so many more blocks, all on the bytes of its largest one."""
    parts = sections_of(small_blobs()["spline"])
    rows = np.frombuffer(parts[4], BLOCK.dtype)
    largest = rows[np.argmax(rows["count"])]
    parts[4] = rows.tobytes() + np.repeat(largest, count).tobytes()
    return assembled(parts)


def with_unused_block():
    """Return a blob that is right but for a block at its end that belongs to nothing."""
    parts = sections_of(small_blobs()["spline"])
    row = np.zeros(1, BLOCK.dtype)
    row["format"], row["count"], row["scale"] = 16, 2, 1.0
    row["offset"] = aligned(len(parts[9]), 4)
    parts[4] += row.tobytes()
    parts[9] += bytes(int(row["offset"][0]) - len(parts[9]) + 4)
    return assembled(parts)


def test_blocks_on_the_same_bytes_are_refused_before_they_are_decoded():
    assert assembled(sections_of(small_blobs()["spline"])) == small_blobs()["spline"]
    blob = repeated_blocks(20_000)
    tracemalloc.start()
    with pytest.raises(PackageError, match=r"block \d+ does not follow the one before it"):
        lookup_from_blob(blob)
    assert tracemalloc.get_traced_memory()[1] < 4 * len(blob)
    tracemalloc.stop()


def test_a_block_belongs_to_something():
    with pytest.raises(PackageError, match=r"block \d+ belongs to nothing"):
        lookup_from_blob(with_unused_block())


def too_narrow():
    """Return a blob that is right but for a spline of three nodes across its first map."""
    lookup = case("spline")
    table = lookup.maps[0]
    surfaces = (replace(block, numbers=block.numbers[: 5 * table.rows * 2]) for block in table.blocks[1:])
    narrow = replace(table, columns=5, blocks=(table.blocks[0], *surfaces))
    return blob_from_lookup(replace(lookup, maps=(narrow, *lookup.maps[1:])))


def test_a_spline_has_four_nodes_at_least():
    with pytest.raises(PackageError, match="blocks of map 0"):
        lookup_from_blob(too_narrow())


def with_terms(data):
    """Return a blob whose first map, of Chebyshev terms, holds other bytes."""
    lookup = case("chebyshev")
    block = replace(lookup.maps[0].blocks[0], numbers=np.frombuffer(data, np.uint8).astype(np.int64))
    return blob_from_lookup(
        replace(lookup, maps=(replace(lookup.maps[0], blocks=(block,)), *lookup.maps[1:]))
    )


def cut_terms():
    """Return a blob at whose end terms stop within a run: eight codes of 25 bits are said, none there."""
    lookup = replace(one_channel(Family.CHEBYSHEV), borders=())
    (table,) = lookup.maps
    # A row (1 bit), its degree (6 bits), both j (2 bits), the place of the width (4 bits).
    head = 1 | (table.columns - 1) << 1 | 2 << 7 | 15 << 9
    numbers = np.frombuffer(head.to_bytes(2, "little") + bytes(7), np.uint8).astype(np.int64)
    block = replace(table.blocks[0], numbers=numbers)
    return blob_from_lookup(replace(lookup, maps=(replace(table, blocks=(block,)),)))


def bad_terms():
    """Return {what is wrong: bytes} of streams that no map may hold."""
    table = case("chebyshev").maps[0]
    good = table.blocks[0].to_bytes()
    rows = 2 * table.modes
    # The first row alone: 1, degree above the map's (6 bits), even j (2 bits).
    high = (1 | table.columns << 1).to_bytes(rows // 8 + 8, "little")
    # Degree 0, width 2 (place 1), code -2.
    count = (rows - 1 + 15 + 7) // 8 + 7
    lowest, fine = ((1 | 1 << 9 | code << 13).to_bytes(count, "little") for code in (2, 3))
    return {
        "fine": fine,
        "no bytes": b"",
        "ends early": good[:-1],
        "a byte more": good + b"\0",
        "bits after the last": good[:-1] + b"\1",
        "seven bytes": bytes(7),
        "choice": (1 | 3 << 7).to_bytes(count, "little"),
        "all ones": b"\xff" * len(good),
        "degree": high,
        "lowest code": lowest,
    }


def test_terms_that_no_map_may_hold_are_refused():
    streams = bad_terms()
    assert np.count_nonzero(terms_of(lookup_from_blob(with_terms(streams.pop("fine"))).maps[0])[0]) == 1
    for data in streams.values():
        with pytest.raises(PackageError, match="blocks of map 0"):
            lookup_from_blob(with_terms(data))
    with pytest.raises(PackageError, match="blocks of map 0"):
        lookup_from_blob(cut_terms())


@pytest.mark.parametrize(
    ("damage", "message"),
    [
        (lambda b: b"", "0 bytes are not a lookup blob"),
        (lambda b: b[:100], "100 bytes are not"),
        (lambda b: b"X" + b[1:], "does not begin"),
        (lambda b: b[:8] + b"\2" + b[9:], "version 2; this reader knows version 3"),
        (lambda b: b + bytes(16), "the header says"),
        (lambda b: b[:40] + bytes([b[40] ^ 1]) + b[41:], "header's checksum"),
        (lambda b: b[:-20] + bytes([b[-20] ^ 1]) + b[-19:], "checksum of section 'data'"),
    ],
)
def test_damage_is_named(damage, message):
    with pytest.raises(PackageError, match=f"tables.bin: .*{message}.*Export again"):
        lookup_from_blob(damage(small_blobs()["chebyshev"]), source="tables.bin")


@pytest.mark.parametrize("name", ["chebyshev", "spline12", "spline16"])
def test_fuzz_short_form(name):
    accepted, refused = fuzz_python(small_blobs()[name], 300, seed=11)
    assert accepted > 5 and refused > 150


def test_every_changed_byte_is_noticed():
    blob = small_blobs()["spline16"]
    random = np.random.default_rng(3)
    for place in random.integers(0, len(blob), 200):
        data = bytearray(blob)
        data[place] ^= 1 << int(random.integers(8))
        with pytest.raises(PackageError):
            lookup_from_blob(bytes(data))
    assert damaged(blob, random) != blob


def test_names_that_do_not_fit_are_refused():
    lookup = case("chebyshev")
    long = type(lookup)(**{**lookup.__dict__, "channels": ("a" * 32, "right")})
    with pytest.raises(PackageError, match="takes 32 bytes; expected at most 31"):
        blob_from_lookup(long)
    assert len(SECTIONS) == 10
