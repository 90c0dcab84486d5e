"""Static checks of the C evaluator: gcc's analyser, cppcheck, MISRA, clang's integer sanitizer, Frama-C.

    python -m tests.long.c_static [--no-eva]

Eva by itself: `tests.long.c_eva`. Needs Debian's `gcc`, `clang`, `cppcheck` and `frama-c-base`. Ends with 1
where anything is found that is not listed here. Last figures: DEVELOPERS.md.
"""

import re
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

from prewarp.export.c_evaluator import STRICT
from prewarp.export.c_sources import SOURCES, write_c_sources
from tests.fuzz.fuzz_lookup import HARNESS
from tests.fuzz.fuzz_open import seeds
from tests.long.c_eva import eva

# MISRA C:2012 rules that are deviated from on purpose, and why.
DEVIATIONS = {
    "2.4": "a tag named for a structure that points to its own kind",
    "2.5": "the made layout header defines every entry, used or not",
    "2.7": "sums of one term share the signature of those of eight",
    "5.6": "two files have a structure of one name each for themselves",
    "5.7": "as 5.6",
    "5.9": "both paths have internal functions of the same name, one file each",
    "8.7": "functions shared between files of one path",
    "8.9": "tables of functions stand before the one function that uses them",
    "8.14": "restrict is what lets compilers make vectors of long sums; aliasing is excluded by the callers",
    "9.3": "{0.0f} sets a whole array to zeros",
    "10.1": "shifts of signed numbers: one helper that is safe below zero (fixed.h), held to exact sums",
    "10.3": "narrowing after a bound was checked",
    "10.4": "whole numbers and characters are compared where names are",
    "10.6": "products are made in the wider type on purpose",
    "10.7": "as 10.6",
    "10.8": "as 10.6",
    "11.4": "alignment of lent memory is asked of its address",
    "11.5": "bytes are handed over as void *",
    "12.1": "precedence of * and + is known to readers",
    "12.2": "shift counts are bounded by the caller; the sanitizer holds it",
    "12.3": "several names in one declaration",
    "13.3": "counters that move in an expression of their own line",
    "13.4": "assignments that are a condition's operand, in brackets",
    "14.2": "loops with two counters",
    "14.4": "conditions are the int that a function says yes or no by",
    "15.5": "several returns: checks leave early",
    "15.6": "bodies of one statement without braces",
    "15.7": "a chain of else-if without a last else",
    "16.4": "as above for one switch",
    "16.5": "as above",
    "17.7": "memcpy's and memset's return values say nothing",
    "17.8": "parameters that count down",
    "18.4": "pointers walk over lines",
}


def analyser(folder: Path) -> list[str]:
    """Return what gcc's analyser says."""
    said = []
    for name in SOURCES:
        command = ["gcc", "-std=c99", "-O2", "-fanalyzer", "-ffp-contract=off", "-c", name, "-o", "/dev/null"]
        done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=True, timeout=600)
        said += [line for line in done.stderr.splitlines() if "warning" in line]
    return said


def cppcheck(folder: Path) -> list[str]:
    """Return what cppcheck says, and MISRA rules broken that are no deviation of ours."""
    plain = ["cppcheck", "--enable=warning,portability,performance", "-q", "--std=c99", "."]
    done = subprocess.run(plain, cwd=folder, capture_output=True, text=True, check=True, timeout=600)
    said = done.stderr.splitlines()
    misra = ["cppcheck", "--addon=misra", "-q", "--std=c99", "."]
    done = subprocess.run(misra, cwd=folder, capture_output=True, text=True, check=True, timeout=600)
    rules = Counter(re.findall(r"misra-c2012-(\d+\.\d+)", done.stderr))
    print("MISRA deviations: " + ", ".join(f"{rule} {count}" for rule, count in sorted(rules.items())))
    return said + [f"MISRA C:2012 rule {rule}" for rule in rules if rule not in DEVIATIONS]


def integers(folder: Path) -> list[str]:
    """Return where the evaluator's integers wrap or lose bits, over many damaged blobs."""
    program = folder / "fuzz_integers"
    flags = ["-fsanitize=integer,implicit-conversion", "-O1", "-g"]
    command = [
        "clang",
        *STRICT,
        *flags,
        "-I",
        str(folder),
        "-I",
        str(HARNESS.parent),
        "-o",
        str(program),
        str(HARNESS),
    ]
    subprocess.run([*command, *(str(folder / name) for name in SOURCES), "-lm"], check=True, timeout=600)
    said = set()
    for seed, (name, blob) in enumerate(seeds().items()):
        path = folder / f"{name}.blob"
        path.write_bytes(blob)
        done = subprocess.run(
            [str(program), str(path), "2000", str(seed)],
            capture_output=True,
            text=True,
            check=True,
            timeout=900,
        )
        # Of the evaluator, not of the harness.
        said |= {
            line
            for line in done.stderr.splitlines()
            if re.search(r"prewarp_\w+\.[ch]:.* runtime error", line)
        }
    return sorted(line for line in said if not wraps_on_purpose(folder, line))


def wraps_on_purpose(folder: Path, said: str) -> bool:
    """Return whether a line of the sanitizer is about the one product that is meant to lose its top bits."""
    found = re.search(r"(prewarp_\w+\.[ch]):(\d+):", said)
    text = (folder / found[1]).read_text().splitlines()[int(found[2]) - 1] if found else ""
    return "unsigned integer overflow" in said and "codes * up[place]" in text


def main() -> None:
    """Run all; end with 1 where something is found."""
    with tempfile.TemporaryDirectory() as text:
        folder = Path(text)
        write_c_sources(folder)
        found = analyser(folder) + cppcheck(folder) + integers(folder)
        if "--no-eva" not in sys.argv:
            found += eva()
    print("\n".join(found) or "nothing found")
    sys.exit(1 if found else 0)


if __name__ == "__main__":
    main()
