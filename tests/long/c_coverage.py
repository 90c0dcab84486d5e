"""Branches of the C evaluator that its tests take, by gcov: the others are printed with their reasons.

    python -m tests.long.c_coverage [TEST FILE ...]

Tests of the C code run with a gcc that adds counters to all that they compile; ends with 1 where a branch
has no reason not to be taken. Last figures: DEVELOPERS.md.
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

TESTS = ("test_c_evaluator.py", "test_c_fuzz.py", "test_c_names.py", "test_c_refusals.py", "test_c_turn.py")
# Without sanitizers, whose checks are branches too.
WRAPPER = """#!/bin/bash
words=()
for word in "$@"; do [[ $word == -fsanitize* || $word == -fno-sanitize* ]] || words+=("$word"); done
for word in "$@"; do case "$word" in
*.c) exec {gcc} "${{words[@]}}" --coverage -O0 -fprofile-update=atomic;;
esac; done
exec {gcc} "${{words[@]}}"
"""

# Branches that no test takes: file, the line's text, and why.
REASONS = (
    ("prewarp_bytes.h", "switch (block->format) {", "formats are checked before a block is read"),
    (
        "prewarp_fixed.h",
        "INT64_MAX - half",
        "sums of right blobs stay below 2^62; kept for the ends of 64 bits",
    ),
    ("prewarp_fixed.h", "-INT64_MAX + half", "as above"),
    (
        "prewarp_fixed.h",
        "if (value == 0)",
        "numbers are widened by large scales alone, which no test's blob has",
    ),
    ("prewarp_fixed.h", "if (up > 62", "as above"),
    ("prewarp_fixed.h", "return value > 0 ? most : -most;", "as above"),
    ("prewarp_fixed.h", "factor.exponent >= -62", "no test's blob has a scale so small"),
    ("prewarp_fixed.h", "t = t < -UNIT", "nodes lie within; held for points beside the panel"),
    ("prewarp_fixed_turn.c", "if (depth < LEAST_DEPTH)", "takes a tangent above 2.6, turned outward"),
    (
        "prewarp_light.c",
        "near == count ||",
        "a run of directions ends where the next lies before its piece; kept for the table's end",
    ),
    (
        "prewarp_light.c",
        "if (prewarp_panel_from_direction(own, direction, pixel) == PREWARP_NOT_CONVERGED)",
        "takes a map that folds inside its own border",
    ),
    ("prewarp_open.c", "PREWARP_TERM_WIDTH_BITS)", "one of three places where terms may end early"),
    ("prewarp_open.c", "PREWARP_TERM_CHOICE_BITS)", "as above"),
    ("prewarp_open.c", "if (columns < 1u || columns != rows", "columns and rows would have to grow together"),
    ("prewarp_open.c", "offset > lookup->size", "sections before it are as long as the blob at most"),
)


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
    unexplained = 0
    for name, line, place in never:
        text = texts[name][line - 1].strip()
        why = next((why for file, part, why in REASONS if file == name and part in text), None)
        unexplained += why is None
        print(f"{name}:{line} branch {place}: {text}\n    {why or 'NO REASON'}")
    share = 1 - len(never) / len(taken)
    print(f"{len(taken) - len(never)} of {len(taken)} branches taken ({100 * share:.1f} %)")
    if unexplained:
        raise SystemExit(1)


if __name__ == "__main__":
    main()
