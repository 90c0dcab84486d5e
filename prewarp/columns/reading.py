"""Reading a table of columns: format by content, columns checked by name, numbers kept as they are."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from prewarp.checks import FloatArray, IntArray, StringArray
from prewarp.columns.csv_cells import csv_columns
from prewarp.columns.csv_text import csv_text_from_bytes
from prewarp.columns.schema import Schema, require_columns
from prewarp.columns.unpacking import (
    is_gzip,
    is_zip,
    require_memory_to_read,
    require_npz_ratio,
    unpacked_bytes,
)
from prewarp.errors import GridError, InputFileError
from prewarp.files import read_npz, require_file, sha256_of_bytes, sha256_of_file


@dataclass(frozen=True, eq=False)
class Columns:
    """The columns of a table with n rows.

    Parameters
    ----------
    texts : dict of (codes, names)
        Text columns of the schema: int codes (n,) into the distinct names.
    numbers : dict of (n,) float array
        Number columns of the schema that are there; an empty cell is NaN.
    extra : dict of (n,) array
        Other columns, as they are.
    row : (n,) int array
        Row in the file, for messages. CSV: line number, the header is line 1. NPZ: index + 1.
    sha256 : str
        Of the file.
    """

    texts: dict[str, tuple[IntArray, tuple[str, ...]]]
    numbers: dict[str, FloatArray]
    extra: dict[str, NDArray[np.generic]]
    row: IntArray
    sha256: str

    def stacked(self, names: tuple[str, ...], /) -> FloatArray:
        """Return the number columns `names` side by side, (n, len(names))."""
        return np.stack([self.numbers[name] for name in names], axis=1)


def read_columns(path: Path, /, *, schema: Schema, limit_bytes: int, with_arrays: bool = True) -> Columns:
    """Return the columns of a CSV, gzip-compressed CSV or NPZ file; the content decides, not the suffix.

    CSV may use comma, semicolon or tab, and decimal commas with the latter two. NPZ holds one array per
    column; `with_arrays` False refuses it.

    Raises
    ------
    InputFileError
        Missing, empty, too large or damaged file.
    GridError
        A column missing, misspelt or there twice; cells that are no numbers (rows, column and text are
        named).
    """
    source = str(path)
    if path.is_file() and is_zip(path):
        if not with_arrays:
            raise InputFileError(f"{path}: not a CSV file; expected {schema.what}.", path=source)
        require_npz_ratio(path, limit_bytes=limit_bytes, what=schema.what)
        require_memory_to_read(path, limit_bytes=limit_bytes, schema=schema)
        return _npz_columns(path, source, limit_bytes, schema)
    require_file(path, limit_bytes=limit_bytes, what=schema.what)
    require_memory_to_read(path, limit_bytes=limit_bytes, schema=schema)
    data = unpacked_bytes(path, limit_bytes=limit_bytes, what=schema.what)
    sha256 = sha256_of_file(path) if is_gzip(path) else sha256_of_bytes(data)
    try:
        text = csv_text_from_bytes(data, source, schema)
        del data
        texts, numbers, extra = csv_columns(text, source, limit_bytes=limit_bytes, schema=schema)
    except (GridError, InputFileError) as cause:
        if path.suffix.lower() != ".npz":
            raise
        raise InputFileError(
            f"{path}: its name says NPZ, but it holds neither that nor a table. Copy or write it again.",
            path=source,
        ) from cause
    return Columns(texts, numbers, extra, text.row, sha256)


def _npz_columns(path: Path, source: str, limit_bytes: int, schema: Schema) -> Columns:
    arrays = read_npz(path, limit_bytes=limit_bytes, what=schema.what)
    require_columns(list(arrays), source, schema)
    first = schema.required[0]
    count = int(np.size(arrays[first]))
    for name, array in arrays.items():
        if array.shape != (count,):
            raise GridError(
                f"{source}: array '{name}' has shape {array.shape}; expected ({count},) as '{first}' has.",
                path=source,
                column=name,
            )
        wanted = "U" if name in schema.text else "iuf" if name in schema.all_numbers else "iufbU"
        if array.dtype.kind not in wanted:
            kind = {"U": "text (unicode)", "iuf": "real numbers", "iufbU": "numbers or text"}[wanted]
            raise GridError(
                f"{source}: array '{name}' holds {array.dtype}; expected {kind}. Convert it.",
                path=source,
                column=name,
            )
        if array.dtype.kind == "U":
            _require_characters(array, name, source)
    # A long double beyond float64 becomes an infinity, which a check reports.
    with np.errstate(all="ignore"):
        numbers = {
            name: arrays.pop(name).astype(np.float64, copy=False)
            for name in schema.all_numbers
            if name in arrays
        }
    return Columns(
        {name: codes_from_names(arrays.pop(name)) for name in schema.text},
        numbers,
        {name: array for name, array in arrays.items() if name not in schema.known},
        np.arange(1, count + 1),
        sha256_of_file(path),
    )


def _require_characters(array: NDArray[np.generic], name: str, source: str) -> None:
    """Raise `GridError` where a damaged file holds numbers that are no characters."""
    if array.dtype.itemsize == 0 or array.size == 0:
        return
    points = (
        np.ascontiguousarray(array)
        .view(array.dtype.byteorder.replace("|", "=") + "u4")
        .reshape(len(array), -1)
    )
    bad = ((points > 0x10FFFF) | ((points >= 0xD800) & (points < 0xE000))).any(axis=1)
    if bad.any():
        row = int(np.argmax(bad)) + 1
        raise GridError(
            f"{source}, row {row}: '{name}' holds what is no text. Write the file again.",
            path=source,
            row=row,
            column=name,
        )


def codes_from_names(names: StringArray, /) -> tuple[IntArray, tuple[str, ...]]:
    """Return codes (n,) and the distinct names in order of appearance, blanks around names removed.

    Names mostly come in long runs, so only the head of each run is looked at.
    """
    if len(names) == 0:
        return np.zeros(0, dtype=np.int32), ()
    starts = np.concatenate([[0], np.flatnonzero(names[1:] != names[:-1]) + 1])
    known: dict[str, int] = {}
    heads = [known.setdefault(name.strip(), len(known)) for name in names[starts].tolist()]
    lengths = np.diff(np.append(starts, len(names)))
    return np.repeat(np.asarray(heads, dtype=np.int32), lengths), tuple(known)
