"""The table of a line as CSV and Parquet: a row a unit, in order of serial; the same rows, the same bytes."""

import csv
import io
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet

from prewarp.files import write_bytes
from prewarp.line.family import Family
from prewarp.line.unit import UnitRow, columns_of
from prewarp.quality.units_table import MEANING_HEAD, MEANINGS, natural_key

CSV_NAME, PARQUET_NAME = "units.csv", "units.parquet"
_DIGITS = 9


def write_results(folder: Path, family: Family, rows: Sequence[UnitRow], /) -> None:
    """Write `units.csv`, `units.parquet` and `modes.csv`, what mode k is."""
    ordered = sorted(rows, key=lambda row: natural_key(row.serial))
    columns = columns_of(family, {name for row in ordered for name in row.numbers})
    texts = [[row.serial, row.status, row.reason] for row in ordered]
    numbers = [[_rounded(row, name) for name in columns] for row in ordered]
    head = ("serial", "status", "reason", *columns)
    lines = [
        [*text, *("" if one is None else f"{one:.{_DIGITS}g}" for one in own)]
        for text, own in zip(texts, numbers, strict=True)
    ]
    write_bytes(folder / CSV_NAME, _csv([head, *lines]))
    arrays = [_text_array([text[place] for text in texts]) for place in range(3)]
    arrays += [_number_array([own[place] for own in numbers]) for place in range(len(columns))]
    buffer = io.BytesIO()
    pyarrow.parquet.write_table(pa.table(dict(zip(head, arrays, strict=True))), buffer, compression="zstd")
    write_bytes(folder / PARQUET_NAME, buffer.getvalue())
    named = [(f"mode_{number}", label) for number, label in enumerate(family.labels, 1)]
    write_bytes(folder / MEANINGS, _csv([MEANING_HEAD, *named]))


def _text_array(texts: Sequence[str]) -> pa.Array:
    """Return a column of text. `pa.array` would import pandas, where that is installed: 0.2 s."""
    data = [text.encode("utf-8") for text in texts]
    ends = np.cumsum([0, *map(len, data)], dtype=np.int32)
    buffers = [None, pa.py_buffer(ends.tobytes()), pa.py_buffer(b"".join(data))]
    return pa.Array.from_buffers(pa.string(), len(data), buffers)


def _number_array(values: Sequence[float | None]) -> pa.Array:
    """Return a column of numbers, null where there is none."""
    known = np.array([one is not None for one in values], dtype=bool)
    numbers = np.array([0.0 if one is None else one for one in values], dtype=float)
    valid = None if known.all() else pa.py_buffer(np.packbits(known, bitorder="little").tobytes())
    return pa.Array.from_buffers(pa.float64(), len(values), [valid, pa.py_buffer(numbers.tobytes())])


def _rounded(row: UnitRow, name: str) -> float | None:
    value = row.numbers.get(name)
    return None if value is None else float(f"{value:.{_DIGITS}g}")


def _csv(lines: Sequence[Sequence[str]]) -> bytes:
    stream = io.StringIO(newline="")
    csv.writer(stream, lineterminator="\n").writerows(lines)
    return stream.getvalue().encode("utf-8")
