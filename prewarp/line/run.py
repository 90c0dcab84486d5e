"""A line of units: every grid to a row, on all cores or a cluster; what was done stays done."""

import time
from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from prewarp import __version__
from prewarp.cores import one_blas_thread, wanted_processes
from prewarp.errors import LineError, ModuleError
from prewarp.files import sha256_of_bytes, sha256_of_file, try_lock
from prewarp.folders import claim_work_folder, list_work_folder
from prewarp.line.cluster import cluster_rows
from prewarp.line.family import Family
from prewarp.line.package import (
    FOLDER,
    PackagePlan,
    PackageSettings,
    is_written,
    read_tables,
    search_tables,
)
from prewarp.line.results import write_results
from prewarp.line.seam import eyes_of
from prewarp.line.storage import read_family
from prewarp.line.store import opened_store
from prewarp.line.unit import LineSettings, UnitRow
from prewarp.line.workers import Job, local_rows
from prewarp.line.working import MAKING_BYTES, SEARCH_BYTES, most_rows, working_bytes
from prewarp.memory import processes_within_memory, require_memory
from prewarp.quality.units_table import BAD, natural_key
from prewarp.wording import counted

ENDINGS = (".npz", ".csv.gz", ".csv")
MOST_UNITS = 1_000_000
_LOCK = "line.lock"
_PATIENCE_S = 10.0


def _locked(stream: IO[Any], /) -> bool:
    """Lock a file; what a killed run had started may hold it for a moment longer."""
    until = time.monotonic() + _PATIENCE_S
    while not try_lock(stream):
        if time.monotonic() > until:
            return False
        time.sleep(0.1)
    return True


@dataclass(frozen=True)
class LineRun:
    """What a run did: units by status, and how many were worked on now; by what `kind` of family, and what is
    wrong with that one (`warning`, "" for nothing).
    """

    counts: dict[str, int]
    worked_on: int
    kind: str
    warning: str

    @property
    def units(self) -> int:
        """How many units the line has."""
        return sum(self.counts.values())


def units_of(places: Sequence[Path], /) -> dict[str, Path]:
    """Return the grids of units by serial, in order: files, and all grids that lie in folders.

    Raises
    ------
    LineError
        No grid, or two of one serial.
    """
    found: dict[str, Path] = {}
    for place in places:
        inside = sorted(place.iterdir()) if place.is_dir() else [place]
        for path in inside:
            ending = next((one for one in ENDINGS if path.name.lower().endswith(one)), None)
            if path.name.startswith(".") or not path.is_file() or (ending is None and place.is_dir()):
                continue
            serial = path.name[: -len(ending)] if ending else path.name
            if serial in found:
                raise LineError(
                    f"serial {serial}: {found[serial]} and {path}; expected one grid a unit. Take one out, "
                    "or name it by its own serial."
                )
            found[serial] = path
    if not 1 <= len(found) <= MOST_UNITS:
        raise LineError(
            f"{len(found)} grids in {', '.join(map(str, places))}; expected 1 to {MOST_UNITS}: files ending "
            f"in {', '.join(ENDINGS)}, named by serial."
        )
    return {serial: found[serial] for serial in sorted(found, key=natural_key)}


def _processes(
    family: Family, units: dict[str, Path], settings: LineSettings, workers: int | None, /, *, packages: bool
) -> int:
    """Return how many processes to work with: `workers`, else as many as there are cores and memory for."""
    rows = most_rows(units.values())
    return processes_within_memory(
        workers,
        wanted_processes(len(units), workers),
        each_bytes=working_bytes(
            rows,
            judged=settings.display is not None,
            packages=packages,
            remainder=family.remainder_count,
        ),
        beside_bytes=0.0 if settings.display is None else MAKING_BYTES,
        what=f"finding units of up to {rows} rows a grid",
        mend=f"End other programs, give grids with fewer rows{', or leave out --packages' * packages}.",
    )


