"""Who works: processes of this machine, which yield rows as they come. `cluster` has the same for Dask."""

import pickle
import tempfile
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path

from prewarp.cores import one_blas_thread
from prewarp.export.lookup_files import compiled_for_others, take_compiled
from prewarp.line.family import Family
from prewarp.line.package import PackagePlan
from prewarp.line.unit import LineSettings, UnitRow, UnitWork
from prewarp.processes import worker_pool
from prewarp.quality.units_table import BAD

# Units given out ahead of the results, per worker: what bounds the memory.
AHEAD = 3


@dataclass(frozen=True)
class Job:
    """A unit to work on, its grid, and the key under which its row counts."""

    serial: str
    path: Path
    key: str


@dataclass(frozen=True, eq=False)
class _Shared:
    """What is made once for all processes: the work, where packages go, the compiled evaluator."""

    work: UnitWork
    folder: Path | None
    evaluator: Path | None


_shared: _Shared | None = None


def _begin(path: Path) -> None:
    """Take what the command's process wrote, in a folder of its own that no other user may enter."""
    global _shared
    read = pickle.loads(path.read_bytes())
    assert isinstance(read, _Shared)
    take_compiled(read.evaluator)
    _shared = read


def _one(serial: str, path: Path) -> UnitRow:
    assert _shared is not None
    return _shared.work.row(serial, path, folder=_shared.folder)


def local_rows(
    jobs: Sequence[Job],
    family: Family,
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
    if not jobs:
        return
    with tempfile.TemporaryDirectory(prefix="prewarp-", ignore_cleanup_errors=True) as name:
        place = Path(name)
        # The compiler works beside this process, which prepares what else all units share.
        with ThreadPoolExecutor(1) as beside, one_blas_thread():
            compiled = None if plan is None else beside.submit(compiled_for_others, place / "c")
            packages = None if plan is None else plan.of(family)
            work = UnitWork(family, settings, packages)
            if packages is not None:
                packages.prepare()
            evaluator = None if compiled is None else compiled.result()
        shared = place / "shared"
        shared.write_bytes(pickle.dumps(_Shared(work, folder, evaluator)))
        del work, packages
        yield from _rows(jobs, shared, workers)


def _rows(jobs: Sequence[Job], shared: Path, workers: int) -> Iterator[tuple[Job, UnitRow]]:
    waiting, suspects = deque(jobs), deque[Job]()
    while waiting:
        running: dict[Future[UnitRow], Job] = {}
        with worker_pool(workers, begin=_begin, given=(shared,)) as pool:
            try:
                while waiting or running:
                    while waiting and len(running) < AHEAD * workers:
                        job = waiting[0]
                        running[pool.submit(_one, job.serial, job.path)] = job
                        waiting.popleft()
                    for future in wait(running, return_when=FIRST_COMPLETED).done:
                        row = future.result()
                        yield running.pop(future), row
            except BrokenProcessPool:
                suspects.extend(running.values())
        # One of these ended its process: each is tried alone.
        for job in suspects:
            with worker_pool(1, begin=_begin, given=(shared,)) as alone:
                try:
                    yield job, alone.submit(_one, job.serial, job.path).result()
                except BrokenProcessPool:
                    yield job, UnitRow(job.serial, BAD, "the process that worked on it ended", {})
        suspects.clear()
