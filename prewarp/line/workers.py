"""Who works: processes of this machine, or a Dask cluster. Either yields rows as they come."""

import multiprocessing
import os
import tempfile
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from prewarp.errors import LineError
from prewarp.line.package import PackagePlan
from prewarp.line.storage import read_family
from prewarp.line.unit import LineSettings, UnitRow, UnitWork
from prewarp.quality.units_table import BAD

# Units given out ahead of the results, per worker: what bounds the memory.
_AHEAD = 3
_WATCH_S = 1.0


@dataclass(frozen=True)
class Job:
    """A unit to work on, its grid, and the key under which its row counts."""

    serial: str
    path: Path
    key: str


_work: UnitWork | None = None


def _begin(family: str, settings: LineSettings, plan: PackagePlan | None, parent: int) -> None:
    """Set a worker process up. It ends by itself when the process that started it is gone."""
    global _work

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(_WATCH_S)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()
    read = read_family(family)
    _work = UnitWork(read, settings, None if plan is None else plan.of(read))


def _one(serial: str, path: str) -> UnitRow:
    assert _work is not None
    return _work.row(serial, Path(path))


def local_rows(
    jobs: Sequence[Job],
    family: Path,
    settings: LineSettings,
    workers: int,
    /,
    *,
    plan: PackagePlan | None = None,
) -> Iterator[tuple[Job, UnitRow]]:
    """Yield rows of jobs, worked on by processes of this machine, in the order in which they are done.

    A unit whose process ends (memory, a crash of a library) gets a row with that reason; the others go on.
    """
    waiting, suspects = deque(jobs), deque[Job]()
    while waiting:
        running: dict[Future[UnitRow], Job] = {}
        with _pool(family, settings, plan, workers) as pool:
            try:
                while waiting or running:
                    while waiting and len(running) < _AHEAD * workers:
                        job = waiting[0]
                        running[pool.submit(_one, job.serial, str(job.path))] = job
                        waiting.popleft()
                    for future in wait(running, return_when=FIRST_COMPLETED).done:
                        row = future.result()
                        yield running.pop(future), row
            except BrokenProcessPool:
                suspects.extend(running.values())
        # One of these ended its process: each is tried alone.
        for job in suspects:
            with _pool(family, settings, plan, 1) as alone:
                try:
                    yield job, alone.submit(_one, job.serial, str(job.path)).result()
                except BrokenProcessPool:
                    yield job, UnitRow(job.serial, BAD, "the process that worked on it ended", {})
        suspects.clear()


def _pool(
    family: Path, settings: LineSettings, plan: PackagePlan | None, workers: int
) -> ProcessPoolExecutor:
    return ProcessPoolExecutor(
        workers,
        mp_context=multiprocessing.get_context("spawn"),
        initializer=_begin,
        initargs=(str(family), settings, plan, os.getpid()),
    )


@lru_cache(maxsize=2)
def _cluster_work(family: bytes, settings: LineSettings) -> UnitWork:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "family.npz"
        path.write_bytes(family)
        return UnitWork(read_family(path), settings)


def cluster_row(family: bytes, settings: LineSettings, serial: str, name: str, grid: bytes) -> UnitRow:
    """Return the row of a unit whose grid is given by its bytes: what a worker of a cluster runs."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(grid)
        return _cluster_work(family, settings).row(serial, path)


def cluster_rows(
    jobs: Sequence[Job], family: Path, settings: LineSettings, address: str, /
) -> Iterator[tuple[Job, UnitRow]]:
    """Yield rows of jobs, worked on by the workers of a Dask scheduler; as `local_rows`.

    Raises
    ------
    LineError
        The extra `cluster` is not installed, or no scheduler answers at the address.
    """
    try:
        from distributed import Client, as_completed
    except ImportError as cause:
        raise LineError("--scheduler needs dask and distributed: pip install 'prewarp[cluster]'.") from cause
    try:
        client: Any = Client(address, timeout="15s")  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as cause:
        raise LineError(f"no Dask scheduler answers at {address} ({type(cause).__name__}).") from cause
    with client:
        shared = client.scatter(family.read_bytes(), broadcast=True)
        waiting, running = deque(jobs), dict[str, Job]()
        ahead = _AHEAD * max(len(client.scheduler_info()["workers"]), 1)

        def give(pool: Any, add: Callable[[Any], None]) -> None:
            while waiting and len(running) < ahead:
                job = waiting.popleft()
                future = client.submit(
                    cluster_row,
                    shared,
                    settings,
                    job.serial,
                    job.path.name,
                    job.path.read_bytes(),
                    pure=False,
                )
                running[future.key] = job
                add(future)

        done: Any = as_completed([], raise_errors=False)  # type: ignore[no-untyped-call]
        give(done, done.add)
        while running:
            future = next(done)
            job = running.pop(future.key)
            yield job, _result(job, future)
            give(done, done.add)


def _result(job: Job, future: Any) -> UnitRow:
    if future.status == "finished":
        row: UnitRow = future.result()
        return row
    return UnitRow(job.serial, BAD, "the workers that worked on it ended", {})