def run_line(
    family_path: Path,
    units: dict[str, Path],
    folder: Path,
    settings: LineSettings,
    /,
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    packages: PackageSettings | None = None,
    progress: Callable[[str, int], None] = lambda text, done: None,
) -> LineRun:
    """Work on all units that have no row yet for this family, grid and settings; write the tables.

    Raises
    ------
    LineError, InputFileError, ModuleError
        The family cannot be used or is of another display, another run is at work in the folder, or it holds
        what is not ours.
    PackageError
        No tables of the family keep what packages must.
    PrewarpError
        There is not enough memory for so many processes, or for one.
    """
    family = read_family(family_path)
    if settings.display is not None:
        # Of another display every unit would be a bad one.
        try:
            eyes_of(family, settings.display)
        except ModuleError as cause:
            name = settings.display.name
            why = str(cause).removeprefix(f"{name}: ").partition(". ")[0]
            raise ModuleError(
                f"{family_path}: a family of another display than '{name}': {why}. Give the module that the "
                "family was made with."
            ) from cause
    of_family = sha256_of_file(family_path)
    # Of the family, the display and what is asked for: units share it, and later runs.
    name = sha256_of_bytes(f"{of_family} {packages!r} {__version__}".encode())
    tables = folder / f"tables-{name[:16]}.prewarp"
    if packages is not None and not tables.is_file():
        mend = "End other programs, or leave out --packages."
        require_memory(SEARCH_BYTES, "searching the tables of a family", mend)
    if scheduler is None:
        workers = _processes(family, units, settings, workers, packages=packages is not None)
    claim_work_folder(folder)
    with (folder / _LOCK).open("a") as lock:
        if not _locked(lock):
            raise LineError(f"{folder}: another run is at work there. Wait for it, or name another folder.")
        common = sha256_of_bytes(f"{__version__} {of_family} {settings!r} {packages!r}".encode())
        grids = {serial: sha256_of_file(path) for serial, path in units.items()}
        alike = defaultdict(list)
        for serial, digest in grids.items():
            alike[digest].append(serial)
        keys = {
            serial: sha256_of_bytes(f"{common} {digest} {' '.join(alike[digest])}".encode())
            for serial, digest in grids.items()
        }
        with opened_store(folder) as store:
            store.keep_only(set(units))
            known = store.keys()
            jobs = []
            for serial, path in units.items():
                if known.get(serial) == keys[serial] and (
                    packages is None or not store.has_package(serial) or is_written(folder / FOLDER / serial)
                ):
                    continue
                others = [one for one in alike[grids[serial]] if one != serial]
                if others:
                    text = f"the same file as {', '.join(others[:3])}: swapped or copied"
                    store.put(UnitRow(serial, BAD, text, {}), keys[serial])
                else:
                    jobs.append(Job(serial, path, keys[serial]))
            done = len(units) - len(jobs)
            progress(f"{done} of {counted(len(units), 'unit')}", done)
            plan = None
            if packages is not None:
                if jobs and not tables.is_file():
                    progress("searching the family's tables", done)
                    with one_blas_thread():
                        search_tables(family, packages, tables)
                plan = PackagePlan(packages, read_tables(tables)) if jobs else None
            count, place = wanted_processes(len(jobs), workers), folder / FOLDER
            source = (
                local_rows(jobs, family, settings, count, plan=plan, folder=place)
                if scheduler is None
                else cluster_rows(jobs, family_path, settings, scheduler, plan=plan, folder=place)
            )
            for job, row in source:
                store.put(row, job.key)
                done += 1
                progress(f"{done} of {counted(len(units), 'unit')}: {job.serial} {row.status}", done)
            rows = list(store.rows().values())
        write_results(folder, family, rows)
    list_work_folder(folder)
    counts = Counter(row.status for row in rows)
    warning = "" if family.learned is None else family.learned.warning
    return LineRun(dict(sorted(counts.items())), len(jobs), family.kind, warning)
