"""The cells of a CSV file as arrays. The one user of pyarrow's reader; none of its objects leaves this."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from prewarp.checks import FloatArray, IntArray
from prewarp.columns.csv_text import CsvText
from prewarp.columns.schema import LIMIT_GROUPS, SHOWN_ROWS, Schema, row_list
from prewarp.errors import GridError
from prewarp.files import MEBIBYTE

NOT_MEASURED = ("", "nan", "NaN", "NAN", "-nan", "NA", "N/A", "n/a", "null", "NULL")
_BLOCK_BYTES = 4 << 20


Texts = dict[str, tuple[IntArray, tuple[str, ...]]]
Numbers = dict[str, FloatArray]
Extra = dict[str, NDArray[np.generic]]


def csv_columns(
    text: CsvText, source: str, *, limit_bytes: int, schema: Schema
) -> tuple[Texts, Numbers, Extra]:
    """Return the columns of a CSV text by name: (codes, names) of texts, numbers, and others.

    An empty cell or NaN of a number column is NaN.

    Raises
    ------
    GridError
        A row with too few or too many cells, a cell that is no number, text that is not UTF-8: names rows
        (the first five and the count), column and the text found.
    """
    import pyarrow as pa

    types = {name: pa.dictionary(pa.int32(), pa.string()) for name in schema.text}
    types |= {name: pa.float64() for name in schema.all_numbers if name in text.names}
    types |= {name: pa.string() for name in text.names if name not in schema.known}
    try:
        table = _read(text, types)
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError, UnicodeDecodeError) as cause:
        raise _explained(text, source, str(cause), schema) from cause
    if table.num_rows != len(text.row):
        raise GridError(
            f"{source}: a cell in quotes holds a line break, so rows cannot be counted. Remove it.",
            path=source,
        )
    texts: Texts = {}
    numbers: Numbers = {}
    extra: Extra = {}
    for name in text.names:
        column = table[name]
        if name in schema.text:
            texts[name] = _codes(column, name, source)
        elif name in schema.all_numbers:
            numbers[name] = np.asarray(column.to_numpy(), dtype=np.float64)
        else:
            extra[name] = _extra_array(column, name, source, limit_bytes)
        table = table.drop_columns([name])
    return texts, numbers, extra


def _read(text: CsvText, types: Mapping[str, Any], *, bad_rows: list[tuple[int, int]] | None = None) -> Any:
    """Return a pyarrow table, which has no types to state; rows too long or short end in `bad_rows`."""
    import pyarrow as pa
    from pyarrow import csv

    counting = bad_rows is not None

    def skip(row: Any) -> str:
        if bad_rows is not None:
            bad_rows.append((row.number, row.actual_columns))
        return "skip"

    return csv.read_csv(
        pa.BufferReader(pa.py_buffer(text.body)),
        read_options=csv.ReadOptions(
            column_names=list(text.names), block_size=_BLOCK_BYTES, use_threads=not counting
        ),
        parse_options=csv.ParseOptions(
            delimiter=text.delimiter, newlines_in_values=False, invalid_row_handler=skip if counting else None
        ),
        convert_options=csv.ConvertOptions(
            column_types=types,
            null_values=list(NOT_MEASURED),
            strings_can_be_null=False,
            decimal_point=text.decimal_point,
        ),
    )


def _codes(column: Any, name: str, source: str) -> tuple[IntArray, tuple[str, ...]]:
    array = column.unify_dictionaries().combine_chunks()
    if hasattr(array, "num_chunks"):
        array = array.chunk(0)
    if len(array.dictionary) > LIMIT_GROUPS:
        raise GridError(
            f"{source}: {len(array.dictionary)} different names in column '{name}'; at most {LIMIT_GROUPS} "
            "are accepted. Check that the columns are in the order of the header.",
            path=source,
            column=name,
        )
    codes = array.indices.to_numpy()
    known: dict[str, int] = {}
    renumber = [known.setdefault(text.strip(), len(known)) for text in array.dictionary.to_pylist()]
    return np.asarray(renumber, dtype=np.int32)[codes], tuple(known)


def _extra_array(column: Any, name: str, source: str, limit_bytes: int) -> NDArray[np.generic]:
    """Return int64 or float64 when every cell is such a number and written back the same, else text."""
    import pyarrow as pa
    from pyarrow import compute

    # "007" is a name, not the number 7.
    padded = compute.any(compute.match_substring_regex(column, r"^\s*[+-]?0[0-9]|^\s|\s$")).as_py()
    if not padded:
        for kind in (pa.int64(), pa.float64()):
            try:
                empty = compute.is_in(column, value_set=pa.array(NOT_MEASURED))
                holes = compute.any(empty).as_py()
                if holes and kind == pa.int64():
                    continue
                numbers = compute.if_else(empty, pa.scalar(None, pa.string()), column) if holes else column
                return np.array(compute.cast(numbers, kind).to_numpy())
            except pa.ArrowInvalid:
                continue
    longest = compute.max(compute.utf8_length(column)).as_py()
    if 4 * longest * len(column) > limit_bytes:
        raise GridError(
            f"{source}: text of up to {longest} characters in column '{name}' would need "
            f"{4 * longest * len(column) / MEBIBYTE:.0f} MiB. Shorten or remove the column.",
            path=source,
            column=name,
        )
    result = np.empty(len(column), dtype=f"U{max(longest, 1)}")
    start = 0
    for chunk in column.chunks:
        result[start : start + len(chunk)] = chunk.to_pylist()
        start += len(chunk)
    return result


def _explained(text: CsvText, source: str, cause: str, schema: Schema) -> GridError:
    """Return the error that names rows, column and text found, after reading again in a slower way."""
    import pyarrow as pa

    try:
        bytes(text.body).decode("utf-8")
    except UnicodeDecodeError as bad:
        line = bytes(text.body[: bad.start]).count(b"\n") + 2
        return GridError(
            f"{source}, row {line}: not UTF-8 text. Save it as CSV UTF-8.", path=source, row=line
        )
    bad_rows: list[tuple[int, int]] = []
    try:
        table = _read(text, dict.fromkeys(text.names, pa.string()), bad_rows=bad_rows)
    except pa.ArrowInvalid:
        table = None
    if bad_rows:
        return _wrong_width(text, source, bad_rows)
    if table is None or table.num_rows != len(text.row):
        return GridError(
            f"{source}: not readable as CSV ({cause[:200]}). Check quotes and line breaks.", path=source
        )
    for name in text.names:
        if name in schema.all_numbers:
            error = _not_a_number(table[name].to_pylist(), name, text, source)
            if error is not None:
                return error
    return GridError(f"{source}: not readable as CSV ({cause[:200]}).", path=source)


def _wrong_width(text: CsvText, source: str, bad_rows: Sequence[tuple[int, int]]) -> GridError:
    rows = [int(text.row[min(number, len(text.row)) - 1]) for number, _ in bad_rows if number]
    found = bad_rows[0][1]
    width = len(text.names)
    mend = "Check for a missing cell or delimiter."
    if found > width and text.delimiter == ",":
        mend = "Check for decimal commas (write 1.25, or use ';' between cells) and for commas in names."
    return GridError(
        f"{source}, {row_list(rows, len(bad_rows))}: {found} cells; the header has {width}. {mend}",
        path=source,
        row=rows[0] if rows else None,
        rows=rows,
    )


def _not_a_number(cells: Sequence[str], name: str, text: CsvText, source: str) -> GridError | None:
    point = text.decimal_point
    bad = [index for index, cell in enumerate(cells) if not _readable(cell, point)]
    if not bad:
        return None
    rows = [int(text.row[index]) for index in bad[:SHOWN_ROWS]]
    found = cells[bad[0]]
    mend = "Measure the point again, leave the cell empty, or delete the row."
    if "," in found and point == ".":
        mend = "Write a decimal point, or use ';' between cells and decimal commas throughout."
    return GridError(
        f"{source}, {row_list(rows, len(bad))}: {name} is {found[:40]!r}; a number is needed. {mend}",
        path=source,
        row=rows[0],
        rows=[int(text.row[index]) for index in bad],
        column=name,
    )


def _readable(cell: str, point: str) -> bool:
    cell = cell.strip()
    if cell in NOT_MEASURED:
        return True
    if "_" in cell or (point == "," and "." in cell) or not cell.isascii():
        return False
    try:
        float(cell.replace(point, ".", 1))
    except ValueError:
        return False
    return True
