"""The text around the numbers of a CSV file: encoding, header, delimiter, decimal comma, line numbers."""

import csv
from dataclasses import dataclass

import numpy as np

from prewarp.checks import IntArray
from prewarp.columns.schema import LIMIT_ROWS, Schema, require_columns
from prewarp.errors import GridError

_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_DELIMITERS = (",", ";", "\t")
_LONGEST_HEADER = 1 << 16
_SNIFFED_ROWS = 20


@dataclass(frozen=True)
class CsvText:
    """A CSV file taken apart: `body` is everything below the header, lines ended by a line feed."""

    names: tuple[str, ...]
    delimiter: str
    decimal_point: str
    body: memoryview
    row: IntArray  # (n,) line number of each line of the body that is not empty; the file's first line is 1


def csv_text_from_bytes(data: bytes | bytearray, source: str, schema: Schema) -> CsvText:
    """Find header, delimiter and decimal sign, and number the lines.

    Raises
    ------
    GridError
        Not UTF-8 text, no header, a header without the columns of `schema`, no rows or too many.
    """
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise GridError(f"{source}: UTF-16 text; expected UTF-8. Save it as CSV UTF-8.", path=source)
    if b"\0" in data:
        raise GridError(f"{source}: holds zero bytes, so it is not text; expected CSV or NPZ.", path=source)
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    start = len(_BYTE_ORDER_MARK) if data[:3] == _BYTE_ORDER_MARK else 0
    blank_lines = 0
    while data[start : start + 1] == b"\n":
        start, blank_lines = start + 1, blank_lines + 1
    end = data.find(b"\n", start)
    end = len(data) if end < 0 else end
    if end - start > _LONGEST_HEADER:
        raise GridError(
            f"{source}: the first line has {end - start} bytes; expected a header that names columns.",
            path=source,
        )
    delimiter, names = _header(bytes(data[start:end]), source, schema)
    body = memoryview(data)[end + 1 :]
    row = _line_numbers(data, end + 1) + blank_lines + 1
    if not 1 <= len(row) <= LIMIT_ROWS:
        raise GridError(
            f"{source}: {len(row)} rows below the header; expected 1 to {LIMIT_ROWS}.", path=source
        )
    return CsvText(names, delimiter, _decimal_point(body, delimiter), body, row)


def _header(line: bytes, source: str, schema: Schema) -> tuple[str, tuple[str, ...]]:
    try:
        text = line.decode("utf-8")
    except UnicodeDecodeError as cause:
        raise GridError(
            f"{source}, row 1: not UTF-8 text. Save it as CSV UTF-8.", path=source, row=1
        ) from cause

    def split(delimiter: str) -> tuple[str, ...]:
        try:
            return tuple(
                name.strip() for name in next(csv.reader([text], delimiter=delimiter, strict=True), [])
            )
        except csv.Error:
            return ()

    delimiter = max(_DELIMITERS, key=lambda candidate: len(set(split(candidate)) & set(schema.required)))
    names = split(delimiter)
    if not set(names) & set(schema.required):
        names = max((split(candidate) for candidate in _DELIMITERS), key=len)
        if sum(map(_is_number, names)) >= max(1, len(names) // 2):
            raise GridError(
                f"{source}, row 1: holds numbers; expected a header. Put this line first: "
                f"{','.join(schema.required)}",
                path=source,
                row=1,
            )
    require_columns(names, source, schema)
    return delimiter, names


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _line_numbers(data: bytes | bytearray, start: int) -> IntArray:
    """Return the numbers (the first is 1) of the lines from byte `start` that hold anything."""
    if start >= len(data):
        return np.zeros(0, dtype=np.int64)
    if data.find(b"\n\n", start - 1) < 0:
        return np.arange(1, data.count(b"\n", start) + 1 + (data[-1] != 0x0A))
    octets = np.frombuffer(data, dtype=np.uint8, offset=start)
    ends = np.flatnonzero(octets == 0x0A)
    if octets[-1] != 0x0A:
        ends = np.append(ends, octets.size)
    return np.flatnonzero(np.diff(ends, prepend=-1) > 1) + 1


def _decimal_point(body: memoryview, delimiter: str) -> str:
    """Return "," when the delimiter is another sign and the first rows hold numbers such as 1,25."""
    if delimiter == ",":
        return "."
    lines = bytes(body[:_LONGEST_HEADER]).decode("utf-8", errors="replace").split("\n")[:_SNIFFED_ROWS]
    cells = [cell.strip() for line in lines for cell in line.split(delimiter)]
    commas = sum("," in cell and _is_number(cell.replace(",", ".", 1)) for cell in cells)
    points = sum("." in cell and _is_number(cell) for cell in cells)
    return "," if commas > points else "."
