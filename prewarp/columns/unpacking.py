"""File bytes with limits: plain, or gzip unpacked piece by piece, so that a bomb is refused in time."""

import gzip
import os
import zipfile
import zlib
from contextlib import suppress
from pathlib import Path

from prewarp.columns.schema import LIMIT_RATIO, RATIO_FREE_BYTES, Schema
from prewarp.errors import GridError, InputFileError
from prewarp.files import MEBIBYTE, read_bytes, require_file
from prewarp.memory import require_memory

_PIECE = 1 << 20
# By measurement, bytes: what reads CSV, and a row of it beside its text; a row of NPZ beside its arrays; a
# number there; what is looked at of a file's beginning.
CSV_BYTES = 110e6
_CSV_ROW, _NPZ_ROW, _NUMBER, _LOOKED_AT = 190.0, 150.0, 8, 1 << 16
_GZIP = b"\x1f\x8b"


def unpacked_bytes(path: Path, /, *, limit_bytes: int, what: str) -> bytes | bytearray:
    """Return the bytes of a plain or gzip file; file and what it unpacks to stay under `limit_bytes`.

    Raises
    ------
    InputFileError
        Missing, empty or too large.
    GridError
        Damaged gzip data, or data that unpacks to more than the limits.
    """
    require_file(path, limit_bytes=limit_bytes, what=what)
    if not is_gzip(path):
        return read_bytes(path, limit_bytes=limit_bytes, what=what)
    data = bytearray()
    try:
        with path.open("rb") as packed, gzip.GzipFile(fileobj=packed) as stream:
            while piece := stream.read(_PIECE):
                data += piece
                _require_unpacked(len(data), packed.tell(), path, limit_bytes, what)
    except (OSError, EOFError, zlib.error) as cause:
        raise GridError(
            f"{path}: damaged gzip data after {len(data)} unpacked bytes ({cause}). Copy the file again.",
            path=str(path),
        ) from cause
    return data


def require_npz_ratio(path: Path, /, *, limit_bytes: int, what: str) -> None:
    """Raise `GridError` when the entries of an NPZ file claim to unpack to more than the limits allow."""
    size = require_file(path, limit_bytes=limit_bytes, what=what)
    try:
        with zipfile.ZipFile(path) as archive:
            unpacked = sum(entry.file_size for entry in archive.infolist())
    except MemoryError:
        raise
    # zipfile raises many kinds of error on damaged bytes; each means the same to the reader.
    except Exception as cause:
        raise InputFileError(
            f"{path}: not a readable NPZ file ({type(cause).__name__}: {cause}). Write it again.",
            path=str(path),
        ) from cause
    _require_unpacked(unpacked, size, path, limit_bytes, what)


def require_memory_to_read(path: Path, /, *, limit_bytes: int, schema: Schema) -> None:
    """Raise `PrewarpError` where a table, by what its file says of itself, does not fit into memory.

    A file that cannot be read asks for nothing: who reads it says why.
    """
    with suppress(OSError, EOFError, zlib.error, zipfile.BadZipFile, NotImplementedError):
        needed = reading_bytes(path, limit_bytes=limit_bytes, schema=schema)
        require_memory(needed, f"reading {path.name}", "Split it, or end other programs.")


def reading_bytes(path: Path, /, *, limit_bytes: int, schema: Schema) -> float:
    """Return how much memory reading a table takes, bytes, by what its file says of itself."""
    return _npz_bytes(path, limit_bytes, schema) if is_zip(path) else _csv_bytes(path, limit_bytes)


def _npz_bytes(path: Path, limit_bytes: int, schema: Schema) -> float:
    """Return how much memory reading an NPZ table takes, bytes, the finished columns among it."""
    with zipfile.ZipFile(path) as parts:
        sizes = {part.filename: part.file_size for part in parts.infolist()}
    numbers = [sizes[f"{name}.npy"] for name in schema.all_numbers if f"{name}.npy" in sizes]
    return min(sum(sizes.values()), limit_bytes) + _NPZ_ROW * min(numbers, default=0) / _NUMBER


def _csv_bytes(path: Path, limit_bytes: int) -> float:
    """Return how much memory reading a CSV table takes, bytes, the finished columns among it."""
    packed = size = path.stat().st_size
    with path.open("rb") as stream:
        head = stream.read(_LOOKED_AT)
        if head[:2] == _GZIP:
            # The size of what was packed, in the last four bytes (RFC 1952); more is refused later.
            stream.seek(-4, os.SEEK_END)
            told = int.from_bytes(stream.read(4), "little")
            size = min(told, RATIO_FREE_BYTES + LIMIT_RATIO * packed)
            head = zlib.decompressobj(wbits=31).decompress(head, _LOOKED_AT)
    size = min(size, limit_bytes)
    rows = size * head.count(b"\n") / max(len(head), 1)
    return CSV_BYTES + (2 if b"\r" in head else 1) * size + _CSV_ROW * rows


def is_gzip(path: Path, /) -> bool:
    """Return whether the file begins with the two bytes of gzip (RFC 1952, section 2.3.1)."""
    return _begins(path, _GZIP)


def is_zip(path: Path, /) -> bool:
    """Return whether the file begins with the signature of a zip entry or of an empty zip."""
    return _begins(path, b"PK\x03\x04") or _begins(path, b"PK\x05\x06")


def _begins(path: Path, signature: bytes) -> bool:
    try:
        with path.open("rb") as stream:
            return stream.read(len(signature)) == signature
    except OSError as cause:
        raise InputFileError(f"{path}: cannot be read ({cause.strerror}).", path=str(path)) from cause


def _require_unpacked(unpacked: int, packed: int, path: Path, limit_bytes: int, what: str) -> None:
    if unpacked > limit_bytes:
        raise GridError(
            f"{path}: unpacks to more than {limit_bytes / MEBIBYTE:.0f} MiB, the limit for {what}. Split it.",
            path=str(path),
        )
    if unpacked > RATIO_FREE_BYTES and unpacked > LIMIT_RATIO * packed:
        raise GridError(
            f"{path}: unpacks to more than {LIMIT_RATIO} times its size, which no measured grid does. "
            "Give it uncompressed if it is one.",
            path=str(path),
        )
