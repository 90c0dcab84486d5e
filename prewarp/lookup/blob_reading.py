"""Reading a lookup blob, trusting nothing in it: its rules are those of the C reader (`prewarp_open.c`)."""

import zlib
from typing import SupportsFloat

import numpy as np

from prewarp.chebyshev import count_of_degree
from prewarp.checks import FloatArray
from prewarp.content import ContentProjection
from prewarp.errors import PackageError
from prewarp.lookup.blob import CONTENT_KINDS
from prewarp.lookup.chebyshev_terms import terms_of
from prewarp.lookup.coding import LARGEST_CODE, CodedArray, Format, byte_count, numbers_from_bytes
from prewarp.lookup.layout import (
    BLOCK_ALIGNMENT,
    HEADER,
    MAGIC,
    MAX_BLOB_BYTES,
    NONE,
    SECTION,
    SECTIONS,
    VERSION,
    aligned,
)
from prewarp.lookup.pupil import pupil_count, region_exponents
from prewarp.lookup.tables import (
    MAX_BORDER_POINTS,
    MAX_CLAIM_COEFFICIENTS,
    MAX_COEFFICIENTS,
    MAX_GAIN_DEGREE,
    MAX_MODES,
    MAX_PANEL_DEGREE,
    MAX_PUPIL_DEGREE,
    MAX_REGION_DEGREE,
    MAX_REGIONS,
    MIN_CLAIM_COEFFICIENTS,
    MIN_SPLINE_COEFFICIENTS,
    BorderTable,
    ClaimTable,
    Family,
    GainTable,
    Lookup,
    MapTable,
    RegionTable,
)

MAX_CHANNELS, MAX_COLOURS = 16, 8
MAX_NUMBERS = 1 << 28
SMALLEST_PICTURE, LARGEST_PICTURE = 16, 32768
LARGEST_TANGENT, LARGEST_PUPIL_MM, LARGEST_WEIGHT, LARGEST_VALUE = 16.0, 100.0, 1000.0, 1e6
# Degrees of the plane of angles, and the finest lattice over it; the least half size of a pupil plane, mm.
LARGEST_DEG, LEAST_PITCH_DEG, LEAST_HALF_MM = 180.0, 2.0**-10, 2.0**-10
SMALLEST_CLAIM = 2.0**-20
_SIGNED = (Format.INT8, Format.INT12, Format.INT16)


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


# Fewest and most records of a section.
_RECORDS = {
    "display": (1, 1),
    "channels": (1, MAX_CHANNELS),
    "colours": (1, MAX_COLOURS),
    "maps": (1, MAX_CHANNELS * MAX_COLOURS),
    "blocks": (0, NONE),
    "claims": (0, 1),
    "borders": (0, MAX_CHANNELS * MAX_COLOURS),
    "regions": (0, MAX_CHANNELS * MAX_COLOURS * MAX_REGIONS),
    "gains": (0, MAX_CHANNELS * MAX_COLOURS),
}


