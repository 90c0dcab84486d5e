"""Static checks of the C evaluator: gcc's analyser, cppcheck, MISRA, clang's integer sanitizer, Frama-C.

    python -m tests.long.c_static [--no-eva]

Needs Debian's `gcc`, `clang`, `cppcheck` and `frama-c-base`. Ends with 1 where anything is
found that is not listed here. Last figures: DEVELOPERS.md.
"""

import os
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

# MISRA C:2012 rules that are deviated from on purpose, and why.
DEVIATIONS = {
    "2.4": "a tag named for a structure that points to its own kind",
    "2.5": "the made layout header defines every entry, used or not",
    "2.7": "sums of one term share the signature of those of eight",
    "5.9": "both paths have internal functions of the same name, one file each",
    "8.7": "functions shared between files of one path",
    "8.9": "tables of functions stand before the one function that uses them",
    "8.14": "restrict is what lets compilers make vectors of long sums; aliasing is excluded by the callers",
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
# Runs of Eva: what may be unknown, and the functions called. Alarms by file and text, each with its argument.
EVA = """\
#include "prewarp_lookup.h"
#include "prewarp_names.h"
#include "__fc_builtin.h"
static unsigned char blob[SIZE];
int main(void)
{
    prewarp_lookup lookup;
    size_t size = (size_t)Frama_C_interval(0, SIZE);
    Frama_C_make_unknown((char *)blob, sizeof blob);
    return (int)prewarp_open(&lookup, blob, size);
}
"""
_SECTION = "find_sections has refused a blob of which offset + size of any section exceeds its size"
_RECORD = "record_count has refused counts of records that their section does not hold; " + _SECTION
_BLOCK = "check_blocks has refused blocks whose offset + size exceed the section of data; " + _SECTION
DISCHARGED = {
    ("prewarp_open.c", "crc_32"): _SECTION,
    (
        "prewarp_open.c",
        "all_zero",
    ): "bytes between sections: offset <= lookup->size was asked just before; or of a name, " + _RECORD,
    ("prewarp_open.c", "character_bytes"): _RECORD,
    ("prewarp_open.c", "names_are_good"): _RECORD,
    ("prewarp_bytes.h", "prewarp_u16"): _RECORD + "; or a number of a block: " + _BLOCK,
    ("prewarp_bytes.h", "prewarp_i16"): _BLOCK,
    ("prewarp_bytes.h", "prewarp_i8"): _BLOCK,
    ("prewarp_bytes.h", "prewarp_i12"): _BLOCK,
    ("prewarp_bytes.h", "prewarp_code"): _BLOCK,
    (
        "prewarp_bits.h",
        "prewarp_take",
    ): "a width below 32: chebyshev_is_good asked for less than 8 just before",
}
FUNCTION = re.compile(r"^(?:static )?(?:inline )?\w[\w ]*[ *](\w+)\(")


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
        said |= {line for line in done.stderr.splitlines() if "runtime error" in line and "fuzz_" not in line}
    return sorted(line for line in said if not wraps_on_purpose(folder, line))


def wraps_on_purpose(folder: Path, said: str) -> bool:
    """Return whether a line of the sanitizer is about the one product that is meant to lose its top bits."""
    found = re.search(r"(prewarp_\w+\.[ch]):(\d+):", said)
    text = (folder / found[1]).read_text().splitlines()[int(found[2]) - 1] if found else ""
    return "unsigned integer overflow" in said and "codes * up[place]" in text


def function_at(text: str, line: int) -> str:
    """Return the function that holds a line of C."""
    for one in reversed(text.splitlines()[:line]):
        if found := FUNCTION.match(one):
            return found[1]
    return "?"


def eva(folder: Path, size: int = 4096) -> list[str]:
    """Return alarms of Eva over `prewarp_open` with arbitrary bytes that no argument here discharges.

    Precision 0: more finds no fewer alarms, and 3 was not seen to end.
    """
    (folder / "eva_open.c").write_text(EVA)
    flags = ["-eva", "-eva-precision", "0", "-machdep", "x86_64", "-cpp-extra-args=-I. -DSIZE=" + str(size)]
    done = subprocess.run(
        ["frama-c", *flags, "eva_open.c", "prewarp_open.c"],
        cwd=folder, capture_output=True, text=True, check=True, timeout=600,
        env={**os.environ, "PWD": str(folder)},  # Frama-C goes by it
    )  # fmt: skip
    alarms = re.findall(r"\[eva:alarm\] (prewarp_\w+\.[ch]):(\d+): Warning:\s+(.+)", done.stdout)
    places = Counter()
    for name, line, _ in alarms:
        places[name, function_at((folder / name).read_text(), int(line))] += 1
    for (name, function), count in sorted(places.items()):
        argument = DISCHARGED.get((name, function), "NOT DISCHARGED")
        print(f"Eva: {count} in {function} ({name}): {argument}")
    summary = re.search(r"(\d+) alarms? generated", done.stdout)
    print("Eva: " + (summary[0] if summary else "no alarm"))
    return [f"Eva: {name}, {function}" for name, function in places if (name, function) not in DISCHARGED]


def main() -> None:
    """Run all; end with 1 where something is found."""
    with tempfile.TemporaryDirectory() as text:
        folder = Path(text)
        write_c_sources(folder)
        found = analyser(folder) + cppcheck(folder) + integers(folder)
        if "--no-eva" not in sys.argv:
            found += eva(folder)
    print("\n".join(found) or "nothing found")
    sys.exit(1 if found else 0)


if __name__ == "__main__":
    main()
