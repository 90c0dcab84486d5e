"""The table of a production line: one row a unit, what was measured of it and what came of it.

Columns `serial, status, reason`; of each figure its value and `..._sigma`; `mode_1` and on, how a unit
differs from its family, in prior sigmas, and `mode_1_sigma` and on; `outside_p`, `inside_p`,
`figure_p`, chances of the flags; `positions`. CSV and Parquet alike.
"""

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet

from prewarp.checks import FloatArray, nearest_name
from prewarp.columns import Schema, read_columns, row_list
from prewarp.errors import GridError, InputFileError
from prewarp.files import MEBIBYTE, read_bytes, require_file
from prewarp.quality.conformance import FAIL, FAIL_WITHIN, PASS, PASS_WITHIN

BAD = "bad"
STATUSES = (PASS, PASS_WITHIN, FAIL_WITHIN, FAIL, BAD)
PASSED = (PASS, PASS_WITHIN)
FLAGS = ("outside_p", "inside_p", "figure_p")
SIGMA = "_sigma"
# What each mode is, beside the table.
MEANINGS, MEANING_HEAD = "modes.csv", ("column", "one sigma of")
LIMIT_BYTES, LIMIT_UNITS = 256 * MEBIBYTE, 1_000_000
MOST_MODES = 256
# Modes with their sigmas, and as many others.
_MOST_COLUMNS = 4 * MOST_MODES
_TEXT = ("serial", "status", "reason")
_MODE = re.compile(r"mode_([1-9][0-9]*)")
_PARQUET = b"PAR1"


@dataclass(frozen=True, eq=False)
class Units:
    """Units in order of serial (numbers in serials count as numbers).

    Parameters
    ----------
    serial, status, reason : tuple of str
        n each; `status` is one of `STATUSES`.
    figures : mapping of (value (n,), sigma (n,) or None)
        By name, as the columns are called; NaN where a unit has none.
    modes, modes_sigma : (n, k) float arrays
        In prior sigmas; sigma NaN where it is not told.
    flags : mapping of (n,) float arrays
        `outside_p`, `inside_p`, `figure_p`, those that are there.
    source : str
        File, for messages.
    in_order : bool
        Whether the rows of the file were in order of serial.
    """

    serial: tuple[str, ...]
    status: tuple[str, ...]
    reason: tuple[str, ...]
    figures: Mapping[str, tuple[FloatArray, FloatArray | None]]
    modes: FloatArray
    modes_sigma: FloatArray
    flags: Mapping[str, FloatArray]
    source: str
    in_order: bool

    def __len__(self) -> int:
        return len(self.serial)

    def count(self, *statuses: str) -> int:
        """Return how many units have one of some statuses."""
        return sum(one in statuses for one in self.status)

    def figure(self, name: str, /) -> tuple[FloatArray, FloatArray | None]:
        """Return a figure's values and sigmas; `GridError` with the nearest name where there is none."""
        if name not in self.figures:
            raise GridError(
                f"{self.source}: no column '{name}'; there are {', '.join(self.figures) or 'none'}."
                f"{nearest_name(name, self.figures)}",
                path=self.source,
            )
        return self.figures[name]


def read_units(path: Path | str, /, *, figures: Sequence[str] = ()) -> Units:
    """Read the table of a line, CSV (or CSV.gz, NPZ) or Parquet; the content decides, not the suffix.

    `figures`: names of columns that are figures, besides those that have a `..._sigma` beside them.

    Raises
    ------
    InputFileError
        Missing, empty, too large or damaged file.
    GridError
        A column missing or misspelt, a status that is none, a serial that is empty or there twice.
    """
    path = Path(path)
    require_file(path, limit_bytes=LIMIT_BYTES, what="a table of units")
    with path.open("rb") as stream:
        parquet = stream.read(4) == _PARQUET
    columns, row = _from_parquet(path) if parquet else _from_columns(path, figures)
    texts = [np.asarray(columns.pop(name)).astype(str) for name in _TEXT]
    numbers = {name: np.asarray(values, dtype=float) for name, values in columns.items()}
    _require_good(path, texts[0], texts[1], row)
    names_of_units = texts[0].tolist()
    places = sorted(range(len(row)), key=lambda place: natural_key(names_of_units[place]))
    order = np.asarray(places, dtype=np.int64)
    serial, status, reason = (tuple(one[order].tolist()) for one in texts)
    numbers = {name: values[order] for name, values in numbers.items()}
    count = max((int(found[1]) for name in numbers if (found := _MODE.fullmatch(name))), default=0)
    names = [f"mode_{number}" for number in range(1, min(count, MOST_MODES) + 1)]
    nothing = np.full(len(order), np.nan)

    def modes(ending: str) -> FloatArray:
        stacked = [numbers.get(f"{name}{ending}", nothing) for name in names]
        return np.stack(stacked, axis=1) if stacked else np.zeros((len(order), 0))

    told = [
        name
        for name in numbers
        if name in figures or (f"{name}{SIGMA}" in numbers and not _MODE.fullmatch(name))
    ]
    return Units(
        serial,
        status,
        reason,
        {name: (numbers[name], numbers.get(f"{name}{SIGMA}")) for name in told},
        modes(""),
        modes(SIGMA),
        {name: numbers[name] for name in FLAGS if name in numbers},
        str(path),
        bool(np.all(np.diff(order) == 1)),
    )


