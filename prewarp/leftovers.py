"""What must not stay behind when a command is stopped: told to the process that watches over it
(`watching`).

Without such a process nothing is told; then the usual ends of a `with` block are all there is.
"""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Lock

# A message: what happens to a path, and where it belongs if it is to be put back; each ends with a byte that
# no path holds.
BEGUN, BEGUN_EMPTY, DONE = b"+", b"=", b"-"
END = b"\0"

_pipe: int | None = None
_lock = Lock()


def tell_to(pipe: int | None, /) -> None:
    """Tell what is begun and done from now on to the writing end of a pipe; None: to nobody."""
    global _pipe
    _pipe = pipe


def told_to() -> int | None:
    """Return the writing end that is told, or None."""
    return _pipe


@contextmanager
def removed_if_stopped(
    path: os.PathLike[str], /, *, home: os.PathLike[str] | None = None, while_empty: bool = False
) -> Iterator[None]:
    """Let what is about to be made at `path` be removed if the command is stopped in this block.

    With `home` it is put back there instead, where nothing else has that name; with `while_empty` it is
    removed as a folder that holds nothing, or not at all.
    """
    name = os.fsencode(os.path.abspath(path))
    back = b"" if home is None else os.fsencode(os.path.abspath(home))
    _tell((BEGUN_EMPTY if while_empty else BEGUN) + name + END + back + END)
    try:
        yield
    finally:
        _tell(DONE + name + END + END)


def _tell(message: bytes) -> None:
    if _pipe is None:
        return
    with _lock:
        rest = memoryview(message)
        while rest:
            rest = rest[os.write(_pipe, rest) :]
