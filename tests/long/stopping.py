"""Commands stopped by INT and TERM at many moments of their work.

`python -m tests.long.stopping [TRIALS [COMMAND ...]]`: every command is begun TRIALS times for each signal
and stopped at a moment drawn by lot from the whole of its run. Printed: the longest time to the end, and how
many trials left a process, a file or another status than 130 and 143; the load of the machine, whose
other work adds to the time. Those that were done before are not counted. `extract` and `line` keep what the
same command goes on from, and nothing else. Last figures: DEVELOPERS.md, "Large work".
"""

import os
import random
import re
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from prewarp.grids import write_grid
from prewarp.module import read_module
from prewarp.trace import read_design
from tests.line_units import captured_unit, unit_design
from tests.long.load import TWO
from tests.stopping import PROGRAM, SIGNALS, begun, contents, stopped

CALIB = Path(__file__).parents[2] / "calib"
COMMANDS = {
    "demo": "demo -o out",
    "check": "check {grid} --json",
    "fit": "fit {grid} --module {module} -o out.npz",
    "export": "export fit.npz --module {module} --format lookup --format shaders --format csv -o out",
    "photograph": "photograph targets/plan.csv --module {module} --camera camera.toml --fit fit.npz -o out",
    "extract": "extract targets/plan.csv --photographs photographs --camera camera.toml --jobs 2 -o out.npz",
    "preview": "preview fit.npz --module {module} --offscreen -o out.png",
    "film": "film fit.npz --module {module} --seconds 1 -o out",
    "report": "report fit.npz --module {module} -o out.html",
    "accept": "accept {grid} --package package --module {module} -o out.png",
    "line": "line run family.npz units --module {folded} --positions 2 --jobs 2 --packages -o out",
    "bench": "demo --bench -o out",
}
# What a command keeps on purpose, for the same command to go on from.
KEPT = {
    "extract": re.compile(r"out\.extract(/.*)?"),
    "line": re.compile(r"out(/(\.prewarp|line\.(sqlite.*|lock)|tables-\w+\.prewarp|packages(/\d+(/.*)?)?))?"),
}
# No fault of the command: `accept` says by these that a unit fails, or that there is no sure verdict.
SAID = {"accept": (0, 1, 3)}
UNITS = 12
CAMERA = """
width_px = 1200
height_px = 1000
focal_px = [1500.0, 1500.0]
centre_px = [600.0, 500.0]
"""


def prepare(folder, names):
    """Make what the commands need in a folder."""

    def run(text):
        subprocess.run([*PROGRAM, *text.format(**NAMES).split(), "-q"], cwd=folder, check=True)

    run("fit {grid} --module {module} -o fit.npz")
    if {"photograph", "extract"} & set(names):
        photographs(folder, run)
    if "accept" in names:
        run("export fit.npz --module {module} --format lookup -o package")
    if "line" in names:
        run("line family {design} {folded} -o family.npz")
        captured_units(folder / "units")


def captured_units(folder):
    """Write the grids of some units of the folded design, captured from two positions."""
    folder.mkdir()
    module, design = read_module(NAMES["folded"]), read_design(NAMES["design"])
    for seed in range(UNITS):
        write_grid(folder / f"{seed}.npz", captured_unit(unit_design(design, seed), module, TWO, seed))


def photographs(folder, run):
    """Make targets and photographs of them."""
    run("targets {module} --fit fit.npz --positions 2 --turn 0 --dots 5x5 --dark 0 -o targets")
    (folder / "camera.toml").write_text(CAMERA)
    run(COMMANDS["photograph"].replace("-o out", "-o photographs"))


NAMES = {
    "grid": CALIB / "coaxial.grid.npz",
    "module": CALIB / "coaxial.module.toml",
    "folded": CALIB / "folded.module.toml",
    "design": CALIB / "folded.design.toml",
}


def main(trials=5, *names):
    """Run the trials and print a line for each command."""
    draw = random.Random(17)
    with tempfile.TemporaryDirectory() as place:
        folder, temporary = Path(place) / "work", Path(place) / "temporary"
        folder.mkdir()
        temporary.mkdir()
        prepare(folder, names or COMMANDS)
        before = contents(folder)
        for name in names or COMMANDS:
            command = [*PROGRAM, *COMMANDS[name].format(**NAMES).split(), "-q"]
            start = time.monotonic()
            done = subprocess.run(command, cwd=folder, capture_output=True, text=True)
            if done.returncode not in SAID.get(name, (0,)):
                raise SystemExit(f"{name} ended with {done.returncode}: {done.stderr}")
            whole = time.monotonic() - start
            clear(folder, before)
            found = []
            for number in SIGNALS:
                for trial in range(int(trials)):
                    process = begun(command, folder, temporary=temporary)
                    # The interpreter itself takes a moment before any of our lines is run.
                    time.sleep(0.3 + (trial + draw.random()) / int(trials) * (whole - 0.3))
                    if process.poll() is None:
                        found.append((number, stopped(process, number, folder, before, temporary=temporary)))
                    clear(folder, before)
            longest = max((one.seconds for _, one in found), default=0.0)
            odd = []
            for number, one in found:
                left = [file for file in one.files if name not in KEPT or not KEPT[name].fullmatch(file)]
                if one.status != 128 + number or one.processes or left:
                    odd.append(f"  {signal.Signals(number).name}: {one.status}, left {one.processes} {left}")
            print(f"{name:11} {whole:5.1f} s whole, {len(found)} stopped, longest {longest:.2f} s", end=", ")
            print(f"odd {len(odd)}, load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
            print(*odd, sep="\n", end="\n" if odd else "", flush=True)


def clear(folder, before):
    """Remove what was not there before."""
    for name in sorted(contents(folder) - before, reverse=True):
        path = folder / name
        path.rmdir() if path.is_dir() and not path.is_symlink() else path.unlink()


if __name__ == "__main__":
    main(*sys.argv[1:])