def read_meanings(path: Path, /) -> dict[str, str]:
    """Return what one sigma of every mode is, by the mode's column, from the list beside a line's table; none
    where there is no such file.

    Raises
    ------
    InputFileError
        The file is no such list.
    """
    if not path.is_file():
        return {}
    text = read_bytes(path, limit_bytes=MEBIBYTE, what="a list of modes").decode("utf-8", "replace")
    rows = list(csv.reader(io.StringIO(text)))
    if not rows or rows[0] != list(MEANING_HEAD) or any(len(row) != 2 for row in rows):
        raise InputFileError(
            f"{path}: not the list of modes that 'prewarp line run' writes. Run the line again, or take the "
            "file away.",
            path=str(path),
        )
    return dict((name, meaning) for name, meaning in rows[1:])


def natural_key(serial: str) -> list[tuple[int, int, str]]:
    """Return what serials are sorted by: numbers in them as numbers."""
    parts = re.split(r"(\d+)", serial)
    return [(1, int(part), part) if part.isdigit() else (0, 0, part) for part in parts]


def _from_columns(path: Path, figures: Sequence[str]) -> tuple[dict[str, np.ndarray], np.ndarray]:
    modes = [f"mode_{number}{ending}" for number in range(1, MOST_MODES + 1) for ending in ("", SIGMA)]
    known = [f"{name}{ending}" for name in figures for ending in ("", SIGMA)]
    # Serials and reasons are many: they come as other columns do, text where they are no plain numbers.
    schema = Schema("a table of units", ("status",), (), (*known, *modes, *FLAGS, "positions"))
    found = read_columns(path, schema=schema, limit_bytes=LIMIT_BYTES)
    columns: dict[str, np.ndarray] = {
        name: np.asarray(names, dtype=str)[codes] for name, (codes, names) in found.texts.items()
    }
    columns |= found.numbers
    for name in ("serial", "reason"):
        if name not in found.extra:
            raise GridError(
                f"{path}: column missing: {name}. Expected {', '.join(_TEXT)}.", path=str(path), column=name
            )
        columns[name] = np.char.strip(found.extra[name].astype(str))
    # Figures that nobody named: numbers with a sigma beside them.
    columns |= {
        name: values
        for name, values in found.extra.items()
        if values.dtype.kind in "iuf" and name not in _TEXT
    }
    return columns, found.row


def _from_parquet(path: Path) -> tuple[dict[str, np.ndarray], np.ndarray]:
    try:
        with pyarrow.parquet.ParquetFile(path) as file:
            rows, names = file.metadata.num_rows, file.schema_arrow.names
            if not 1 <= rows <= LIMIT_UNITS or len(names) > _MOST_COLUMNS:
                raise GridError(
                    f"{path}: {rows} rows, {len(names)} columns; expected 1 to {LIMIT_UNITS} rows and at "
                    f"most {_MOST_COLUMNS} columns.",
                    path=str(path),
                )
            missing = [name for name in _TEXT if name not in names]
            if missing:
                raise GridError(f"{path}: column missing: {missing[0]}. Expected {', '.join(_TEXT)}.")
            table = file.read()
    except MemoryError:
        raise
    except (pa.ArrowException, OSError) as cause:
        raise InputFileError(
            f"{path}: not a readable Parquet file ({str(cause).splitlines()[0]}). Write it again.",
            path=str(path),
        ) from cause
    columns: dict[str, np.ndarray] = {}
    for name in table.column_names:
        column = table.column(name)
        if name in _TEXT:
            columns[name] = np.array(["" if one is None else str(one) for one in column.to_pylist()])
        elif pa.types.is_floating(column.type) or pa.types.is_integer(column.type):
            columns[name] = column.cast(pa.float64(), safe=False).to_numpy()
    return columns, np.arange(1, table.num_rows + 1)


def _require_good(path: Path, serial: np.ndarray, status: np.ndarray, row: np.ndarray) -> None:
    names, counts = np.unique(serial, return_counts=True)
    twice = np.isin(serial, names[counts > 1])
    for bad, text in (
        (serial == "", "no serial. Fill it in."),
        (twice, "a serial is there twice; expected one row a unit. Keep the row that counts."),
        (~np.isin(status, STATUSES), f"status is none of {', '.join(STATUSES)}."),
    ):
        if bad.any():
            raise GridError(f"{path}, {row_list(row[bad].tolist())}: {text}", path=str(path))
