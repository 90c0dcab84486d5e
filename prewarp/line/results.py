"""The table of a line as CSV and Parquet: a row a unit, in order of serial; the same rows, the same bytes."""

import csv
import io
from collections.abc import Sequence
from pathlib import Path

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
    arrays = [pa.array([text[place] for text in texts], pa.string()) for place in range(3)]
    arrays += [pa.array([own[place] for own in numbers], pa.float64()) for place in range(len(columns))]
    buffer = io.BytesIO()
    pyarrow.parquet.write_table(pa.table(dict(zip(head, arrays, strict=True))), buffer, compression="zstd")
    write_bytes(folder / PARQUET_NAME, buffer.getvalue())
    named = [(f"mode_{number}", label) for number, label in enumerate(family.labels, 1)]
    write_bytes(folder / MEANINGS, _csv([MEANING_HEAD, *named]))


def _rounded(row: UnitRow, name: str) -> float | None:
    value = row.numbers.get(name)
    return None if value is None else float(f"{value:.{_DIGITS}g}")


def _csv(lines: Sequence[Sequence[str]]) -> bytes:
    stream = io.StringIO(newline="")
    csv.writer(stream, lineterminator="\n").writerows(lines)
    return stream.getvalue().encode("utf-8")
