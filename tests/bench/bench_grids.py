"""Time and memory of reading and checking a million rows, as ratios to plain readers in the same run.

Run from the checkout: python -m tests.bench.bench_grids [ROWS]
"""

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from prewarp.checking import check_grid
from prewarp.grids import read_grid, write_grid
from tests.synthetic import make_grid, pupil_lattice

PEAK = """
import sys
import pyarrow.csv
from prewarp.grids import read_grid
def peak_kib():  # Linux; ru_maxrss would start from the parent's
    with open("/proc/self/status") as stream:
        return int(next(line for line in stream if line.startswith("VmHWM")).split()[1])
before = peak_kib()
read_grid(sys.argv[1])
print(peak_kib() - before)
"""


def timed(function, *arguments, repeat=3, **options):
    """Return the shortest of `repeat` wall-clock times, seconds."""
    best = np.inf
    for _ in range(repeat):
        start = time.perf_counter()
        function(*arguments, **options)
        best = min(best, time.perf_counter() - start)
    return best


def grid_of(rows):
    """Return a scattered grid of about `rows` rows: 2 channels, 3 colours, 25 pupil positions."""
    points = max(2, round((rows / 150) ** 0.5))
    return make_grid("scattered", noise_px=0.05, points=points, pupils=pupil_lattice(5))


def main(rows: int) -> None:
    """Print the table."""
    grid = grid_of(rows)
    rows = len(grid)
    with tempfile.TemporaryDirectory() as folder:
        paths = {suffix: Path(folder) / f"grid{suffix}" for suffix in (".csv", ".csv.gz", ".npz")}
        for path in paths.values():
            write_grid(path, grid)
        text = paths[".csv"]
        reference = timed(text.read_bytes)
        times = {f"read_grid {suffix}": timed(read_grid, path) for suffix, path in paths.items()}
        times["numpy.loadtxt, 7 number columns"] = timed(
            np.loadtxt, text, delimiter=",", skiprows=1, usecols=range(2, 9), repeat=1
        )
        times["check_grid"] = timed(check_grid, grid, repeat=1)
        print(
            f"{rows} rows, CSV {text.stat().st_size / 1e6:.0f} MB, bytes of the file read in "
            f"{reference:.3f} s"
        )
        for name, seconds in times.items():
            print(f"{name:36s} {seconds:8.2f} s   {seconds / times['read_grid .csv']:7.2f} x read_grid .csv")
        data_bytes = rows * (7 * 8 + 2 * 4)
        for suffix, path in paths.items():
            done = subprocess.run(
                [sys.executable, "-c", PEAK, str(path)], capture_output=True, text=True, check=True
            )
            peak = int(done.stdout) * 1024
            print(
                f"peak memory of reading {suffix:8s} {peak / 1e6:7.0f} MB = {peak / data_bytes:.1f} "
                f"x the data "
                f"({peak / text.stat().st_size:.1f} x the text)"
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
