"""Commands stopped by INT and TERM at many moments of their work.

`python -m tests.long.stopping [TRIALS [COMMAND ...]]`: every command is begun TRIALS times for each signal
and stopped at a moment drawn by lot from the whole of its run. Printed: the longest time to the end, and how
many trials left a process, a file or another status than 130 and 143. Those that were done before are not
counted.
"""

import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

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
}
CAMERA = """
width_px = 1200
height_px = 1000
focal_px = [1500.0, 1500.0]
centre_px = [600.0, 500.0]
"""


def prepare(folder):
    """Make what the commands need in a folder."""

    def run(text):
        subprocess.run([*PROGRAM, *text.format(**NAMES).split(), "-q"], cwd=folder, check=True)

    run("fit {grid} --module {module} -o fit.npz")
    run("targets {module} --fit fit.npz --positions 2 --turn 0 --dots 5x5 --dark 0 -o targets")
    (folder / "camera.toml").write_text(CAMERA)
    run(COMMANDS["photograph"].replace("-o out", "-o photographs"))


NAMES = {"grid": CALIB / "coaxial.grid.npz", "module": CALIB / "coaxial.module.toml"}


def main(trials=5, *names):
    """Run the trials and print a line for each command."""
    draw = random.Random(17)
    with tempfile.TemporaryDirectory() as place:
        folder, temporary = Path(place) / "work", Path(place) / "temporary"
        folder.mkdir()
        temporary.mkdir()
        prepare(folder)
        before = contents(folder)
        for name in names or COMMANDS:
            command = [*PROGRAM, *COMMANDS[name].format(**NAMES).split(), "-q"]
            start = time.monotonic()
            subprocess.run(command, cwd=folder, check=True, capture_output=True)
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
            odd = [
                f"  {signal.Signals(number).name}: status {one.status}, left {one.processes} {one.files}"
                for number, one in found
                if one.status != 128 + number or one.processes or one.files
            ]
            print(f"{name:11} {whole:5.1f} s whole, {len(found)} stopped, longest {longest:.2f} s", end=", ")
            print(f"odd {len(odd)}")
            print(*odd, sep="\n", end="\n" if odd else "", flush=True)


def clear(folder, before):
    """Remove what was not there before."""
    for name in sorted(contents(folder) - before, reverse=True):
        path = folder / name
        path.rmdir() if path.is_dir() and not path.is_symlink() else path.unlink()


if __name__ == "__main__":
    main(*sys.argv[1:])
