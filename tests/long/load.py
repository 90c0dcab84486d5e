"""Large work, measured: bytes read and written, seconds, processor seconds, peak memory.

    python -m tests.long.load FOLDER [ROW ...]

FOLDER keeps what is made to be worked on. Rows: check-1m, check, fit (five million rows, scattered),
check-pupils, fit-pupils (1,000 positions), targets-16384, film (10,000 frames), line (500
units). Each command runs alone in its own process, as a user would run it; memory is the largest resident
size of any one process of it (wait4, from a small process). Last figures: DEVELOPERS.md, "Large work".
"""

import subprocess
import sys
import time
from pathlib import Path

import numpy as np

from prewarp.grids import write_grid
from prewarp.module import read_module
from prewarp.trace import read_design
from tests.line_units import captured_unit, unit_design
from tests.synthetic import make_grid, pupil_lattice

CALIB = Path(__file__).parents[2] / "calib"
FOLDED = CALIB / "folded.module.toml"
PANEL = "2560x2560"
# Two channels, three colours, 25 positions.
ROWS_A_POINT = 150
UNITS = 500
TWO = np.array([[-2.0, -1.5, 0.0], [2.0, 1.5, 0.0]])


def scattered(folder, rows):
    """Return the file of a scattered grid of about so many rows."""
    path = folder / f"scattered-{rows}.npz"
    if not path.exists():
        points = round((rows / ROWS_A_POINT) ** 0.5)
        write_grid(path, make_grid("scattered", noise_px=0.05, points=points, pupils=pupil_lattice(5)))
    return path


def many_pupils(folder):
    """Return the file of a lattice on the panel seen from 1,000 positions, ten each way and ten depths."""
    path = folder / "pupils.npz"
    if not path.exists():
        pupils = pupil_lattice(10, depths_mm=tuple(np.linspace(-2.0, 2.0, 10)))
        write_grid(path, make_grid("panel", noise_px=0.05, points=13, pupils=pupils))
    return path


def large_module(folder):
    """Return a module file whose panels have 16384 x 16384 px."""
    path = folder / "large.module.toml"
    text = FOLDED.read_text(encoding="utf-8").replace("width_px = 2560", "width_px = 16384")
    path.write_text(text.replace("height_px = 2208", "height_px = 16384"), encoding="utf-8")
    return path


def fit_of(folder):
    """Return the fit of the folded demo's grid."""
    path = folder / "folded.fit.npz"
    if not path.exists():
        run("fit", CALIB / "folded.grid.npz", "--module", FOLDED, "-o", path)
    return path


def units(folder):
    """Return the family of the folded demo, and the folder of its units' grids."""
    family, grids = folder / "folded.family.npz", folder / "units"
    if not family.exists():
        run("line", "family", CALIB / "folded.design.toml", FOLDED, "-o", family)
    grids.mkdir(exist_ok=True)
    module, design = read_module(FOLDED), read_design(CALIB / "folded.design.toml")
    for seed in range(UNITS):
        path = grids / f"unit-{seed:04d}.npz"
        if not path.exists():
            write_grid(path, captured_unit(unit_design(design, seed), module, TWO, seed))
    return family, grids


def rows(folder):
    """Return, by name, what gives the arguments of a command and the paths that it reads and writes."""
    out = folder / "out"

    def grid(made, *more):
        return lambda: ((*more[:1], made(), *more[1:]), [made()], [out])

    def line():
        family, grids = units(folder)
        return ("line", "run", family, grids, "--positions", "2", "-o", out), [grids], [out]

    five, million = (lambda: scattered(folder, 5_000_000)), (lambda: scattered(folder, 1_000_000))
    pupils = lambda: many_pupils(folder)  # noqa: E731
    return {
        "check-1m": grid(million, "check", "--panel", PANEL),
        "check": grid(five, "check", "--panel", PANEL),
        "fit": grid(five, "fit", "--panel", PANEL, "-o", out),
        "check-pupils": grid(pupils, "check", "--panel", PANEL),
        "fit-pupils": grid(pupils, "fit", "--panel", PANEL, "-o", out),
        "targets-16384": grid(lambda: large_module(folder), "targets", "--positions", "1", "-o", out),
        "film": lambda: (
            ("film", fit_of(folder), "--module", FOLDED, "--seconds", "500", "--size", "160x90", "-o", out),
            [fit_of(folder)],
            [out],
        ),
        "line": line,
    }


# Linux begins a program's peak at that of the process that starts it, and this one has made large grids.
_START = """
import os, subprocess, sys
process = subprocess.Popen(sys.argv[1:])
_, status, used = os.wait4(process.pid, 0)
process.returncode = os.waitstatus_to_exitcode(status)
print(process.returncode, used.ru_utime + used.ru_stime, 1024 * used.ru_maxrss)
"""


def run(*words):
    """Run a command of the program; return its exit status, seconds, processor seconds and peak bytes."""
    return measured([sys.executable, "-m", "prewarp", *map(str, words), "-q"])


def measured(command):
    """Run any command; return its exit status, seconds, processor seconds and the peak bytes of a process."""
    start = time.perf_counter()
    told = subprocess.run([sys.executable, "-c", _START, *command], stdout=subprocess.PIPE, check=True)
    seconds = time.perf_counter() - start
    status, worked, peak = told.stdout.split()[-3:]
    return int(status), seconds, float(worked), int(peak)


def size_of(paths):
    """Return the bytes of files and of all files of folders."""
    files = [one for path in paths for one in (path.rglob("*") if path.is_dir() else [path]) if one.is_file()]
    return sum(one.stat().st_size for one in files)


def clear(path):
    """Remove what a command wrote."""
    for one in sorted(path.rglob("*"), reverse=True) if path.is_dir() else ():
        one.rmdir() if one.is_dir() and not one.is_symlink() else one.unlink()
    if path.is_dir():
        path.rmdir()
    path.unlink(missing_ok=True)


def main(place, *names):
    """Run the rows and print the table."""
    folder = Path(place)
    folder.mkdir(parents=True, exist_ok=True)
    print("| what | exit | read MB | written MB | s | processor s | peak MB |\n|---|---|---|---|---|---|---|")
    every = rows(folder)
    for name in names or every:
        words, read, written = every[name]()
        clear(folder / "out")
        status, seconds, worked, peak = run(*words)
        figures = f"{size_of(read) / 1e6:.3g} | {size_of(written) / 1e6:.3g} | {seconds:.1f} | {worked:.1f}"
        print(f"| {name} | {status} | {figures} | {peak / 1e6:.0f} |", flush=True)
        clear(folder / "out")


if __name__ == "__main__":
    main(*sys.argv[1:])
