"""Putting a finished folder in the place of another: at once where the system can.

Linux exchanges two names in one step (`renameat2`, RENAME_EXCHANGE, Linux man-pages, rename(2)): whoever
looks sees the old folder or the new one. Elsewhere the old one moves aside first, and is put back by whoever
writes there next if nothing came of it.
"""

import ctypes
import errno
import os
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from prewarp.errors import InputFileError
from prewarp.files import fcntl
from prewarp.leftovers import removed_if_stopped

OLD = ".old"
_AT_FDCWD, _RENAME_EXCHANGE = -100, 2
# What systems and file systems that cannot exchange names answer.
_CANNOT = {errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EPERM}
_MOST_WAIT_SECONDS = 60.0


@contextmanager
def locked_folder(folder: Path, /) -> Iterator[bool]:
    """Hold the lock of a folder in which names are about to change; yields whether there is one.

    Raises
    ------
    InputFileError
        Another process has held it for a minute.
    """
    if fcntl is None or not os.access(folder, os.R_OK):
        yield False
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        yield _is_locked(handle, folder)
    finally:
        os.close(handle)


def _is_locked(handle: int, folder: Path) -> bool:
    assert fcntl is not None
    end = time.monotonic() + _MOST_WAIT_SECONDS
    while True:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() > end:
                raise InputFileError(
                    f"{folder}: another process has locked this folder for {_MOST_WAIT_SECONDS:.0f} s. End "
                    "it, or name another output.",
                    path=str(folder),
                ) from None
            time.sleep(0.002)
        # Some network file systems have no locks.
        except OSError:
            return False
        else:
            return True


def exchange(one: Path, other: Path, /) -> bool:
    """Let two files or folders exchange their names in one step; False where the system cannot."""
    call = getattr(_c_library(), "renameat2", None)
    if call is None:
        return False
    names = os.fsencode(one), os.fsencode(other)
    if call(_AT_FDCWD, names[0], _AT_FDCWD, names[1], _RENAME_EXCHANGE) == 0:
        return True
    number = ctypes.get_errno()
    if number in _CANNOT:
        return False
    raise OSError(number, os.strerror(number), str(other))


def _c_library() -> ctypes.CDLL | None:
    try:
        return ctypes.CDLL(None, use_errno=True)
    except (OSError, TypeError):
        return None


def put_in_place(working: Path, path: Path, /, *, marker: str) -> None:
    """Give a finished folder its name; what had that name before is removed, its file `marker` last.

    An error leaves what was there. Hold the lock of the folder that both lie in.
    """
    if not path.exists():
        os.rename(working, path)
    elif exchange(working, path):
        remove_folder(working, marker=marker)
    else:
        aside = path.with_name(f".{path.name}.{os.urandom(6).hex()}{OLD}")
        with removed_if_stopped(aside, home=path):
            os.rename(path, aside)
            try:
                os.rename(working, path)
            except BaseException:
                os.rename(aside, path)
                raise
            remove_folder(aside, marker=marker)


def remove_folder(folder: Path, /, *, marker: str) -> None:
    """Remove a folder, its file `marker` last: what is left of it by a kill still says whose it is."""
    with suppress(OSError):
        for entry in list(os.scandir(folder)):
            if entry.name == marker:
                continue
            if entry.is_dir(follow_symlinks=False):
                shutil.rmtree(entry.path, ignore_errors=True)
            else:
                os.unlink(entry.path)
    shutil.rmtree(folder, ignore_errors=True)
