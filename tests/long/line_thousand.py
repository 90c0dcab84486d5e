"""A line of a thousand units: `python -m tests.long.line_thousand FOLDER [--units 1000] [--faults 60]`.

The folded demo's optics, as in `tests.long.line_units`; FOLDER keeps the family and the grids. Units are
traced on all cores, the line runs in `--jobs` processes. Told: seconds a unit and peak memory of half the
line and of all of it; flags of right units, and of units with each fault (`--faults`); packages of the
first units (`--packages`); a line of 40 units that is killed at random moments and taken up again
(`--kills`; `--kills-packages`: with packages), as many lines at a time as half the cores: its files must be
those of one that was not, with none left over; or, and nothing else, one unit as a command (`--commands`, so
many times), or (`--cluster` UNITS) the rate of one and two Dask workers. `--pinned` holds every line to so
many cores, no two of them threads of one. Last figures: DEVELOPERS.md, "A family of units".
"""

import argparse
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from threadpoolctl import threadpool_limits

from prewarp.export.verify import verify_package
from prewarp.files import sha256_of_file
from prewarp.folders import MARKER
from prewarp.grids import write_grid
from prewarp.line.flags import THRESHOLD
from prewarp.line.from_design import family_from_design
from prewarp.line.package import FOLDER
from prewarp.line.run import run_line, units_of
from prewarp.line.storage import write_family
from prewarp.line.store import NAME as STORE
from prewarp.line.unit import LineSettings
from prewarp.module import read_module
from prewarp.quality.units_table import FLAGS, read_units
from prewarp.trace import read_design
from tests.line_units import captured_unit, faulty_unit, unit_design
from tests.long.line_units import CALIB, FAULTS, TWO
from tests.long.load import measured

KILLED_UNITS = 40


def made_grid(path, fault, number):
    """Write the grid of a unit, right or with a fault; a name that is there is left alone."""
    if path.exists():
        return
    with threadpool_limits(1):
        design = read_design(CALIB / "folded.design.toml")
        module = read_module(CALIB / "folded.module.toml")
        unit = unit_design(design, (20_000 if fault is None else 30_000) + number)
        unit = unit if fault is None else faulty_unit(unit, fault, number)
        write_grid(path, captured_unit(unit, module, TWO, number))


def command_of(family, grids, folder, jobs, *more):
    """Return the command line of a run."""
    command = [sys.executable, "-m", "prewarp", "line", "run", str(family), *map(str, grids), "--quiet"]
    return [*command, "--positions", "2", "--jobs", str(jobs), "-o", str(folder), *more]


def run(family, grids, folder, jobs, *more):
    """Run a line; return its seconds and the largest memory of any of its processes, MB."""
    status, seconds, _, largest = measured(command_of(family, grids, folder, jobs, *more))
    assert status in (0, 1, 3), status
    return seconds, largest / 2**20


def spent_s():
    """Return the processor seconds of all processes that were waited for."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def apart(count):
    """Return `count` cores of this process, no two of them threads of one core where there are enough."""
    first, others, seen = [], [], set()
    for core in sorted(os.sched_getaffinity(0)):
        told = Path(f"/sys/devices/system/cpu/cpu{core}/topology/thread_siblings_list")
        own = told.read_text().strip() if told.exists() else str(core)
        (others if own in seen else first).append(core)
        seen.add(own)
    return set((first + others)[:count])


def told_packages(family, right, folder, jobs):
    """Print what packages of units take: the search, one unit as a command, then the line."""
    module = ["--packages", "--module", str(CALIB / "folded.module.toml")]
    first, _ = run(family, right[:1], folder, 1, *module)
    alone, _ = run(family, right[:2], folder, 1, *module)
    before = spent_s()
    seconds, largest = run(family, right, folder, jobs, *module)
    count, used = len(right) - 2, spent_s() - before
    good = sum(verify_package(folder / FOLDER / one.stem).ok for one in right[:20])
    print(
        f"packages: search and first {first:.1f} s; one more as a command {alone:.1f} s; then {count} units "
        f"in {seconds:.0f} s by {jobs} processes on {len(os.sched_getaffinity(0))} cores: "
        f"{seconds / count:.3f} s a unit, {used / count:.3f} s of processor time; {good} of "
        f"{len(right[:20])} verified again; largest process {largest:.0f} MB",
        flush=True,
    )


def told_commands(family, right, folder):
    """Print what a command takes that writes one unit's package where the tables of the family are there."""
    module = ["--packages", "--module", str(CALIB / "folded.module.toml")]
    run(family, right[:1], folder, 1, *module)
    seconds = sorted(run(family, [one], folder, 1, *module)[0] for one in right[1:])
    print(
        f"one unit as a command, {len(seconds)} times: least {seconds[0]:.2f}, median "
        f"{np.median(seconds):.2f} s, load {os.getloadavg()[0]:.1f}",
        flush=True,
    )


