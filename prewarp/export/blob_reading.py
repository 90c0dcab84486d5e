"""Reading a lookup blob, trusting nothing in it: every rule here is also a rule of the C reader (`prewarp_open.c`)."""

import zlib
from typing import NoReturn

import numpy as np

from prewarp.chebyshev import count_of_degree
from prewarp.content import ContentProjection
from prewarp.errors import PackageError
from prewarp.export.blob import CONTENT_KINDS, GAIN, WEIGHT
from prewarp.export.layout import (
    HEADER,
    MAGIC,
    MAX_BLOB_BYTES,
    NONE,
    SECTION,
    SECTIONS,
    VERSION,
    aligned,
)
from prewarp.lookup.coding import LARGEST_CODE, CodedArray, Format, byte_count, numbers_from_bytes
from prewarp.lookup.pupil import pupil_count
from prewarp.lookup.tables import (
    MAX_COEFFICIENTS,
    MAX_MODES,
    MAX_PANEL_DEGREE,
    MAX_PUPIL_DEGREE,
    MIN_SPLINE_COEFFICIENTS,
    FactorMap,
    Family,
    Lookup,
    MapTable,
)

MAX_CHANNELS, MAX_COLOURS, MAX_SURFACES = 16, 8, 256
MAX_NUMBERS = 1 << 28
MAX_PUPIL_NODES = 64
LARGEST_TANGENT, LARGEST_PUPIL_MM, LARGEST_WEIGHT, LARGEST_VALUE = 16.0, 100.0, 1000.0, 1e6
_SIGNED = (Format.INT8, Format.INT12, Format.INT16, Format.INT32)
_UNSIGNED = (Format.UINT8, Format.UINT16)


def lookup_from_blob(blob: bytes, /, *, source: str = "blob") -> Lookup:
    """Return the lookup that a blob holds.

    Parameters
    ----------
    blob : bytes
    source : str
        Where it came from, for errors.

    Raises
    ------
    PackageError
        The bytes are not such a blob, are damaged, or hold anything that a device could not evaluate safely.
    """
    return _Reader(bytes(blob), source).lookup()


