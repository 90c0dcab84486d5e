"""The same work for each of several things, on all cores that may be used."""

import os
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager
from contextvars import copy_context
from functools import cache
from typing import Any, TypeVar

from threadpoolctl import ThreadpoolController

Thing = TypeVar("Thing")
Result = TypeVar("Result")


def usable_cores() -> int:
    """Return how many cores this process may use: those that it is held to, where the system says."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def wanted_processes(pieces: int, asked: int | None, /) -> int:
    """Return how many processes to work with on so many pieces: those asked for, else one a core; no more
    than there are pieces, and at least one.
    """
    return max(1, min(usable_cores() if asked is None else asked, pieces))


def one_blas_thread() -> AbstractContextManager[Any]:
    """Return a context in which BLAS works on one thread.

    The setting is the process's: once around all threads that work together.
    """
    # scipy brings a BLAS of its own, which is there once this module is.
    limited: AbstractContextManager[Any] = _blas("scipy.linalg._fblas" in sys.modules).limit(limits=1)
    return limited


@cache
def _blas(with_scipy: bool) -> ThreadpoolController:
    """Return the loaded libraries of linear algebra; finding them takes milliseconds."""
    return ThreadpoolController().select(user_api="blas")


def on_cores(work: Callable[[Thing], Result], things: Sequence[Thing], /) -> list[Result]:
    """Return `work` of each of the things, in their order; the first error among them is raised.

    Threads: for work that mostly runs inside numpy and scipy, which let others run meanwhile. Each thread
    gets one BLAS thread, since small matrix products are many times slower on two, and numpy's way with
    errors of the calling one.
    """
    workers = min(len(things), usable_cores())
    with one_blas_thread():
        if workers < 2:
            return [work(thing) for thing in things]
        with ThreadPoolExecutor(workers) as pool:
            return [
                one.result() for one in [pool.submit(copy_context().run, work, thing) for thing in things]
            ]
