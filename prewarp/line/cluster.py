"""The workers of a Dask cluster: rows, and packages as bytes, since workers may share no folder.

A worker writes and verifies a package in a folder of its own, sends the files and removes them. What arrives
is held to the hashes of its manifest and put into place whole; its row follows. A worker that ends loses
nothing: the scheduler gives its units to others.
"""

import tempfile
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from prewarp.errors import LineError, PrewarpError
from prewarp.export.package_reading import require_complete
from prewarp.files import write_bytes
from prewarp.folders import MARKER, output_folder
from prewarp.line.package import PackagePlan
from prewarp.line.storage import read_family
from prewarp.line.unit import PACKAGE, LineSettings, UnitRow, UnitWork
from prewarp.line.workers import AHEAD, Job
from prewarp.quality.conformance import FAIL
from prewarp.quality.units_table import BAD

# Larger packages are not sent.
MAX_PACKAGE_BYTES = 64 << 20
_ANSWER = "15s"


@dataclass(frozen=True, eq=False)
class Shared:
    """What all units of a line share, as every worker holds it once: `family`, the bytes of its file."""

    family: bytes
    settings: LineSettings
    plan: PackagePlan | None = None


@dataclass(frozen=True)
class Sent:
    """A unit's row, and the files of its package by name; none where it has no package."""

    row: UnitRow
    files: Mapping[str, bytes]


@lru_cache(maxsize=2)
def _work(shared: Shared) -> UnitWork:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "family.npz"
        path.write_bytes(shared.family)
        family = read_family(path)
    return UnitWork(family, shared.settings, None if shared.plan is None else shared.plan.of(family))


def unit_sent(shared: Shared, serial: str, name: str, grid: bytes, /) -> Sent:
    """Return the row and the package of a unit whose grid is given by its bytes: what a worker runs."""
    with tempfile.TemporaryDirectory(prefix="prewarp-") as folder:
        path, place = Path(folder) / name, Path(folder) / "packages"
        path.write_bytes(grid)
        row = _work(shared).row(serial, path, folder=place)
        files = {
            file.relative_to(place / serial).as_posix(): file
            for file in sorted(place.glob("*/**/*"))
            if file.is_file() and file.name != MARKER
        }
        size = sum(file.stat().st_size for file in files.values())
        if size > MAX_PACKAGE_BYTES:
            most = MAX_PACKAGE_BYTES >> 20
            return Sent(_without_package(row, f"it takes {size >> 20} MiB; at most {most} are sent"), {})
        return Sent(row, {one: file.read_bytes() for one, file in files.items()})


def _without_package(row: UnitRow, why: str) -> UnitRow:
    numbers = {name: value for name, value in row.numbers.items() if name not in PACKAGE}
    told = [row.reason] if row.reason else []
    return UnitRow(row.serial, FAIL, "; ".join([*told, f"no package: {why}"]), numbers)


def put_package(files: Mapping[str, bytes], folder: Path, /) -> None:
    """Write the files of a package that a worker has verified as `folder`.

    Raises
    ------
    PackageError
        They are not those that its manifest lists; nothing is written.
    LineError
        A name leads out of the folder; nothing is written.
    InputFileError
        The folder cannot be written.
    """
    with output_folder(folder) as working:
        for name, data in files.items():
            place = working / name
            if not place.resolve().is_relative_to(working.resolve()):
                raise LineError(f"{folder}: a worker sent {name!r}; expected a file inside the package.")
            write_bytes(place, data)
        require_complete(working)


def cluster_rows(
    jobs: Sequence[Job],
    family: Path,
    settings: LineSettings,
    address: str,
    /,
    *,
    plan: PackagePlan | None = None,
    folder: Path | None = None,
) -> Iterator[tuple[Job, UnitRow]]:
    """Yield rows of jobs, worked on by the workers of a Dask scheduler; as `workers.local_rows`.

    At most `AHEAD` units a worker are under way or wait to be fetched, so as many grids and packages are held
    by the cluster, and one package by this process.

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
        client: Any = Client(address, timeout=_ANSWER)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as cause:
        raise LineError(f"no Dask scheduler answers at {address} ({type(cause).__name__}).") from cause
    with client:
        shared = client.scatter(Shared(family.read_bytes(), settings, plan), broadcast=True)
        waiting, running = deque(jobs), dict[str, Job]()
        ahead = AHEAD * max(len(client.scheduler_info()["workers"]), 1)

        def give(add: Callable[[Any], None]) -> None:
            while waiting and len(running) < ahead:
                job = waiting.popleft()
                future = client.submit(
                    unit_sent, shared, job.serial, job.path.name, job.path.read_bytes(), pure=False
                )
                running[future.key] = job
                add(future)

        done: Any = as_completed([], raise_errors=False)  # type: ignore[no-untyped-call]
        give(done.add)
        while running:
            future = next(done)
            job = running.pop(future.key)
            yield job, _received(job, future, folder)
            give(done.add)


def _received(job: Job, future: Any, folder: Path | None) -> UnitRow:
    if future.status != "finished":
        return UnitRow(job.serial, BAD, "the workers that worked on it ended", {})
    sent: Sent = future.result()
    if folder is not None and sent.files:
        try:
            put_package(sent.files, folder / job.serial)
        except PrewarpError as cause:
            return _without_package(sent.row, f"{cause}")
    return sent.row
