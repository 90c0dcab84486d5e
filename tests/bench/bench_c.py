"""What a pupil update costs in C: meshes of 65 x 65 nodes of all maps, beside the plain copy of that output.

Run from the checkout: python -m tests.bench.bench_c. Prints ratios to the copy within one run: the median of
many rounds, with quartiles for the update. Six maps (two channels, three colours) at 0.25 px, of a smooth
field (plane images) and of a stiff one (tests/lookup/swim_field.py). Beside them what a device could do
without these tables: read a 5 x 5 x 3 lattice of meshes trilinearly, or sum six modes; in C and in numpy.
"""

import shutil
import statistics
import subprocess
import tempfile
import time
from pathlib import Path

import numpy as np

from prewarp.export.c_evaluator import STRICT
from prewarp.export.c_sources import SOURCES, write_c_sources
from prewarp.lookup import Optimiser
from prewarp.lookup.blob import blob_from_lookup
from tests.closed_form import plane_set, two_channels
from tests.lookup.swim_field import BOX_MM, swim_set

HARNESS = Path(__file__).parent / "bench_c.c"
OPTIONS = (("-O3",), ("-O3", "-march=native"))
COMPILERS = ("gcc", "clang")
NUMBERS = 6 * 65 * 65 * 2
LAUNCHES = 3
NUMPY_ROUNDS, NUMPY_TIMES = 31, 8


def tables():
    """Return {name: blob} to time."""
    found = {}
    for name, fields in (("smooth", plane_set(*two_channels((2560, 2560)))), ("stiff", swim_set())):
        optimiser = Optimiser(fields, pupil_box_mm=BOX_MM, panel_points=33, pupil_counts=(3, 3, 3))
        for family in ("chebyshev", "spline"):
            found[f"{name}, {family}"] = blob_from_lookup(optimiser.search(0.25, family)[0])
    return found


def timed(program, blob_path):
    """Return {name: (lower quartile, median, upper quartile)} of one run: seconds of the copy, else ratios.
    Of several runs the one with the quickest copy, which is the hardest to keep up with: where memory happens
    to lie badly for the copy, or others use the cache, ratios come out too small.
    """
    runs = []
    for _ in range(LAUNCHES):
        done = subprocess.run([str(program), str(blob_path)], capture_output=True, text=True, check=True)
        rows = [line.split() for line in done.stdout.splitlines()]
        runs.append({row[0]: tuple(float(number) for number in row[1:]) for row in rows})
    return min(runs, key=lambda run: run["copy"][1])


def numpy_ratios():
    """Return (trilinear, six modes) in numpy, as ratios to numpy's copy of the output."""
    lattice = np.random.default_rng(0).random((75, NUMBERS), dtype=np.float32)
    weights = np.random.default_rng(1).random(8, dtype=np.float32)
    corners = [z * 25 + y * 5 + x for z in (0, 1) for y in (1, 2) for x in (1, 2)]
    target, source = np.empty(NUMBERS, np.float32), np.ones(NUMBERS, np.float32)
    work = (
        lambda: np.copyto(target, source),
        lambda: np.matmul(weights, lattice[corners], out=target),
        lambda: np.matmul(weights[:6], lattice[:6], out=target),
    )
    ratios = []
    for _ in range(NUMPY_ROUNDS):
        took = [_quickest(one) for one in work]
        ratios.append([one / took[0] for one in took[1:]])
    return tuple(statistics.median(column) for column in zip(*ratios, strict=True))


def _quickest(work):
    work()
    best = float("inf")
    for _ in range(NUMPY_TIMES):
        start = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - start)
    return best


def main():
    """Print the table."""
    blobs = tables()
    print("ratios to the plain copy of the output (65 x 65 nodes, 6 maps), caches warm")
    print(
        f"{'compiler':28s} {'tables':18s} {'bytes':>6s} {'copy, us':>9s} {'trilinear':>10s} {'6 modes':>8s} "
        f"{'prepare':>8s} {'update':>7s} {'quartiles':>12s} {'integers':>9s}"
    )
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_c_sources(folder)
        sources = [str(HARNESS), *(str(folder / source) for source in SOURCES)]
        for compiler in filter(shutil.which, COMPILERS):
            for options in OPTIONS:
                program = folder / "bench"
                command = [compiler, *STRICT, *options, "-I", name, "-o", str(program), *sources, "-lm"]
                subprocess.run(command, check=True)
                for label, blob in blobs.items():
                    (folder / "tables.bin").write_bytes(blob)
                    _print_row(
                        " ".join((compiler, *options)), label, blob, timed(program, folder / "tables.bin")
                    )
    trilinear, modes = numpy_ratios()
    print(f"numpy, to its own copy: trilinear {trilinear:.1f}, 6 modes {modes:.1f}")


def _print_row(compiler, label, blob, took):
    middle = {key: quartiles[1] for key, quartiles in took.items()}
    low, _, high = took["update"]
    print(
        f"{compiler:28s} {label:18s} {len(blob):6d} {middle['copy'] * 1e6:9.1f} {middle['trilinear']:10.1f} "
        f"{middle['modes']:8.1f} {middle['prepare']:8.1f} {middle['update']:7.1f} "
        f"{f'{low:.1f} to {high:.1f}':>12s} {middle['integers']:9.0f}",
        flush=True,
    )


if __name__ == "__main__":
    main()
