"""Processes that share work: they end with the one that began them, however that ends."""

import os
import signal
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager, suppress
from multiprocessing import get_context, parent_process
from multiprocessing.connection import Connection
from threading import Thread
from typing import Any

from prewarp import leftovers
from prewarp.memory import require_addresses

# Addresses of a pool's threads and of their heaps, by measurement.
_POOL_BYTES = 450e6

# How processes are begun: afresh, or as copies of one that has imported what they need.
_FRESH, _COPIED = "spawn", "forkserver"
_method = _FRESH


@contextmanager
def imported_ahead(module: str, /) -> Iterator[None]:
    """Let a process apart import a module at once; those of `worker_pool` are copies of it in this block.

    So none of them imports it again, and this process may go on meanwhile. Elsewhere than on Linux they are
    begun afresh, as ever. BLAS must be held to one thread by the environment: what has several threads must
    not be copied, but for such as know of it (pyarrow's allocator).
    """
    global _method
    pid = _begin_importing(module)
    if pid is None:
        yield
        return
    _method = _COPIED
    try:
        yield
    finally:
        _method = _FRESH
        # It ends when this process does; while it imports, only by a signal.
        with suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)


def _begin_importing(module: str) -> int | None:
    """Begin the process that others are copied from; return its number, None where there can be none."""
    if sys.platform != "linux":
        return None
    from multiprocessing import forkserver

    forkserver.set_forkserver_preload([module])
    try:
        forkserver.ensure_running()
    except OSError:
        # It listens at a socket in the folder for temporary files, whose name may be too long for one.
        return None
    return getattr(getattr(forkserver, "_forkserver", None), "_forkserver_pid", None)


@contextmanager
def worker_pool(
    processes: int, /, *, begin: Callable[..., None] | None = None, given: tuple[Any, ...] = ()
) -> Iterator[ProcessPoolExecutor]:
    """Yield a pool of processes, each of which first calls `begin(*given)`.

    They are fresh ones, or copies (`imported_ahead`). What has not begun when the block is left by an error
    is never begun. The calling program's main module must be one that can be imported (the usual rule of
    `multiprocessing`).
    """
    # Its threads begin one by one, and where one cannot it waits for ever.
    require_addresses(_POOL_BYTES, "processes that share work")
    pipe = leftovers.told_to()
    # A connection is handed to a fresh process; a bare number would mean nothing there.
    told = None if pipe is None else Connection(os.dup(pipe), readable=False)
    pool = ProcessPoolExecutor(
        processes, mp_context=get_context(_method), initializer=_begin, initargs=(told, begin, given)
    )
    try:
        yield pool
    finally:
        pool.shutdown(cancel_futures=True)
        if told is not None:
            told.close()


# Kept, or its descriptor would be closed.
_told: "Connection[bytes, bytes] | None" = None


def _begin(
    told: "Connection[bytes, bytes] | None", begin: Callable[..., None] | None, given: tuple[Any, ...]
) -> None:
    global _told
    # Ctrl-C reaches every process of a terminal: the first of them ends the others.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    Thread(target=_end_with_parent, daemon=True).start()
    if told is not None:
        _told = told
        leftovers.tell_to(told.fileno())
    if begin is not None:
        begin(*given)


def _end_with_parent() -> None:
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
