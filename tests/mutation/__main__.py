"""Put one fault after the other into a copy of the tree and run the tests that should see it.

`--list` names the faults, `--only PATTERN` takes those whose file or words match, `--jobs N` has N copies.
A fault that survives is looked at once more by the tests' long form (`PREWARP_LONG`).
At the end the tests that saw a fault run on the tree as it is: one that fails there too has caught nothing.
"""

import argparse
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from queue import SimpleQueue

from tests.mutation.mutation import Mutation, mutations

ROOT = Path(__file__).resolve().parents[2]
FOLDERS = ("prewarp", "shaders", "calib", "demo_scenes", "tests")
FILES = ("pyproject.toml", "README.md", "DEVELOPERS.md")
LONGEST_SECONDS = 300
CAUGHT, SURVIVED, HUNG, NOT_FOUND, NO_TEST, NO_MATTER = (
    "caught",
    "SURVIVED",
    "caught (ran too long)",
    "TEXT NOT FOUND",
    "TESTS NOT RUN",
    "FAILS WITHOUT IT",
)
# The name of a case may hold spaces.
_FAILED = re.compile(r"^(?:FAILED|ERROR) (.+?)(?: - .*)?$", re.MULTILINE)


@dataclass(frozen=True)
class Outcome:
    """What became of a fault; `test` saw it."""

    mutation: Mutation
    verdict: str
    test: str = ""
    seconds: float = 0.0
    note: str = ""

    @property
    def line(self) -> str:
        """Return a row of the table."""
        which = f"{self.mutation.file}: {self.mutation.breaks}"
        return f"| {self.verdict} | {which} | {self.test or self.note} | {self.seconds:.1f} |"


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__.partition("\n")[0])
    parser.add_argument("--only", metavar="PATTERN", default="", help="regular expression for file or words")
    parser.add_argument("--jobs", type=int, default=1, help="copies of the tree worked on at a time")
    parser.add_argument("--list", action="store_true", help="name the faults and where their text is")
    parser.add_argument("--table", type=Path, help="also write the table into this file")
    asked = parser.parse_args()
    wanted = re.compile(asked.only, re.IGNORECASE)
    chosen = [one for one in mutations() if wanted.search(f"{one.file}: {one.breaks}")]
    if asked.list:
        for one in chosen:
            place = one.place(ROOT)
            print(f"{place.relative_to(ROOT) if place else NOT_FOUND + ' ' + one.file}: {one.breaks}")
        print(f"{len(chosen)} faults")
        return 0
    with tempfile.TemporaryDirectory(prefix="mutation-") as folder:
        outcomes = tried(chosen, Path(folder), asked.jobs)
    outcomes.sort(key=lambda one: (one.verdict.islower(), one.mutation.file))
    table = ["| verdict | fault | seen by | s |", "|---|---|---|---|", *(one.line for one in outcomes)]
    counts = Counter(one.verdict for one in outcomes)
    by_verdict = ", ".join(f"{count} {verdict}" for verdict, count in counts.items())
    summary = f"{len(outcomes)} faults: {by_verdict}"
    print("\n".join(["", *table, "", summary]))
    if asked.table is not None:
        asked.table.write_text("\n".join([*table, "", summary, ""]), encoding="utf-8")
    return 0 if all(one.verdict in (CAUGHT, HUNG) for one in outcomes) else 1


def tried(chosen: list[Mutation], folder: Path, jobs: int) -> list[Outcome]:
    """Return what becomes of each fault, in copies of the tree below `folder`."""
    trees: SimpleQueue[Path] = SimpleQueue()
    for number in range(max(jobs, 1)):
        trees.put(copied_to(folder / f"tree{number}"))

    def work(mutation: Mutation) -> Outcome:
        tree = trees.get()
        try:
            outcome = one_fault(mutation, tree)
        finally:
            trees.put(tree)
        print(outcome.line, flush=True)
        return outcome

    with ThreadPoolExecutor(max(jobs, 1)) as pool:
        outcomes = list(pool.map(work, chosen))
    return without_faulty_tests(outcomes, trees.get(), jobs)


def copied_to(tree: Path) -> Path:
    """Copy what the tests need, compiled so that a file counts as new when its text changes."""
    tree.mkdir()
    for name in FOLDERS:
        shutil.copytree(ROOT / name, tree / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in FILES:
        shutil.copy2(ROOT / name, tree / name)
    compiling = ("-m", "compileall", "-q", "--invalidation-mode", "checked-hash", "prewarp", "tests")
    subprocess.run([sys.executable, *compiling], cwd=tree, check=True)
    return tree


def one_fault(mutation: Mutation, tree: Path) -> Outcome:
    """Put a fault into the tree, run its tests, take it out again."""
    place = mutation.place(tree)
    if place is None:
        return Outcome(mutation, NOT_FOUND)
    text = place.read_text(encoding="utf-8")
    start = time.perf_counter()
    try:
        place.write_text(mutation.applied(text), encoding="utf-8")
        code, output = run_tests(mutation.tests, tree)
        if code == 0:
            code, output = run_tests(mutation.tests, tree, long=True)
    finally:
        place.write_text(text, encoding="utf-8")
    seconds = time.perf_counter() - start
    if code is None:
        return Outcome(mutation, HUNG, seconds=seconds)
    if code == 0:
        return Outcome(mutation, SURVIVED, seconds=seconds)
    found = _FAILED.search(output)
    if code != 1 or found is None:
        return Outcome(mutation, NO_TEST, seconds=seconds, note=output.strip().splitlines()[-1][:120])
    return Outcome(mutation, CAUGHT, found[1], seconds)


def run_tests(
    tests: tuple[str, ...] | list[str], tree: Path, *more: str, long: bool = False
) -> tuple[int | None, str]:
    """Return pytest's exit code (None: it ran too long) and what it printed."""
    options = ("-n", "0", "-q", "-p", "no:cacheprovider", "--tb=no", *(more or ("-x",)))
    environment = {**os.environ, "PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1"}
    if long:
        environment["PREWARP_LONG"] = "1"
    try:
        done = subprocess.run(
            [sys.executable, "-m", "pytest", *options, *tests],
            cwd=tree, env=environment, capture_output=True, text=True, timeout=LONGEST_SECONDS, check=False,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return None, ""
    return done.returncode, done.stdout


def without_faulty_tests(outcomes: list[Outcome], tree: Path, jobs: int) -> list[Outcome]:
    """Return the outcomes; a fault seen by a test that fails on the tree as it is has not been caught."""
    asked = sorted({one.test for one in outcomes if one.test})
    if not asked:
        return outcomes
    code, output = run_tests(asked, tree, "--maxfail=1000", "-n", str(jobs if jobs > 1 else 0), long=True)
    if code not in (0, 1):
        print(f"the tests that saw faults did not run without them:\n{output}", file=sys.stderr)
    failing = set(_FAILED.findall(output))
    return [
        Outcome(one.mutation, NO_MATTER, one.test, one.seconds) if one.test in failing else one
        for one in outcomes
    ]


if __name__ == "__main__":
    sys.exit(main())
