"""Reading with limits, writing beside then renaming, hashes. Knows nothing of what the files mean."""

import functools
import glob
import hashlib
import io
import json
import os
import re
import stat
import time
import zipfile
from collections.abc import Iterable, Mapping
from contextlib import suppress
from pathlib import Path
from types import ModuleType
from typing import IO, Any

import numpy as np

from prewarp.cores import on_cores
from prewarp.errors import InputFileError
from prewarp.leftovers import removed_if_stopped

# Locks are known to POSIX systems alone; elsewhere what killed writers left stays.
fcntl: ModuleType | None
try:
    import fcntl
except ImportError:
    fcntl = None

LOCKS_ARE_KNOWN = fcntl is not None
_JUST_BEGUN_SECONDS = 60.0
MEBIBYTE = 1 << 20
MAX_ARRAYS = 4096
_LARGE_BYTES = 4 << 20  # from which an NPZ file is unpacked on all cores
# Fixed time stamp of the entries of an NPZ file (the earliest that zip can hold): same input, same bytes.
_ZIP_EPOCH = (1980, 1, 1, 0, 0, 0)
_SPELT = {"colour": "color", "colours": "colors"}


def require_file(path: Path, /, *, limit_bytes: int, what: str) -> int:
    """Return the size of `path`; `InputFileError` when it is missing, no file, empty or too large."""
    try:
        size = path.stat().st_size
    except (OSError, ValueError) as cause:
        raise InputFileError(
            f"{path}: not found; expected {what}. Check the path.", path=str(path)
        ) from cause
    if not path.is_file():
        raise InputFileError(f"{path}: this is not a file; expected {what}.", path=str(path))
    if size == 0:
        raise InputFileError(f"{path}: the file is empty; expected {what}.", path=str(path))
    if size > limit_bytes:
        raise InputFileError(
            f"{path}: {size / MEBIBYTE:.1f} MiB; {what} may be at most {limit_bytes / MEBIBYTE:.0f} MiB.",
            path=str(path),
        )
    return size


def read_bytes(path: Path, /, *, limit_bytes: int, what: str) -> bytes:
    """Return the content of a file no larger than `limit_bytes`."""
    require_file(path, limit_bytes=limit_bytes, what=what)
    try:
        return path.read_bytes()
    except OSError as cause:
        raise InputFileError(f"{path}: cannot be read ({cause.strerror}).", path=str(path)) from cause


def require_file_name(path: Path, /) -> None:
    """Raise `InputFileError` where something stands at `path` that a file must not replace."""
    if path.is_dir():
        raise InputFileError(f"{path}: is a folder; expected the name of a file to write.", path=str(path))
    if path.exists() and not path.is_file():
        raise InputFileError(
            f"{path}: is a device, a pipe or a socket, which would be replaced; expected the name of a file "
            "to write.",
            path=str(path),
        )


def write_bytes(path: Path, data: bytes, /) -> None:
    """Write `data` to a temporary file beside `path`, flush it to disk, then rename it into place.

    The file is locked until it has its name, so that `remove_abandoned_files` can tell a writer's from one
    whose writer was killed. Who may read it is up to the user's file mode mask.

    Raises
    ------
    InputFileError
        A folder, a device, a pipe or a socket has that name.
    """
    require_file_name(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(f".{path.name}.{os.urandom(6).hex()}.part")
    with removed_if_stopped(beside):
        handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666)
        try:
            with os.fdopen(handle, "wb") as stream:
                try_lock(stream)
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
                if LOCKS_ARE_KNOWN:
                    os.replace(beside, path)
            if not LOCKS_ARE_KNOWN:
                # There an open file cannot be renamed.
                os.replace(beside, path)
        except BaseException as cause:
            if isinstance(cause, OSError) and cause.filename is None:
                # A disk that is full does not say what was written.
                cause.filename = str(path)
            beside.unlink(missing_ok=True)
            raise


def remove_abandoned_files(path: Path, /) -> None:
    """Remove temporary files that killed writers of `path` left beside it."""
    if not LOCKS_ARE_KNOWN:
        return
    for beside in path.parent.glob(f".{glob.escape(path.name)}.*.part"):
        with suppress(OSError):
            is_old = time.time() - beside.stat().st_mtime > _JUST_BEGUN_SECONDS
            # A writer that has only just made its file has not locked it yet.
            if stat.S_ISREG(beside.lstat().st_mode) and (is_old or beside.stat().st_size > 0):
                with beside.open("rb") as stream:
                    if try_lock(stream):
                        beside.unlink()


def try_lock(stream: IO[Any], /) -> bool:
    """Lock an open file until it is closed; False where another process, or the system, will not have it."""
    if fcntl is None:
        return False
    try:
        fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def write_text(path: Path, text: str, /) -> None:
    """Write UTF-8 text with `write_bytes`."""
    write_bytes(path, text.encode("utf-8"))


def json_text(value: object, /) -> str:
    """Return `value` as JSON with stable order and a final newline; NaN is refused (write None instead)."""
    return json.dumps(value, indent=2, sort_keys=True, allow_nan=False) + "\n"