class _Reader:
    def __init__(self, blob: bytes, source: str) -> None:
        self.blob, self.source = blob, source

    def _require(self, condition: object, why: str) -> None:
        if not condition:
            raise PackageError(f"{self.source}: {why} Export again.", source=self.source)

    def lookup(self) -> Lookup:
        self.tables, self.data = self._tables()
        display = self.tables["display"][0]
        box = np.stack([display["pupil_low"], display["pupil_high"]]).astype(float)
        self._require(
            np.all(np.abs(box) <= LARGEST_PUPIL_MM) and np.all(box[0] <= box[1]),
            "the eye box is not a box within 100 mm.",
        )
        self._require(_within(display["error_px"], 0.0, LARGEST_VALUE), "the error is not a number of px.")
        content = self._content(display)
        self._require_places()
        self.blocks = [self._block(row, place) for place, row in enumerate(self.tables["blocks"])]
        sizes = []
        for place, row in enumerate(self.tables["channels"]):
            size = int(row["panel_width"]), int(row["panel_height"])
            self._require(_is_picture(*size), f"channel {place} has a panel of {size[0]} x {size[1]} px.")
            sizes.append(size)
        claims = self._claims()
        regions = [self._region(row, place) for place, row in enumerate(self.tables["regions"])]
        maps: list[MapTable] = []
        borders: list[BorderTable] = []
        gains: list[GainTable] = []
        for place, row in enumerate(self.tables["maps"]):
            maps.append(self._map(row, place, maps))
            own = maps[-1]
            if row["border"] != NONE:
                borders.append(self._border(int(row["border"]), place, sizes[own.channel], regions))
            if row["gain"] != NONE:
                gains.append(self._gain(int(row["gain"]), place, own, len(gains)))
        count = len(self.tables["borders"])
        self._require(
            len(borders) == count and count in (0, len(maps)), f"{len(borders)} borders for {len(maps)} maps."
        )
        self._require(len(gains) == len(self.tables["gains"]), "a gain belongs to no map, or to two.")
        self._require_owners()
        names = self._names("channels"), self._names("colours")
        return Lookup(*names, tuple(sizes), box, tuple(maps), content, claims, tuple(borders), tuple(gains))

    def _require_places(self) -> None:
        """Blocks lie one after another over the whole data, none twice: reading takes no more than that."""
        end = 0
        for place, row in enumerate(self.tables["blocks"]):
            offset, count, form = (int(row[name]) for name in ("offset", "count", "format"))
            self._require(form in set(Format), f"block {place} has the unknown format {form}.")
            following = aligned(end, BLOCK_ALIGNMENT)
            end = offset + byte_count(Format(form), count)
            self._require(
                count <= MAX_NUMBERS and offset % BLOCK_ALIGNMENT == 0 and end <= len(self.data),
                f"block {place} reaches beyond the data.",
            )
            self._require(offset == following, f"block {place} does not follow the one before it.")
        self._require(end == len(self.data), "bytes of the data belong to no block.")

    def _require_owners(self) -> None:
        """Every block belongs to something, in the order of writing; borders may share theirs."""
        taken, region = 0, 0
        shared: set[int] = set()

        def take(first: int, count: int = 1) -> None:
            nonlocal taken
            self._require(first == taken, f"block {taken} does not belong to what it must.")
            taken += count

        for row in self.tables["maps"]:
            take(int(row["first_block"]), int(row["block_count"]))
        for row in self.tables["claims"]:
            take(int(row["block"]))
        for row in self.tables["borders"]:
            if int(row["block"]) not in shared:
                take(int(row["block"]))
                shared.add(int(row["block"]))
            self._require(int(row["first_region"]) == region, f"region {region} belongs to no border.")
            region += int(row["region_count"])
            for own in self.tables["regions"][region - int(row["region_count"]) : region]:
                take(int(own["block"]))
        self._require(region == len(self.tables["regions"]), f"region {region} belongs to no border.")
        for row in self.tables["gains"]:
            take(int(row["block"]))
        self._require(taken == len(self.blocks), f"block {taken} belongs to nothing.")

    def _claims(self) -> ClaimTable | None:
        if len(self.tables["claims"]) == 0:
            return None
        row = self.tables["claims"][0]
        columns, rows, link = int(row["columns"]), int(row["rows"]), int(row["block"])
        origin = row["origin"].astype(float)
        self._require(
            MIN_CLAIM_COEFFICIENTS <= min(columns, rows) <= max(columns, rows) <= MAX_CLAIM_COEFFICIENTS
            and np.all(np.abs(origin) <= LARGEST_DEG)
            and _within(row["pitch"], LEAST_PITCH_DEG, LARGEST_DEG)
            and _within(row["least"], SMALLEST_CLAIM, 1.0)
            and link < len(self.blocks)
            and self.blocks[link].format == Format.INT16
            and len(self.blocks[link].numbers) == len(self.tables["channels"]) * columns * rows
            and self.blocks[link].scale <= 1.0,
            "the claims are not described as such.",
        )
        return ClaimTable(columns, rows, origin, float(row["pitch"]), float(row["least"]), self.blocks[link])

    def _region(self, row: np.void, place: int) -> RegionTable:
        degree, pupil, link = int(row["degree"]), int(row["pupil_degree"]), int(row["block"])
        frame = self._frame(row)
        self._require(
            frame is not None
            and degree <= MAX_REGION_DEGREE
            and pupil <= degree
            and link < len(self.blocks)
            and self.blocks[link].format == Format.INT16
            and len(self.blocks[link].numbers) == len(region_exponents(degree, pupil))
            and self.blocks[link].scale <= 1.0,
            f"region {place} is not described as one.",
        )
        assert frame is not None
        return RegionTable(degree, pupil, *frame, self.blocks[link])

    def _border(
        self, link: int, place: int, size_px: tuple[int, int], regions: list[RegionTable]
    ) -> BorderTable:
        self._require(
            link == place and link < len(self.tables["borders"]), f"map {place} has no such border."
        )
        row = self.tables["borders"][link]
        first, count, block = int(row["first_region"]), int(row["region_count"]), int(row["block"])
        middle = row["middle"].astype(float)
        self._require(
            block < len(self.blocks)
            and self.blocks[block].format == Format.UINT16
            and len(self.blocks[block].numbers) % 2 == 0
            and 3 <= len(self.blocks[block].numbers) // 2 <= MAX_BORDER_POINTS
            and count <= MAX_REGIONS
            and first + count <= len(regions)
            and np.all(middle >= 0.0)
            and np.all(middle <= size_px),
            f"border {link} is not described as one.",
        )
        return BorderTable(middle, self.blocks[block], tuple(regions[first : first + count]))

    def _gain(self, link: int, place: int, own: MapTable, seen: int) -> GainTable:
        self._require(link < len(self.tables["gains"]), f"map {place} has no such gain.")
        self._require(link == seen, "a gain belongs to no map, or to two.")
        row = self.tables["gains"][link]
        panel, pupil, block = int(row["panel_degree"]), int(row["pupil_degree"]), int(row["block"])
        frame = self._frame(row)
        self._require(
            frame is not None
            and panel <= MAX_GAIN_DEGREE
            and pupil <= MAX_PUPIL_DEGREE
            and block < len(self.blocks)
            and self.blocks[block].format == Format.INT16
            and len(self.blocks[block].numbers) == count_of_degree(panel) * count_of_degree(pupil)
            and self.blocks[block].scale <= 1.0
            and _within(row["error"], 0.0, LARGEST_VALUE),
            f"gain {link} is not described as one.",
        )
        assert frame is not None
        error = float(row["error"])
        return GainTable(own.channel, own.colour, panel, pupil, *frame, self.blocks[block], error)

    def _frame(self, row: np.void) -> tuple[FloatArray, FloatArray] | None:
        centre, half = row["centre"].astype(float), row["half"].astype(float)
        good = np.all(np.abs(centre) <= LARGEST_PUPIL_MM) and all(
            _within(one, LEAST_HALF_MM, LARGEST_PUPIL_MM) for one in half
        )
        return (centre, half) if good else None

    def _tables(self) -> tuple[dict[str, np.ndarray], bytes]:
        """Return the records of every section by its name, and the numbers."""
        *parts, data = self._sections()
        tables = {}
        for (name, record), part in zip(SECTIONS, parts, strict=False):
            assert record is not None
            self._require(
                len(part) % record.byte_count == 0,
                f"section '{name}' has {len(part)} bytes; expected a multiple of {record.byte_count}.",
            )
            tables[name] = np.frombuffer(part, dtype=record.dtype)
            low, high = _RECORDS[name]
            count = len(tables[name])
            self._require(low <= count <= high, f"{count} records of '{name}'; expected {low} to {high}.")
        return tables, data

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
            f"{len(blob)} bytes; the header says {header['total_bytes']} in {header['section_count']} "
            "sections.",
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
        try:
            names = tuple(bytes(raw).decode("utf-8") for raw in self.tables[table]["name"])
        except UnicodeDecodeError:
            names = ()
        self._require(names, f"a name of '{table}' is not UTF-8.")
        whole = all(name and "\0" not in name for name in names)
        self._require(whole, f"a name of '{table}' is empty, or has bytes behind its end.")
        self._require(len(set(names)) == len(names), f"two names of '{table}' are the same.")
        return names

    def _content(self, display: np.void) -> ContentProjection | None:
        kind, focal = int(display["content_kind"]), float(display["content_focal"])
        width, height = (int(size) for size in display["content_size"])
        if kind == 0:
            return None
        self._require(
            kind in CONTENT_KINDS.values()
            and _is_picture(width, height)
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
        count, offset, scale = int(row["count"]), int(row["offset"]), float(row["scale"])
        form = Format(int(row["format"]))
        end = offset + byte_count(form, count)
        self._require(_within(scale, 0.0, LARGEST_VALUE), f"block {place} has the scale {scale}.")
        numbers = numbers_from_bytes(form, self.data[offset:end], count)
        self._require(np.isfinite(numbers).all(), f"block {place} holds a number that is not finite.")
        largest = LARGEST_CODE.get(form, np.inf)
        self._require(np.abs(numbers).max(initial=0) <= largest, f"block {place} holds a code out of range.")
        return CodedArray(form, numbers, scale)

    def _map(self, row: np.void, place: int, before: list[MapTable]) -> MapTable:
        channel, colour, base, family = (int(row[name]) for name in ("channel", "colour", "base", "family"))
        columns, rows, degree, modes = (
            int(row[name]) for name in ("columns", "rows", "pupil_degree", "modes")
        )
        first, count = int(row["first_block"]), int(row["block_count"])
        affine = row["affine"].astype(float).reshape(2, 3)
        self._require(
            channel < len(self.tables["channels"])
            and colour < len(self.tables["colours"])
            and family in set(Family)
            and degree <= MAX_PUPIL_DEGREE
            and first + count <= len(self.blocks)
            and np.all(np.abs(affine) <= LARGEST_TANGENT)
            and _within(row["error_px"], 0.0, LARGEST_VALUE),
            f"map {place} is not described as one.",
        )
        blocks, error_px = tuple(self.blocks[first : first + count]), float(row["error_px"])
        link, kind = None if base == NONE else base, Family(family)
        table = MapTable(channel, colour, link, kind, columns, rows, degree, modes, affine, blocks, error_px)
        self._require(
            all((one.channel, one.colour) != (channel, colour) for one in before),
            f"map {place} is there twice.",
        )
        if table.base is not None:
            self._require(base < place, f"map {place} is added to one that does not come before it.")
            self._require(
                before[base].base is None and before[base].channel == channel,
                f"map {place} cannot be added to map {base}.",
            )
        good = _chebyshev_is_good(table) if table.family == Family.CHEBYSHEV else _modes_are_good(table)
        self._require(good, f"the blocks of map {place} are not what its family needs.")
        return table


def _chebyshev_is_good(table: MapTable) -> bool:
    """Return whether blocks are what Chebyshev terms need: one of bytes that hold codes, or none."""
    return (
        1 <= table.columns == table.rows <= MAX_PANEL_DEGREE + 1
        and table.modes == pupil_count(table.pupil_degree)
        and len(table.blocks) <= 1
        and all(one.format == Format.UINT8 and one.scale <= LARGEST_TANGENT for one in table.blocks)
        and _holds_terms(table)
    )


def _holds_terms(table: MapTable) -> bool:
    try:
        terms_of(table)
    except ValueError:
        return False
    return True


def _modes_are_good(table: MapTable) -> bool:
    """Return whether blocks are what a mesh with modes needs: polynomials of the modes, a surface each."""
    sides = table.columns, table.rows
    if len(table.blocks) != table.modes + 1 or not 1 <= table.modes <= MAX_MODES:
        return False
    weights, *surfaces = table.blocks
    return (
        MIN_SPLINE_COEFFICIENTS <= min(sides) <= max(sides) <= MAX_COEFFICIENTS
        and weights.format == Format.FLOAT32
        and len(weights.numbers) == table.modes * pupil_count(table.pupil_degree)
        and bool(np.abs(weights.numbers).max() <= LARGEST_WEIGHT)
        and all(
            block.format in _SIGNED
            and len(block.numbers) == table.columns * table.rows * 2
            and block.scale <= LARGEST_TANGENT
            for block in surfaces
        )
    )


def _is_picture(width: int, height: int) -> bool:
    return SMALLEST_PICTURE <= min(width, height) <= max(width, height) <= LARGEST_PICTURE


def _within(value: SupportsFloat, low: float, high: float) -> bool:
    """Return low <= value <= high; False for NaN."""
    return low <= float(value) <= high
