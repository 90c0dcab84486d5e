"""The CSV tables of a capture: read into checked records with row numbers, written the same way each time.

Separators, decimal commas, byte order marks and limits as for every table of this package
(`prewarp.columns`); here cells may be names by the thousand.
"""

import csv
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from prewarp.columns.csv_text import csv_text_from_bytes
from prewarp.columns.schema import Schema
from prewarp.errors import CaptureError, GridError
from prewarp.files import read_bytes, write_text
from prewarp.records import Number, shown
from prewarp.records.rules import Rule

# No plan comes near: a shot a second for a day and a night is 86,400.
MOST_ROWS = 200_000
LONGEST_CELL = 300


@dataclass(frozen=True)
class Column:
    """One column: its name in the file and what a cell may hold."""

    name: str
    rule: Rule


def read_table(
    path: Path, columns: Sequence[Column], /, *, what: str, limit_bytes: int
) -> list[tuple[int, dict[str, Any]]]:
    """Return (row number, value by column) of each row of a CSV file; the header is row 1.

    Raises
    ------
    InputFileError
        The file is missing, empty or too large.
    CaptureError
        A column is missing, misspelt or there twice; a cell is not what its column holds; too many rows.
    """
    source = str(path)
    numbers = tuple(one.name for one in columns if isinstance(one.rule, Number))
    texts = tuple(one.name for one in columns if one.name not in numbers)
    data = read_bytes(path, limit_bytes=limit_bytes, what=what)
    try:
        text = csv_text_from_bytes(data, source, Schema(what, texts, numbers, ()))
    except GridError as cause:
        raise CaptureError(str(cause), **cause.fields) from cause
    if len(text.row) > MOST_ROWS:
        raise CaptureError(
            f"{path}: {len(text.row)} rows; {what} may have {MOST_ROWS}. Split it.", path=source
        )
    try:
        lines = [line for line in bytes(text.body).decode("utf-8").split("\n") if line]
    except UnicodeDecodeError as cause:
        row = bytes(text.body[: cause.start]).count(b"\n") + 2
        raise CaptureError(
            f"{path}, row {row}: not UTF-8 text. Save it as CSV UTF-8.", path=source, row=row
        ) from cause
    place = {name: index for index, name in enumerate(text.names)}
    found = []
    for row, line in zip(text.row.tolist(), lines, strict=True):
        cells = _cells(line, text.delimiter, path, row)
        if len(cells) != len(text.names):
            raise CaptureError(
                f"{path}, row {row}: {len(cells)} cells; the header has {len(text.names)}. Check for a "
                "missing cell or delimiter.",
                path=source,
                row=row,
            )
        values = {}
        for column in columns:
            cell = cells[place[column.name]]
            accepted, reason = column.rule.accept(_value(cell, column.rule, text.decimal_point))
            if reason:
                raise CaptureError(
                    f"{path}, row {row}: {column.name} is {shown(cell)}{reason}; expected "
                    f"{column.rule.expected}. Correct the cell.",
                    path=source,
                    row=row,
                    column=column.name,
                )
            values[column.name] = accepted
        found.append((row, values))
    return found


def write_table(path: Path, head: Sequence[str], rows: Sequence[Sequence[object]], /) -> None:
    """Write a CSV file; numbers with as many digits as read the same again."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(head)
    writer.writerows([_text(cell) for cell in row] for row in rows)
    write_text(path, stream.getvalue())


def refuse_doubles(
    path: str, rows: Sequence[int], keys: Sequence[object], what: Callable[[int], str], /
) -> None:
    """Raise `CaptureError` for the first row whose key stood in an earlier row; `what` words its index."""
    first: dict[object, int] = {}
    for index, key in enumerate(keys):
        earlier = first.setdefault(key, index)
        if earlier != index:
            raise CaptureError(
                f"{path}, row {rows[index]}: {what(index)} stands in row {rows[earlier]} too. Give each its "
                "own, or delete one row.",
                path=path,
                row=rows[index],
            )


def _cells(line: str, delimiter: str, path: Path, row: int) -> list[str]:
    try:
        (cells,) = csv.reader([line], delimiter=delimiter, strict=True)
    except (csv.Error, ValueError) as cause:
        raise CaptureError(
            f"{path}, row {row}: not readable as CSV ({cause}). Check its quotes.", path=str(path), row=row
        ) from cause
    return [cell.strip() for cell in cells]


def _value(cell: str, rule: Rule, decimal_point: str) -> object:
    """Return a number where the rule wants one and the cell is one, else the text."""
    if not isinstance(rule, Number) or not cell.isascii() or "_" in cell or len(cell) > LONGEST_CELL:
        return cell
    if rule.whole:
        return int(cell) if cell.lstrip("+-").isdigit() else cell
    try:
        return float(cell.replace(decimal_point, ".", 1))
    except ValueError:
        return cell


def _text(cell: object) -> object:
    """Return a number that is whole without its decimals, and no negative zero."""
    if isinstance(cell, float):
        return int(cell) if cell.is_integer() and abs(cell) < 1e15 else repr(float(cell))
    return cell