def respelt(entry: dict[str, Any], /) -> dict[str, Any]:
    """Return an object of JSON with `color` and `colors` where older files say `colour` and `colours`.

    For `object_hook` of `json.loads`, where a file's format is one of those that were spelt so.
    """
    return {_SPELT.get(key, key): value for key, value in entry.items()}


def file_stem(name: str, /) -> str:
    """Return a name with what file names cannot hold everywhere replaced by _, 40 characters at most."""
    return re.sub(r"[^A-Za-z0-9_-]", "_", name)[:40]


def file_stems(names: Iterable[str], /) -> dict[str, str]:
    """Return the `file_stem` of each of several different names; numbered where two would be one file.

    Some systems tell no capital from a small letter.
    """
    stems: dict[str, str] = {}
    for name in names:
        stem, number = file_stem(name), 1
        taken = {one.lower() for one in stems.values()}
        while stem.lower() in taken:
            number += 1
            stem = f"{file_stem(name)}-{number}"
        stems[name] = stem
    return stems


def sha256_of_bytes(data: bytes | bytearray, /) -> str:
    """Return the SHA-256 of `data` as 64 hexadecimal digits."""
    return hashlib.sha256(data).hexdigest()


def sha256_of_file(path: Path, /) -> str:
    """Return the SHA-256 of a file, read in blocks."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def npz_bytes(arrays: Mapping[str, np.ndarray], /) -> bytes:
    """Return an NPZ file whose bytes depend on the arrays alone (no time stamps, no pickles)."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
        for name, array in arrays.items():
            entry = io.BytesIO()
            np.lib.format.write_array(entry, np.ascontiguousarray(array), allow_pickle=False)
            info = zipfile.ZipInfo(f"{name}.npy", date_time=_ZIP_EPOCH)
            info.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(info, entry.getvalue())
    return buffer.getvalue()


def arrays_digest(arrays: Mapping[str, np.ndarray], /) -> np.ndarray:
    """Return the SHA-256 of named arrays, 32 bytes: of their names, types, shapes and values."""
    digest = hashlib.sha256()
    for name in sorted(arrays):
        array = np.ascontiguousarray(arrays[name])
        digest.update(f"{name} {array.dtype.str} {array.shape}\n".encode())
        digest.update(array.tobytes())
    return np.frombuffer(digest.digest(), dtype=np.uint8)


def read_npz(path: Path, /, *, limit_bytes: int, what: str) -> dict[str, np.ndarray]:
    """Return the arrays of an NPZ file; no pickles, and nothing is allocated before its size was checked.

    `limit_bytes` bounds the file and, apart from it, the sum of the unpacked arrays. The size in each array's
    own header must agree with the size of its entry, so a small file cannot ask for a large allocation.
    """
    require_file(path, limit_bytes=limit_bytes, what=what)
    try:
        with zipfile.ZipFile(path) as archive:
            entries = archive.infolist()
            if len(entries) > MAX_ARRAYS:
                raise InputFileError(
                    f"{path}: {len(entries)} arrays; at most {MAX_ARRAYS} are accepted.", path=str(path)
                )
            total = sum(entry.file_size for entry in entries)
            if total > limit_bytes:
                raise InputFileError(
                    f"{path}: unpacks to {total / MEBIBYTE:.0f} MiB; {what} may hold at most "
                    f"{limit_bytes / MEBIBYTE:.0f} MiB.",
                    path=str(path),
                )
            read = functools.partial(_read_entry, archive, path)
            # Unpacking lets other threads run.
            found = on_cores(read, entries) if total > _LARGE_BYTES else [read(entry) for entry in entries]
            names = [entry.filename.removesuffix(".npy") for entry in entries]
            arrays = dict(zip(names, found, strict=True))
    except (InputFileError, MemoryError):
        raise
    # zipfile, zlib and numpy raise many kinds of error on damaged bytes; each means the same to the reader.
    except Exception as cause:
        raise InputFileError(
            f"{path}: not a readable NPZ file ({type(cause).__name__}: {cause}); expected {what}. "
            "Write it again.",
            path=str(path),
        ) from cause
    return arrays


def _read_entry(archive: zipfile.ZipFile, path: Path, entry: zipfile.ZipInfo) -> np.ndarray:
    with archive.open(entry) as stream:
        version = np.lib.format.read_magic(stream)
        read_header = (
            np.lib.format.read_array_header_1_0 if version == (1, 0) else np.lib.format.read_array_header_2_0
        )
        shape, fortran_order, dtype = read_header(stream)
        if dtype.hasobject:
            raise InputFileError(
                f"{path}: array '{entry.filename}' holds Python objects, which are never loaded.",
                path=str(path),
            )
        count = 1
        for length in shape:
            count *= int(length)
        if count * dtype.itemsize > entry.file_size:
            raise InputFileError(
                f"{path}: array '{entry.filename}' claims more data than its entry holds.", path=str(path)
            )
        data = stream.read(count * dtype.itemsize + 1)
    if len(data) != count * dtype.itemsize:
        raise InputFileError(
            f"{path}: array '{entry.filename}' holds {len(data)} bytes; its shape {shape} needs "
            f"{count * dtype.itemsize}.",
            path=str(path),
        )
    array = np.frombuffer(data, dtype=dtype)
    return array.reshape(shape, order="F" if fortran_order else "C").copy()
