"""File bytes with limits: plain, or gzip unpacked piece by piece, so that a bomb is refused in time."""

import gzip
import zipfile
import zlib
from pathlib import Path

from prewarp.columns.schema import LIMIT_RATIO, RATIO_FREE_BYTES
from prewarp.errors import GridError, InputFileError
from prewarp.files import MEBIBYTE, read_bytes, require_file

_PIECE = 1 << 20


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
    # zipfile raises many kinds of error on damaged bytes; each means the same to the reader.
    except Exception as cause:
        raise InputFileError(
            f"{path}: not a readable NPZ file ({type(cause).__name__}: {cause}). Write it again.",
            path=str(path),
        ) from cause
    _require_unpacked(unpacked, size, path, limit_bytes, what)


def is_gzip(path: Path, /) -> bool:
    """Return whether the file begins with the two bytes of gzip (RFC 1952, section 2.3.1)."""
    return _begins(path, b"\x1f\x8b")


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
