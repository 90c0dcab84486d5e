"""Who works: processes of this machine, which yield rows as they come. `cluster` has the same for Dask."""

import multiprocessing
import os
import threading
import time
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path

from prewarp.line.package import PackagePlan
from prewarp.line.storage import read_family
from prewarp.line.unit import LineSettings, UnitRow, UnitWork
from prewarp.quality.units_table import BAD

# Units given out ahead of the results, per worker: what bounds the memory.
AHEAD = 3
_WATCH_S = 1.0


@dataclass(frozen=True)
class Job:
    """A unit to work on, its grid, and the key under which its row counts."""

    serial: str
    path: Path
    key: str


_work: UnitWork | None = None
_folder: Path | None = None


def _begin(
    family: str, settings: LineSettings, plan: PackagePlan | None, folder: Path | None, parent: int
) -> None:
    """Set a worker process up. It ends by itself when the process that started it is gone."""
    global _work, _folder

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(_WATCH_S)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()
    read = read_family(family)
    _work = UnitWork(read, settings, None if plan is None else plan.of(read))
    _folder = folder


def _one(serial: str, path: str) -> UnitRow:
    assert _work is not None
    return _work.row(serial, Path(path), folder=_folder)


def local_rows(
    jobs: Sequence[Job],
    family: Path,
    settings: LineSettings,
    workers: int,
    /,
    *,
    plan: PackagePlan | None = None,
    folder: Path | None = None,
) -> Iterator[tuple[Job, UnitRow]]:
    """Yield rows of jobs, worked on by processes of this machine, in the order in which they are done.

    With a `plan` packages are written into `folder`, each before its row is yielded.

    A unit whose process ends (memory, a crash of a library) gets a row with that reason; the others go on.
    """
    waiting, suspects = deque(jobs), deque[Job]()

    def pool_of(count: int) -> ProcessPoolExecutor:
        return ProcessPoolExecutor(
            count,
            mp_context=multiprocessing.get_context("spawn"),
            initializer=_begin,
            initargs=(str(family), settings, plan, folder, os.getpid()),
        )

    while waiting:
        running: dict[Future[UnitRow], Job] = {}
        with pool_of(workers) as pool:
            try:
                while waiting or running:
                    while waiting and len(running) < AHEAD * workers:
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
            with pool_of(1) as alone:
                try:
                    yield job, alone.submit(_one, job.serial, str(job.path)).result()
                except BrokenProcessPool:
                    yield job, UnitRow(job.serial, BAD, "the process that worked on it ended", {})
        suspects.clear()
