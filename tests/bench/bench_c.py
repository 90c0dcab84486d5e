"""What a pupil update costs in C: meshes of 65 x 65 nodes of all maps, beside the plain copy of that output.

Run from the checkout: python -m tests.bench.bench_c. Prints ratios within one run, best of many; six maps (two channels, three
colours) of the field in tests/lookup/swim_field.py at 0.25 px, and a smoother one.
"""

import subprocess
import tempfile
from pathlib import Path

from prewarp.export.blob import blob_from_lookup
from prewarp.export.c_evaluator import STRICT
from prewarp.export.c_sources import SOURCES, write_c_sources
from prewarp.lookup import Optimiser
from tests.closed_form import plane_set, two_channels
from tests.lookup.swim_field import BOX_MM, swim_set

HARNESS = Path(__file__).parent / "bench_c.c"
OPTIONS = (("-O2",), ("-O3",), ("-O3", "-mavx2"))


def tables():
    """Return {name: blob} to time."""
    found = {}
    for field, fields in (("swim", swim_set()), ("plane", plane_set(*two_channels((2560, 2560))))):
        optimiser = Optimiser(fields, pupil_box_mm=BOX_MM, panel_points=33, pupil_counts=(3, 3, 3))
        for family in ("chebyshev", "spline"):
            found[f"{field}, {family}"] = blob_from_lookup(optimiser.search(0.25, family)[0])
    return found


def main():
    """Print the table."""
    blobs = tables()
    print("ratios to the plain copy of the output (65 x 65 nodes, 6 maps)")
    print(
        f"{'options':12s} {'tables':20s} {'copy, us':>9s} {'trilinear':>10s} {'prepare':>8s} {'update':>7s} {'integers':>9s}"
    )
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_c_sources(folder)
        for options in OPTIONS:
            program = folder / "bench"
            sources = [str(HARNESS), *(str(folder / source) for source in SOURCES)]
            subprocess.run(["gcc", *STRICT, *options, "-I", name, "-o", str(program), *sources], check=True)
            for label, blob in blobs.items():
                (folder / "tables.bin").write_bytes(blob)
                done = subprocess.run(
                    [str(program), str(folder / "tables.bin")], capture_output=True, text=True, check=True
                )
                seconds = {
                    key: float(value) for key, value in (line.split() for line in done.stdout.splitlines())
                }
                copy = seconds["copy"]
                ratios = [seconds[key] / copy for key in ("trilinear", "prepare", "update", "fixed_update")]
                print(
                    f"{' '.join(options):12s} {label:20s} {copy * 1e6:9.1f} {ratios[0]:10.1f} {ratios[1]:8.1f} "
                    f"{ratios[2]:7.1f} {ratios[3]:9.1f}"
                )


if __name__ == "__main__":
    main()