class _Reader:
    def __init__(self, blob: bytes, source: str) -> None:
        self.blob, self.source = blob, source

    def _refuse(self, why: str) -> NoReturn:
        raise PackageError(f"{self.source}: {why} Export again.", source=self.source)

    def _require(self, condition: object, why: str) -> None:
        if not condition:
            self._refuse(why)

    def lookup(self) -> Lookup:
        parts = self._sections()
        tables = {}
        for (name, record), part in zip(SECTIONS, parts, strict=True):
            if record is None:
                tables[name] = part
                continue
            self._require(
                len(part) % record.byte_count == 0,
                f"section '{name}' has {len(part)} bytes; expected a multiple of {record.byte_count}.",
            )
            tables[name] = np.frombuffer(part, dtype=record.dtype)
        counts = {name: len(table) for name, table in tables.items()}
        for name, low, high in (
            ("display", 1, 1),
            ("channels", 1, MAX_CHANNELS),
            ("colours", 1, MAX_COLOURS),
            ("maps", 1, MAX_CHANNELS * MAX_COLOURS),
            ("blocks", 0, NONE),
            ("surfaces", 0, MAX_SURFACES),
        ):
            self._require(
                low <= counts[name] <= high, f"{counts[name]} records of '{name}'; expected {low} to {high}."
            )
        self.tables = tables
        display = tables["display"][0]
        low, high = display["pupil_low"].astype(float), display["pupil_high"].astype(float)
        self._require(
            np.all(np.abs(low) <= LARGEST_PUPIL_MM)
            and np.all(np.abs(high) <= LARGEST_PUPIL_MM)
            and np.all(low <= high),
            "the eye box is not a box within 100 mm.",
        )
        self._require(_within(display["error_px"], 0.0, LARGEST_VALUE), "the error is not a number of px.")
        content = self._content(display)
        self.blocks = [self._block(row, place) for place, row in enumerate(tables["blocks"])]
        surfaces = [self._surface(row, place) for place, row in enumerate(tables["surfaces"])]
        kinds = tables["surfaces"]["kind"]
        weights, gains = [], []
        for place, row in enumerate(tables["channels"]):
            self._require(
                16 <= row["panel_width"] <= 32768 and 16 <= row["panel_height"] <= 32768,
                f"channel {place} has a panel of {row['panel_width']} x {row['panel_height']} px.",
            )
            link = int(row["weight"])
            if link != NONE:
                self._require(
                    link < len(surfaces) and kinds[link] == WEIGHT, f"channel {place} has no such weight."
                )
                weights.append(_owned(surfaces[link], place, None))
        maps: list[MapTable] = []
        for place, row in enumerate(tables["maps"]):
            maps.append(self._map(row, place, maps))
            link = int(row["gain"])
            if link != NONE:
                self._require(link < len(surfaces) and kinds[link] == GAIN, f"map {place} has no such gain.")
                gains.append(_owned(surfaces[link], int(row["channel"]), int(row["colour"])))
        return Lookup(
            self._names("channels"),
            self._names("colours"),
            tuple((int(row["panel_width"]), int(row["panel_height"])) for row in tables["channels"]),
            np.stack([low, high]),
            tuple(maps),
            content,
            tuple(weights),
            tuple(gains),
        )

    def _sections(self) -> list[bytes]:
        blob = self.blob
        ends = HEADER.byte_count + SECTION.byte_count * len(SECTIONS)
        self._require(ends <= len(blob) <= MAX_BLOB_BYTES, f"{len(blob)} bytes are not a lookup blob.")
        header = np.frombuffer(blob, dtype=HEADER.dtype, count=1)[0]
        self._require(header["magic"] == MAGIC, "it does not begin as a lookup blob.")
        self._require(
            header["version"] == VERSION, f"version {header['version']}; this reader knows version {VERSION}."
        )
        self._require(
            header["section_count"] == len(SECTIONS) and header["total_bytes"] == len(blob),
            f"{len(blob)} bytes; the header says {header['total_bytes']} in {header['section_count']} sections.",
        )
        place = HEADER.offset("crc")
        covered = blob[:place] + bytes(4) + blob[place + 4 : ends]
        self._require(zlib.crc32(covered) == header["crc"], "the header's checksum does not agree.")
        rows = np.frombuffer(blob, dtype=SECTION.dtype, count=len(SECTIONS), offset=HEADER.byte_count)
        parts, end = [], ends
        for kind, (row, (name, _)) in enumerate(zip(rows, SECTIONS, strict=True), start=1):
            offset, size = int(row["offset"]), int(row["size"])
            self._require(
                row["kind"] == kind and offset == aligned(end) and offset + size <= len(blob),
                f"section '{name}' is not where it must be.",
            )
            self._require(not any(blob[end:offset]), f"the bytes before section '{name}' are not zero.")
            part = blob[offset : offset + size]
            self._require(zlib.crc32(part) == row["crc"], f"the checksum of section '{name}' does not agree.")
            parts.append(part)
            end = offset + size
        self._require(aligned(end) == len(blob) and not any(blob[end:]), "bytes follow the last section.")
        return parts

    def _names(self, table: str) -> tuple[str, ...]:
        names = []
        for place, raw in enumerate(self.tables[table]["name"]):
            try:
                names.append(bytes(raw).decode("utf-8"))
            except UnicodeDecodeError:
                self._refuse(f"name {place} of '{table}' is not UTF-8.")
        self._require(len(set(names)) == len(names), f"two names of '{table}' are the same.")
        return tuple(names)

    def _content(self, display: np.void) -> ContentProjection | None:
        kind, focal = int(display["content_kind"]), float(display["content_focal"])
        width, height = (int(size) for size in display["content_size"])
        if kind == 0:
            return None
        self._require(
            kind in (1, 2)
            and 16 <= width <= 32768
            and 16 <= height <= 32768
            and _within(focal, 1.0, LARGEST_VALUE),
            "the content picture is not described as one.",
        )
        projection = next(name for name, value in CONTENT_KINDS.items() if value == kind)
        half = width / 2.0 / focal
        field = 2.0 * np.degrees(np.arctan(half) if projection == "flat" else half)
        widest = 160.0 if projection == "flat" else 340.0
        self._require(1.0 <= field <= widest, f"the content picture spans {field:.1f} degrees.")
        return ContentProjection(projection, (width, height), float(field))

    def _block(self, row: np.void, place: int) -> CodedArray:
        data, count, offset = self.tables["data"], int(row["count"]), int(row["offset"])
        self._require(
            int(row["format"]) in set(Format), f"block {place} has the unknown format {row['format']}."
        )
        form = Format(int(row["format"]))
        self._require(
            count <= MAX_NUMBERS and offset % 4 == 0 and offset + byte_count(form, count) <= len(data),
            f"block {place} reaches beyond the data.",
        )
        self._require(
            _within(row["scale"], 0.0, LARGEST_VALUE), f"block {place} has the scale {row['scale']}."
        )
        numbers = numbers_from_bytes(form, data[offset : offset + byte_count(form, count)], count)
        self._require(np.isfinite(numbers).all(), f"block {place} holds a number that is not finite.")
        if form in _SIGNED:
            self._require(
                np.abs(numbers).max(initial=0) <= LARGEST_CODE[form],
                f"block {place} holds a code out of range.",
            )
        return CodedArray(form, numbers, float(row["scale"]))

    def _surface(self, row: np.void, place: int) -> FactorMap:
        columns, rows, link = int(row["columns"]), int(row["rows"]), int(row["block"])
        low, high = row["low"].astype(float), row["high"].astype(float)
        self._require(
            row["kind"] in (WEIGHT, GAIN)
            and 2 <= columns <= MAX_COEFFICIENTS
            and 2 <= rows <= MAX_COEFFICIENTS
            and link < len(self.blocks)
            and np.all(np.abs(low) <= LARGEST_VALUE)
            and np.all(np.abs(high) <= LARGEST_VALUE)
            and np.all(low < high)
            and _within(row["offset"], -LARGEST_VALUE, LARGEST_VALUE)
            and _within(row["error"], 0.0, LARGEST_VALUE),
            f"surface {place} is not described as one.",
        )
        block = self.blocks[link]
        self._require(
            block.format in _UNSIGNED and len(block.numbers) == columns * rows,
            f"surface {place} is not what its block holds.",
        )
        return FactorMap(0, None, low, high, columns, rows, float(row["offset"]), block, float(row["error"]))

    def _map(self, row: np.void, place: int, before: list[MapTable]) -> MapTable:
        values = {name: int(row[name]) for name in ("channel", "colour", "base", "family", "columns", "rows", "pupil_degree", "modes", "first_block", "block_count")}  # fmt: skip
        first, count = values["first_block"], values["block_count"]
        affine = row["affine"].astype(float)
        self._require(
            values["channel"] < len(self.tables["channels"])
            and values["colour"] < len(self.tables["colours"])
            and 1 <= values["family"] <= 4
            and values["pupil_degree"] <= MAX_PUPIL_DEGREE
            and first + count <= len(self.blocks)
            and np.all(np.abs(affine) <= LARGEST_TANGENT)
            and _within(row["error_px"], 0.0, LARGEST_VALUE),
            f"map {place} is not described as one.",
        )
        table = MapTable(
            values["channel"],
            values["colour"],
            None if values["base"] == NONE else values["base"],
            Family(values["family"]),
            values["columns"],
            values["rows"],
            values["pupil_degree"],
            values["modes"],
            tuple(int(one) for one in row["pupil_counts"]),
            affine.reshape(2, 3),
            tuple(self.blocks[first : first + count]),
            float(row["error_px"]),
        )
        self._require(
            all((one.channel, one.colour) != (table.channel, table.colour) for one in before),
            f"map {place} is there twice.",
        )
        if table.base is not None:
            self._require(table.base < place, f"map {place} is added to one that does not come before it.")
            base = before[table.base]
            self._require(
                base.base is None and base.channel == table.channel,
                f"map {place} cannot be added to map {table.base}.",
            )
        if table.family == Family.CHEBYSHEV:
            good = self._chebyshev(table)
        elif table.family == Family.LATTICE:
            good = self._lattice(table)
        else:
            good = self._modes(table)
        self._require(good, f"the blocks of map {place} are not what its family needs.")
        return table

    def _chebyshev(self, table: MapTable) -> bool:
        if (
            not 1 <= table.columns == table.rows <= MAX_PANEL_DEGREE + 1
            or table.modes != pupil_count(table.pupil_degree)
            or len(table.blocks) % 3
            or len(table.blocks) > 12
        ):
            return False
        functions = count_of_degree(table.columns - 1)
        for start in range(0, len(table.blocks), 3):
            counts, places, codes = table.blocks[start : start + 3]
            if (
                counts.format not in _UNSIGNED
                or places.format != counts.format
                or codes.format not in _SIGNED
                or len(counts.numbers) != 2 * table.modes
                or int(counts.numbers.sum()) != len(places.numbers)
                or len(codes.numbers) != len(places.numbers)
                or places.numbers.max(initial=0) >= functions
                or codes.scale != table.blocks[2].scale
                or codes.scale > LARGEST_TANGENT
            ):
                return False
        return True

    def _modes(self, table: MapTable) -> bool:
        least = MIN_SPLINE_COEFFICIENTS if table.family == Family.SPLINE else 2
        if (
            not (least <= table.columns <= MAX_COEFFICIENTS and least <= table.rows <= MAX_COEFFICIENTS)
            or not 1 <= table.modes <= MAX_MODES
            or len(table.blocks) != table.modes + 1
        ):
            return False
        weights = table.blocks[0]
        if (
            weights.format != Format.FLOAT32
            or len(weights.numbers) != table.modes * pupil_count(table.pupil_degree)
            or np.abs(weights.numbers).max() > LARGEST_WEIGHT
        ):
            return False
        return all(
            block.format in _SIGNED[:3]
            and len(block.numbers) == table.columns * table.rows * 2
            and block.scale <= LARGEST_TANGENT
            for block in table.blocks[1:]
        )

    def _lattice(self, table: MapTable) -> bool:
        x, y, z = table.pupil_counts
        if (
            not (2 <= table.columns <= MAX_COEFFICIENTS and 2 <= table.rows <= MAX_COEFFICIENTS)
            or not all(1 <= one <= MAX_PUPIL_NODES for one in (x, y, z))
            or table.modes != x * y * z
            or len(table.blocks) != 1
        ):
            return False
        block = table.blocks[0]
        return (
            block.format in (Format.HALF, Format.INT16)
            and len(block.numbers) == table.modes * table.columns * table.rows * 2
            and block.scale <= LARGEST_TANGENT
        )


def _within(value: object, low: float, high: float) -> bool:
    """Return low <= value <= high; False for NaN."""
    return bool(low <= float(value) <= high)


def _owned(surface: FactorMap, channel: int, colour: int | None) -> FactorMap:
    return FactorMap(
        channel, colour, surface.low, surface.high, surface.columns, surface.rows, surface.offset, surface.block, surface.error
    )  # fmt: skip