def told_flags(name, folder):
    """Print how many units each flag raises."""
    units = read_units(folder / "units.csv")
    raised = {flag: units.flags[flag] < THRESHOLD for flag in FLAGS}
    either = np.any(list(raised.values()), axis=0)
    print(
        f"{name}: {len(units.serial)} units, {dict(Counter(units.status))}; flagged",
        ", ".join(f"{flag} {int(one.sum())}" for flag, one in raised.items()),
        f"any {int(either.sum())}",
        flush=True,
    )


def told_kills(family, part, folder, jobs, kills, *more):
    """Kill lines until there were so many kills, and print how many there were."""
    name = "packages" if more else "tables"
    whole = folder / f"forty_{name}"
    run(family, part, whole, jobs, *more)
    # How long one unit takes from the beginning, where nothing is to be searched: kills that come before that
    # alone would let no line be done.
    shutil.copytree(whole, folder / f"one_{name}")
    one_s, _ = run(family, part[:1], folder / f"one_{name}", jobs, "--pose-offset", "0.11", *more)
    workers = max(1, len(os.sched_getaffinity(0)) // 2)
    share = -(-kills // workers)
    with ProcessPoolExecutor(workers) as pool:
        waiting = [
            pool.submit(killed, family, part, folder, jobs, share, whole, seed, 3.0 * one_s, more)
            for seed in range(workers)
        ]
        found = np.array([one.result() for one in waiting])
    print(
        f"{name}: {len(part)} units, killed {found[:, 0].sum()} times in {found[:, 1].sum()} lines:",
        "all files the same bytes, none left over",
        flush=True,
    )


def killed(family, grids, folder, jobs, kills, whole, seed, most_s, more):
    """Kill lines at random moments, each again and again until it is done; return kills and lines."""
    draw, needed, lines = random.Random(seed), 0, 0
    wanted = files_of(whole)
    while needed < kills:
        place, lines = folder / f"killed_{whole.name}_{seed}_{lines}", lines + 1
        while True:
            # A search that never ends would be no trial of what follows it.
            searched = not more or any(place.glob("tables-*"))
            process = subprocess.Popen(command_of(family, grids, place, jobs, *more), start_new_session=True)
            try:
                process.wait(draw.uniform(0.3, most_s if searched else 20.0 * most_s))
                break
            except subprocess.TimeoutExpired:
                os.killpg(process.pid, signal.SIGKILL)
                process.wait()
                needed += 1
        assert process.returncode in (0, 1, 3), process.returncode
        found = files_of(place)
        different = {name for name in wanted | found if wanted.get(name) != found.get(name)}
        assert not different, (place, different)
    return needed, lines


def files_of(folder):
    """Return the SHA-256 of all files by name, but of the store, whose rows stand in the order of the work,
    and of the list of what was written, which holds the store's.
    """
    return {
        path.relative_to(folder).as_posix(): sha256_of_file(path)
        for path in folder.rglob("*")
        if path.is_file() and path not in (folder / STORE, folder / MARKER)
    }


def cluster_rate(family, folder, units):
    """Print units a second of one and of two Dask workers, alternating, workers up; 25 positions a unit."""
    from distributed import LocalCluster

    module = read_module(CALIB / "folded.module.toml")
    design, places = read_design(CALIB / "folded.design.toml"), module.eye_box.lattice((5, 5, 1))
    grids = folder / "regular"
    grids.mkdir(exist_ok=True)
    for number in range(units):
        path = grids / f"R{number:03d}.npz"
        if not path.exists():
            write_grid(path, captured_unit(unit_design(design, 40_000 + number), module, places, number))
    rates = {1: [], 2: []}
    for turn in range(10):
        workers = 1 + turn % 2
        with LocalCluster(n_workers=workers, threads_per_worker=1, dashboard_address=None) as cluster:
            cluster.wait_for_workers(workers)
            settings, place = LineSettings(positions=25), folder / f"dask_{turn}"
            # The first units bring the family to every worker.
            run_line(family, units_of(sorted(grids.glob("*.npz"))[:2]), place, settings,
                     scheduler=cluster.scheduler_address)  # fmt: skip
            start = time.monotonic()
            done = run_line(family, units_of([grids]), place, settings, scheduler=cluster.scheduler_address)
            rates[workers].append(done.worked_on / (time.monotonic() - start))
    one, two = (float(np.median(rates[workers])) for workers in (1, 2))
    print(
        f"Dask, {units} units: {one:.2f} a second by one worker, {two:.2f} by two, "
        f"{two / one / 2:.2f} of twice"
    )


def main():
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--units", type=int, default=1000)
    parser.add_argument("--faults", type=int, default=60)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--kills-packages", type=int, default=0)
    parser.add_argument("--packages", type=int, default=0)
    parser.add_argument("--commands", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--cluster", type=int, default=0)
    parser.add_argument("--pinned", type=int, default=0)
    asked = parser.parse_args()
    grids = {fault: asked.folder / (fault or "right") for fault in (None, *FAULTS)}
    for place in grids.values():
        place.mkdir(parents=True, exist_ok=True)
    family = asked.folder / "family.npz"
    if not family.exists():
        with threadpool_limits(1):
            design = read_design(CALIB / "folded.design.toml")
            write_family(family, family_from_design(design, read_module(CALIB / "folded.module.toml")))
    if asked.cluster:
        cluster_rate(family, asked.folder, asked.cluster)
        return
    start = time.monotonic()
    with ProcessPoolExecutor(mp_context=get_context("spawn")) as pool:
        waiting = [
            pool.submit(made_grid, place / f"{(fault or 'U')}{number:04d}.npz", fault, number)
            for fault, place in grids.items()
            for number in range(asked.units if fault is None else asked.faults)
        ]
        for one in waiting:
            one.result()
    print(f"traced in {time.monotonic() - start:.0f} s", flush=True)
    if asked.pinned:
        os.sched_setaffinity(0, apart(asked.pinned))
    right = sorted(grids[None].glob("*.npz"))[: asked.units]
    if asked.commands:
        told_commands(family, right[: asked.commands + 1], asked.folder / "line_commands")
        return
    for name, part in (("half", right[: asked.units // 2]), ("all", right)):
        seconds, largest = run(family, part, asked.folder / f"line_{name}", asked.jobs)
        print(
            f"{name}: {len(part)} units in {seconds:.0f} s, {seconds / len(part):.3f} s a unit,",
            f"largest process {largest:.0f} MB",
            flush=True,
        )
    told_flags("right", asked.folder / "line_all")
    for fault in FAULTS:
        if asked.faults:
            run(family, [grids[fault]], asked.folder / f"line_{fault}", asked.jobs)
            told_flags(fault, asked.folder / f"line_{fault}")
    if asked.packages:
        told_packages(family, right[: asked.packages], asked.folder / "line_packages", asked.jobs)
    part = right[:KILLED_UNITS]
    if asked.kills:
        told_kills(family, part, asked.folder, asked.jobs, asked.kills)
    if asked.kills_packages:
        module = ["--packages", "--module", str(CALIB / "folded.module.toml")]
        told_kills(family, part, asked.folder, asked.jobs, asked.kills_packages, *module)


if __name__ == "__main__":
    main()
