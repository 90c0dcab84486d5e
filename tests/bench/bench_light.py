"""What weights cost in C: ns a direction, and as ratios to the direction of a panel point in the same run.

`python -m tests.bench.bench_light [BLOB]`; without a blob that of the small build of the tests.
"""

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from prewarp.export.c_evaluator import STRICT
from prewarp.export.c_sources import SOURCES, write_c_sources
from prewarp.lookup.blob import blob_from_lookup
from tests.export.device_builds import chebyshev_lookup


def main():
    """Compile, run, print."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_c_sources(folder)
        blob = Path(sys.argv[1]) if len(sys.argv) > 1 else folder / "small.prewarp"
        if len(sys.argv) < 2:
            blob.write_bytes(blob_from_lookup(chebyshev_lookup()))
        shutil.copy(Path(__file__).parent / "bench_light.c", folder)
        for option in ("-Os", "-O3"):
            program = folder / f"light{option}"
            sources = [str(folder / source) for source in SOURCES if source.endswith(".c")]
            command = ["gcc", *STRICT, "-D_POSIX_C_SOURCE=199309L", option, "-I", str(folder)]
            command += ["-o", str(program), str(folder / "bench_light.c"), *sources, "-lm"]
            subprocess.run(command, check=True)
            done = subprocess.run([str(program), str(blob)], capture_output=True, text=True, check=True)
            found = dict(line.split() for line in done.stdout.splitlines())
            base = float(found["direction"])
            print(f"gcc {option}, {blob.name}")
            for what, value in found.items():
                print(f"  {what:20s} {float(value):8.1f} ns {float(value) / base:7.2f} x a direction")


if __name__ == "__main__":
    main()
