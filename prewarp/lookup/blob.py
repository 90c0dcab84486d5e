"""Writing a lookup as one blob; the layout is that of `layout.py`. Same lookup, same bytes."""

import zlib
from collections.abc import Mapping, Sequence

import numpy as np

from prewarp.errors import PackageError
from prewarp.lookup.coding import CodedArray
from prewarp.lookup.layout import (
    BLOCK,
    BLOCK_ALIGNMENT,
    BORDER,
    CHANNEL,
    CLAIMS,
    COLOUR,
    DISPLAY,
    GAIN,
    HEADER,
    MAGIC,
    MAP,
    MAX_BLOB_BYTES,
    NONE,
    REGION,
    SECTION,
    SECTIONS,
    VERSION,
    Record,
    aligned,
)
from prewarp.lookup.tables import BorderTable, ClaimTable, GainTable, Lookup, MapTable, RegionTable

CONTENT_KINDS = {"flat": 1, "equidistant": 2}


def blob_from_lookup(lookup: Lookup, /) -> bytes:
    """Return the blob of a lookup.

    Raises
    ------
    PackageError
        A name is longer than 31 bytes of UTF-8, or the blob would exceed 1 GiB.
    """
    blocks = _Blocks()
    keys = [lookup.key_of(table) for table in lookup.maps]
    gains = sorted(lookup.gains, key=lambda one: keys.index(lookup.key_of(one)))
    gain_at = {lookup.key_of(one): place for place, one in enumerate(gains)}
    maps = []
    for place, (key, table) in enumerate(zip(keys, lookup.maps, strict=True)):
        border = place if lookup.borders else NONE
        maps.append(_map_row(table, gain_at.get(key, NONE), border, blocks))
    claims = [] if lookup.claims is None else [_claims_row(lookup.claims, blocks)]
    borders: list[dict[str, object]] = []
    regions: list[dict[str, object]] = []
    for border_table in lookup.borders:
        borders.append(_border_row(border_table, len(regions), blocks))
        regions += [_region_row(one, blocks) for one in border_table.regions]
    content = lookup.content
    display = {
        "pupil_low": lookup.pupil_box_mm[0],
        "pupil_high": lookup.pupil_box_mm[1],
        "content_size": (0, 0) if content is None else content.size_px,
        "content_kind": 0 if content is None else CONTENT_KINDS[content.projection],
        "content_focal": 0.0 if content is None else content.focal_px,
        "error_px": _rounded_up(lookup.error_px),
    }
    channels = [
        {
            "name": _name(name),
            "panel_width": width,
            "panel_height": height,
        }
        for name, (width, height) in zip(lookup.channels, lookup.panel_sizes_px, strict=True)
    ]
    sections = {
        "display": _packed(DISPLAY, [display]),
        "channels": _packed(CHANNEL, channels),
        "colours": _packed(COLOUR, [{"name": _name(name)} for name in lookup.colours]),
        "maps": _packed(MAP, maps),
        "claims": _packed(CLAIMS, claims),
        "borders": _packed(BORDER, borders),
        "regions": _packed(REGION, regions),
        "gains": _packed(GAIN, [_gain_row(one, blocks) for one in gains]),
        "blocks": _packed(BLOCK, blocks.rows),
        "data": bytes(blocks.data),
    }
    return assembled([sections[name] for name, _ in SECTIONS])


def assembled(sections: Sequence[bytes], /) -> bytes:
    """Return a blob of sections already packed: header, table, sections with zeros between, all checksums."""
    start = place = HEADER.byte_count + SECTION.byte_count * len(sections)
    table, body = [], bytearray()
    for kind, data in enumerate(sections, start=1):
        offset = aligned(place)
        body += bytes(offset - place) + data
        table.append({"kind": kind, "offset": offset, "size": len(data), "crc": zlib.crc32(data)})
        place = offset + len(data)
    total = aligned(place)
    if total > MAX_BLOB_BYTES:
        raise PackageError(
            f"the blob would take {total / 1e9:.2f} GB; at most {MAX_BLOB_BYTES / 1e9:.2f} GB are written. "
            "Allow a larger error (--max-error), or choose another --family."
        )
    header = {"magic": MAGIC, "version": VERSION, "section_count": len(sections), "total_bytes": total}
    rows = _packed(SECTION, table)
    crc = zlib.crc32(_packed(HEADER, [header]) + rows)
    blob = _packed(HEADER, [{**header, "crc": crc}]) + rows + bytes(body)
    assert len(blob) == start + len(body)
    return blob + bytes(total - place)


