"""How much memory a process takes that finds units of a line, told before a grid is read."""

import os
import zipfile
from collections.abc import Iterable
from heapq import nlargest
from pathlib import Path

from prewarp.columns.unpacking import is_gzip, is_zip, require_npz_ratio
from prewarp.errors import PrewarpError
from prewarp.grids.columns import PIXEL_COLUMNS
from prewarp.line.unit import LIMIT_BYTES
from prewarp.memory import PROGRAM_BYTES

# Bytes by measurement with the family of the folded demo: what a process of units holds of the family, of the
# judge of its seam and of tables of packages; a row of a grid. What the process that makes the judge takes.
_FAMILY, _SEAM, _PACKAGES, _ROW = 10e6, 10e6, 35e6, 4300
MAKING_BYTES = 100e6
# Searching a family's tables.
SEARCH_BYTES = PROGRAM_BYTES + 540e6
# Bytes of an array's head and of a number in NPZ, and of a row as text.
_HEAD, _NUMBER, _TEXT_ROW = 128, 8, 80
_LOOKED_AT = 8
# Numbers of a row for each function of a remainder: two components, kept and once more while in work.
_COPIES = 4


def working_bytes(rows: int, /, *, judged: bool, packages: bool, remainder: int = 0) -> float:
    """Return how much memory a process takes whose largest grid has so many rows, bytes.

    `judged`: the display is known, so the seam is judged; `packages`: they are written; `remainder`: how many
    functions a family's remainder has.
    """
    row = _ROW + _NUMBER * _COPIES * remainder
    return PROGRAM_BYTES + _FAMILY + judged * _SEAM + packages * _PACKAGES + row * rows


def most_rows(paths: Iterable[Path], /) -> int:
    """Return about how many rows the largest of some grids has, by what their files say of themselves.

    One that cannot be read has none: it becomes a unit with a reason.
    """
    return max(map(_rows, nlargest(_LOOKED_AT, paths, key=_size)), default=0)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _rows(path: Path) -> int:
    try:
        if is_zip(path):
            require_npz_ratio(path, limit_bytes=LIMIT_BYTES, what="a grid")
            with zipfile.ZipFile(path) as parts:
                size = min(parts.getinfo(f"{name}.npy").file_size for name in PIXEL_COLUMNS)
                return max(size - _HEAD, 0) // _NUMBER
        size = _size(path)
        if is_gzip(path):
            with path.open("rb") as stream:
                # The size of what was packed, in the last four bytes (RFC 1952).
                stream.seek(-4, os.SEEK_END)
                size = int.from_bytes(stream.read(4), "little")
        return 0 if size > LIMIT_BYTES else size // _TEXT_ROW
    except (PrewarpError, OSError, KeyError, zipfile.BadZipFile):
        return 0
