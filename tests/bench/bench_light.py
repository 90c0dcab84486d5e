"""What weights cost in C: ns a direction, beside a panel point's direction and a clock cycle in the same run.

Last figures: DEVELOPERS.md.

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
        for option in ("-Os", "-O2", "-O3"):
            program = folder / f"light{option}"
            sources = [str(folder / source) for source in SOURCES if source.endswith(".c")]
            command = ["gcc", *STRICT, "-D_POSIX_C_SOURCE=199309L", option, "-I", str(folder)]
            command += ["-o", str(program), str(folder / "bench_light.c"), *sources, "-lm"]
            subprocess.run(command, check=True)
            done = subprocess.run([str(program), str(blob)], capture_output=True, text=True, check=True)
            found = dict(line.split() for line in done.stdout.splitlines())
            base, cycle = float(found["direction"]), float(found["cycle"])
            print(f"gcc {option}, {blob.name}")
            for what, value in found.items():
                ns = float(value)
                print(f"  {what:26s} {ns:8.2f} ns {ns / base:7.2f} x a direction {ns / cycle:7.0f} cycles")


if __name__ == "__main__":
    main()
