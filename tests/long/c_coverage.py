"""Branches of the C evaluator that its tests take, by gcov: those never taken are printed with their line.

    python -m tests.long.c_coverage [TEST FILE ...]

Tests of the C code run with a gcc that adds counters to all that they compile. Last figures: DEVELOPERS.md.
"""

import gzip
import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections import defaultdict
from pathlib import Path

from prewarp.export.c_sources import HEADERS, SOURCES, c_sources

TESTS = ("test_c_evaluator.py", "test_c_fuzz.py", "test_c_names.py", "test_c_turn.py")
WRAPPER = """#!/bin/sh
for word in "$@"; do case "$word" in
*.c) exec {gcc} "$@" --coverage -O0 -fprofile-update=atomic;;
esac; done
exec {gcc} "$@"
"""


def counted(folder: Path) -> dict[tuple[str, int, int], int]:
    """Return how often each branch (file, line, number) was taken, over all compiled below a folder."""
    taken: dict[tuple[str, int, int], int] = defaultdict(int)
    for data in folder.rglob("*.gcda"):
        with tempfile.TemporaryDirectory() as here:
            subprocess.run(
                ["gcov", "-b", "--json-format", str(data)],
                cwd=here,
                check=True,
                capture_output=True,
                timeout=120,
            )
            for made in Path(here).glob("*.gcov.json.gz"):
                for file in json.loads(gzip.decompress(made.read_bytes()))["files"]:
                    name = Path(file["file"]).name
                    if name not in (*SOURCES, *HEADERS):
                        continue
                    for line in file["lines"]:
                        for place, branch in enumerate(line["branches"]):
                            taken[name, line["line_number"], place] += branch["count"]
    return taken


def main() -> None:
    """Run the tests and print what no test takes."""
    gcc = shutil.which("gcc")
    tests = sys.argv[1:] or [str(Path(__file__).parents[1] / "export" / name) for name in TESTS]
    with tempfile.TemporaryDirectory() as text:
        folder = Path(text)
        (folder / "bin").mkdir()
        for name in ("gcc", "cc"):
            wrapper = folder / "bin" / name
            wrapper.write_text(WRAPPER.format(gcc=gcc))
            wrapper.chmod(0o755)
        path = f"{folder / 'bin'}{os.pathsep}{os.environ['PATH']}"
        command = [sys.executable, "-m", "pytest", "-q", "-n", "0", f"--basetemp={folder / 'runs'}", *tests]
        subprocess.run(command, check=False, env={**os.environ, "PATH": path})
        taken = counted(folder / "runs")
    texts = {name: text.splitlines() for name, text in c_sources().items()}
    never = sorted(one for one, count in taken.items() if count == 0)
    for name, line, place in never:
        print(f"{name}:{line} branch {place}: {texts[name][line - 1].strip()}")
    share = 1 - len(never) / len(taken)
    print(f"{len(taken) - len(never)} of {len(taken)} branches taken ({100 * share:.1f} %)")


if __name__ == "__main__":
    main()
