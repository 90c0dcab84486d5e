"""Every entry of every record of a blob, set to odd values and sealed again: readers must refuse alike."""

import numpy as np

from prewarp.lookup.blob import assembled
from prewarp.lookup.layout import HEADER, SECTION, SECTIONS
from tests.fuzz.sealing import resealed
from tests.lookup.test_blob import sections_of

WHOLE = {
    "u16": (0, 1, 2, 3, 7, 8, 9, 12, 13, 15, 16, 17, 41, 42, 65, 108, 116, 232, 513, 0x7FFF, 0xFFFE, 0xFFFF),
    "u32": (0, 1, 2, 3, 8, 15, 16, 513, 32768, 32769, 1 << 28, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF),
}  # fmt: skip
FLOATS = (0.0, -0.0, 1e-40, 1e-30, 1.0, -1.0, 300.0, 1e5, 1e6, 1e30, np.inf, -np.inf, np.nan)
NAMES = (
    b"", b"A", b"left", b"G", b"R", b"a\0b", b"\x7f", b"\x01", b"\xc3\xa9", b"\xc0\x80", b"\xc3", b"\xc3(",
    b"\xe2\x82\xac", b"\xe0\x80\x80", b"\xe0\xa0\x80", b"\xed\xa0\x80", b"\xed\x9f\xbf", b"\xef\xbf\xbf",
    b"\xe2\x82", b"\xf0\x9f\x98\x80", b"\xf0\x80\x80\x80", b"\xf0\x90\x80\x80", b"\xf4\x90\x80\x80",
    b"\xf4\x8f\xbf\xbf", b"\xf5\x80\x80\x80", b"\x80", b"\xff", b"x" * 32, b"x" * 31 + b"\xc3",
)  # fmt: skip


def odd_blobs(blob):
    """Yield (what was changed, blob), checksums right."""
    parts = sections_of(blob)
    for place, (section, record) in enumerate(SECTIONS):
        if record is None:
            yield from _odd_data(parts, place)
            continue
        for what, changed in _odd_records(record, parts[place]):
            yield f"{section}: {what}", assembled([*parts[:place], changed, *parts[place + 1 :]])
    yield from _odd_sections(blob)


def _odd_records(record, data):
    rows = np.frombuffer(data, record.dtype)
    for row in range(len(rows)):
        for entry in record.entries:
            for k in range(entry.count if entry.kind != "char" else 1):
                now = rows[row][entry.name]
                now = now if entry.count == 1 or entry.kind == "char" else now[k]
                for value in _odd_values(entry.kind, now):
                    changed = rows.copy()
                    if entry.count > 1 and entry.kind != "char":
                        changed[entry.name][row, k] = value
                    else:
                        changed[entry.name][row] = value
                    yield f"{entry.name} of {row} is {value!r}", changed.tobytes()
    step = record.byte_count
    yield "none", b""
    yield "one less", data[:-step]
    yield "one more", data + data[-step:]
    yield "a byte less", data[:-1]
    yield "very many", data[-step:] * 70_000 if step < 20 else data[-step:] * 200


def _odd_values(kind, now):
    if kind == "char":
        return NAMES
    if kind == "f32":
        return (*FLOATS, np.float32(2.0) * now, -now)
    top = (1 << (16 if kind == "u16" else 32)) - 1
    return (*WHOLE[kind], (int(now) + 1) & top, (int(now) - 1) & top)


def _odd_data(parts, place):
    """The first bytes of every block: widths and degrees of terms, and codes."""
    blocks = np.frombuffer(parts[4], dict(SECTIONS)["blocks"].dtype)
    for number, block in enumerate(blocks):
        for step in range(12):
            for value in (0x00, 0x80, 0xFF):
                data = bytearray(parts[place])
                if (at := int(block["offset"]) + step) < len(data):
                    data[at] = value
                yield f"byte {step} of block {number} is {value}", assembled([*parts[:place], bytes(data)])
    for length in (0, 1, len(parts[place]) - 4, len(parts[place]) + 4):
        data = parts[place][:length].ljust(length, b"\0")
        yield f"{length} bytes of data", assembled([*parts[:place], data])


def _odd_sections(blob):
    """Header and section table, checksums right; then too short, and none at all."""
    for record, first, count in ((HEADER, 0, 1), (SECTION, HEADER.byte_count, len(SECTIONS))):
        for what, changed in _odd_records(record, blob[first : first + count * record.byte_count]):
            if len(changed) == count * record.byte_count:
                yield (
                    f"{record.name}: {what}",
                    resealed(blob[:first] + changed + blob[first + len(changed) :]),
                )
    for length in (0, 1, 31, 32, 100, len(blob) - 1):
        yield f"{length} bytes", blob[:length]