class _Blocks:
    """Blocks in the order in which they were added, and their numbers one after another."""

    def __init__(self) -> None:
        self.rows: list[dict[str, object]] = []
        self.data = bytearray()
        self._known: dict[tuple[object, ...], int] = {}

    def add_once(self, block: CodedArray) -> int:
        """Add a block, or return the place of the same one."""
        key = block.format, block.scale, block.to_bytes()
        if key not in self._known:
            self._known[key] = self.add(block)
        return self._known[key]

    def add(self, block: CodedArray) -> int:
        if len(self.rows) >= NONE:
            raise PackageError(f"more than {NONE} blocks; a lookup this large cannot be written as one blob.")
        offset = aligned(len(self.data), BLOCK_ALIGNMENT)
        self.data += bytes(offset - len(self.data)) + block.to_bytes()
        self.rows.append(
            {"format": int(block.format), "count": len(block.numbers), "offset": offset, "scale": block.scale}
        )
        return len(self.rows) - 1


def _map_row(table: MapTable, gain: int, border: int, blocks: _Blocks) -> dict[str, object]:
    first = len(blocks.rows)
    for block in table.blocks:
        blocks.add(block)
    return {
        "channel": table.channel,
        "colour": table.colour,
        "base": NONE if table.base is None else table.base,
        "family": int(table.family),
        "columns": table.columns,
        "rows": table.rows,
        "pupil_degree": table.pupil_degree,
        "modes": table.modes,
        "first_block": first,
        "block_count": len(table.blocks),
        "gain": gain,
        "border": border,
        "affine": table.affine.ravel(),
        "error_px": _rounded_up(table.error_px),
    }


def _claims_row(claims: ClaimTable, blocks: _Blocks) -> dict[str, object]:
    return {
        "columns": claims.columns,
        "rows": claims.rows,
        "block": blocks.add(claims.block),
        "origin": claims.origin_deg,
        "pitch": claims.pitch_deg,
        "least": claims.least,
    }


def _border_row(border: BorderTable, first_region: int, blocks: _Blocks) -> dict[str, object]:
    return {
        "block": blocks.add_once(border.block),
        "first_region": first_region,
        "region_count": len(border.regions),
        "middle": border.middle_px,
    }


def _region_row(region: RegionTable, blocks: _Blocks) -> dict[str, object]:
    return {
        "degree": region.degree,
        "pupil_degree": region.pupil_degree,
        "block": blocks.add(region.block),
        "centre": region.centre_mm,
        "half": region.half_mm,
    }


def _gain_row(gain: GainTable, blocks: _Blocks) -> dict[str, object]:
    return {
        "panel_degree": gain.panel_degree,
        "pupil_degree": gain.pupil_degree,
        "block": blocks.add(gain.block),
        "centre": gain.centre_mm,
        "half": gain.half_mm,
        "error": _rounded_up(gain.error),
    }


def _packed(record: Record, rows: Sequence[Mapping[str, object]]) -> bytes:
    packed = np.zeros(len(rows), dtype=record.dtype)
    for place, row in enumerate(rows):
        for name, value in row.items():
            packed[name][place] = value
    return packed.tobytes()


def _name(name: str) -> bytes:
    data = name.encode("utf-8")
    if len(data) > 31 or b"\0" in data:
        raise PackageError(
            f"the name {name!r} takes {len(data)} bytes; expected at most 31. Use a shorter one."
        )
    return data


def _rounded_up(error: float) -> np.float32:
    """Return an error as float32, never smaller than it is: a claim must hold."""
    rounded = np.float32(error)
    # As float64: numpy would compare in float32, where both are the same.
    return rounded if float(rounded) >= error else np.nextafter(rounded, np.float32(np.inf))
