"""Static proof of the C evaluator by Frama-C's Eva: no undefined behaviour at stated sizes.

    python -m tests.long.c_eva [CASE ...]

Needs Debian's `frama-c-base`. `open` takes 4,096 bytes, all arbitrary. The other cases begin with what
`prewarp_open` promises (tests/fuzz/promises.h; fuzz runs hold every accepted blob to the same text): a blob
of one shape (CASES), all other bytes arbitrary, and any numbers from the caller, NaN and infinities too
(eva_parts.c). Memory has its exact size. What Eva is told beside that is TOLD, each with its reason. Each
alarm must have an argument here; ends with 1 where one has none.

Last run, alarms, each with an argument, and seconds of processor time on a busy machine: open 19, 1 s;
Chebyshev of degree 0, 5, a strip, 9: none on the float path (4, 19, 16, 15 s), 10, 10, 5, 8 on the integer
path (4, 9, 5, 6 s); splines of 8, 12, 16 bits: 1 (4 s), 13 (5 s) each; light over splines 6, 30 (11, 5 s),
over Chebyshev maps 5, 28 (12, 5 s); turns none (2, 58 s). Some 210 s in all.
"""

import os
import re
import resource
import subprocess
import sys
import tempfile
from collections import defaultdict
from pathlib import Path

from prewarp.export.c_sources import write_c_sources

HERE = Path(__file__).parent
OPEN = """\
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
FLOAT = (
    "prewarp_float.c",
    "prewarp_mesh.c",
    "prewarp_chebyshev.c",
    "prewarp_lines.c",
    "prewarp_light.c",
    "prewarp_claims.c",
    "prewarp_turn.c",
)
INTEGER = (
    "prewarp_fixed.c",
    "prewarp_fixed_mesh.c",
    "prewarp_fixed_light.c",
    "prewarp_fixed_turn.c",
    "prewarp_light.c",
)
# Loops are followed step by step; arrays number by number; splits outlive the function that makes them.
PRECISE = (
    "-eva-auto-loop-unroll",
    "2000",
    "-eva-min-loop-unroll",
    "200",
    "-eva-plevel",
    "20000",
    "-eva-alloc-builtin",
    "fresh",
    "-eva-interprocedural-splits",
    "-eva-no-alloc-returns-null",
)
# Alarms in these belong to the callers.
INLINED = ("-inline-calls", "product,within")
# For code that says no by what it returns.
RETURNS = (
    "-eva-domains",
    "equality,symbolic-locations",
    "-eva-split-return",
    "full",
    "-eva-slevel",
    "100",
    "-eva-equality-through-calls",
    "all",
)
# What Eva is told beside the code: file, part of a line, where it is said, and what. `admit` is assumed,
# `split` looks at each value by itself.
TOLD = (
    # chebyshev_is_good has walked over the same codes and refused these.
    ("bits.h", "row.choice = both >>", "after", "admit row.top < MAP_COLUMNS && row.choice <= 2;"),
    # It has refused codes beyond the zeros at the end, and every call takes a bit at least.
    ("bits.h", "const uint32_t four", "before", "admit from->place < (MAP_BYTES - 7) * 8;"),
    ("float.c", "char *bytes = bits->bytes", "before", "admit bits->place < (MAP_BYTES - 7) * 8;"),
    # Where lent memory begins, cases say.
    ("chebyshev.c", "uintptr_t beyond =", "after", "admit beyond == BEYOND;"),
    # One state for each number of terms that are not zero.
    ("chebyshev.c", "lines.terms = filled", "after", "split lines.terms;"),
    ("chebyshev.c", "lines[0] = lines_of(", "after", "split lines[0].terms;"),
    ("chebyshev.c", "lines[found] = lines_of(", "after", "split lines[1].terms;"),
    ("chebyshev.c", "place = prewarp_term_place(map->columns - 1u, 0, j);", "after", "split count;"),
    ("chebyshev.c", "prewarp_line_of(in_s", "after", "merge count;"),
    # One for each vertex that may come first.
    ("light.c", "rolled(vertices, count, first);", "before", "split first;"),
    ("fixed_light.c", "reversed(vertices, first);", "before", "split first;"),
    # Eva does not see through the exchange of the sign bit: the quotient of whole numbers, give or take one.
    (
        "fixed.h",
        "return (int64_t)((((uint64_t)value ^ sign)",
        "of the result",
        "admit value / (1 << shift) - 1 <= result <= value / (1 << shift) + 1;",
    ),
)

CHEBYSHEV = {"MAP_FAMILY": 1, "MAP_COLUMNS": 6, "MAP_ROWS": 6, "MAP_PUPIL_DEGREE": 2, "MAP_BYTES": 400}
SPLINE = {
    "MAP_FAMILY": 2,
    "MAP_COLUMNS": 6,
    "MAP_ROWS": 7,
    "MAP_PUPIL_DEGREE": 2,
    "MAP_MODES": 2,
    "FORMAT": 12,
}
PLAIN = {
    "CHANNELS": 1,
    "COLOURS": 2,
    "MAP_BASED": 1,
    "BEYOND": 0,
    "MAP_MODES": 0,
    "MAP_BYTES": 8,
    "FORMAT": 8,
    "BORDERS": 0,
    "BORDER_POINTS": 0,
    "BORDER_REGIONS": 0,
    "REGION_DEGREE": 0,
    "REGION_PUPIL_DEGREE": 0,
    "GAINS": 0,
    "GAIN_DEGREE": 0,
    "GAIN_PUPIL_DEGREE": 0,
    "CLAIMS": 0,
    "CLAIM_COLUMNS": 4,
    "CLAIM_ROWS": 4,
}
LIT = {
    "CHANNELS": 2,
    "COLOURS": 1,
    "MAP_BASED": 0,
    "BORDERS": 2,
    "BORDER_POINTS": 4,
    "BORDER_REGIONS": 2,
    "REGION_DEGREE": 3,
    "REGION_PUPIL_DEGREE": 1,
    "GAINS": 2,
    "GAIN_DEGREE": 3,
    "GAIN_PUPIL_DEGREE": 2,
    "CLAIMS": 1,
    "CLAIM_COLUMNS": 4,
    "CLAIM_ROWS": 5,
    "LIGHT": 1,
}


def mesh(columns, rows, first=0, count=None):
    """Return the choice of a mesh, or of a strip of one."""
    return {"NODE_COLUMNS": columns, "NODE_ROWS": rows, "FIRST_ROW": first, "STRIP_ROWS": count or rows}


CASES = {
    "chebyshev-0": {**CHEBYSHEV, "MAP_COLUMNS": 1, "MAP_ROWS": 1, "POINTS": 1, **mesh(2, 2)},
    "chebyshev-5": {**CHEBYSHEV, "POINTS": 1, **mesh(5, 4)},
    "chebyshev-5-strip": {**CHEBYSHEV, **mesh(4, 4, 1, 2), "BEYOND": 4},
    "chebyshev-9": {
        **CHEBYSHEV,
        "MAP_COLUMNS": 10,
        "MAP_ROWS": 10,
        "MAP_PUPIL_DEGREE": 1,
        "MAP_BASED": 0,
        "COLOURS": 1,
        "POINTS": 1,
        **mesh(3, 3),
        "BEYOND": 28,
    },
    "spline-8": {**SPLINE, "FORMAT": 8, "POINTS": 1, **mesh(5, 4)},
    "spline-12": {**SPLINE, "POINTS": 1, **mesh(4, 4, 1, 2)},
    "spline-16": {**SPLINE, "FORMAT": 16, "POINTS": 1, **mesh(2, 3)},
    "light": {**SPLINE, "MAP_PUPIL_DEGREE": 0, "MAP_MODES": 1, **LIT},
    "light-chebyshev": {**CHEBYSHEV, "MAP_COLUMNS": 3, "MAP_ROWS": 3, "MAP_PUPIL_DEGREE": 1, **LIT},
    "turn": {**SPLINE, "TURNS": 1},
}

_SECTION = "find_sections has refused a blob of which offset + size of any section exceeds its size"
_RECORD = "record_count has refused counts of records that their section does not hold; " + _SECTION
_BLOCK = "check_blocks has refused blocks whose offset + size exceed the section of data; " + _SECTION
_NAN = (
    "no NaN is above or below a number (C99, F.8.3), so it took the other branch and what is left is finite; "
    "Eva keeps NaN on both"
)
_EACH = "beside_border writes each k before it is raised, and ends where k is AT_ONCE: all are written"
_PANEL = "is_picture has asked for 16 px at least; the two bytes by themselves may also be 0"
# Alarms of opening, or of the parts, by file and function, each with its argument.
DISCHARGED = {
    ("open", "prewarp_open.c", "crc_32"): _SECTION,
    (
        "open",
        "prewarp_open.c",
        "all_zero",
    ): "bytes between sections: offset <= lookup->size was asked just before; or of a name, " + _RECORD,
    ("open", "prewarp_open.c", "character_bytes"): _RECORD,
    ("open", "prewarp_open.c", "names_are_good"): _RECORD,
    (
        "open",
        "prewarp_open.c",
        "memcmp",
    ): "the first eight bytes: a header's size was asked just before; or names, " + _RECORD,
    ("open", "prewarp_bytes.h", "prewarp_u16"): _RECORD + "; or a number of a block: " + _BLOCK,
    ("open", "prewarp_bytes.h", "prewarp_i12"): _BLOCK,
    ("open", "prewarp_bytes.h", "prewarp_code"): _BLOCK,
    ("open", "prewarp_bytes.h", "memcpy"): "the byte of prewarp_i8: " + _BLOCK,
    (
        "open",
        "prewarp_bits.h",
        "prewarp_take",
    ): "a width below 32: chebyshev_is_good asked for less than 8 just before",
    # Conversions of floats that may be NaN.
    ("parts", "prewarp_float.h", "spline_weights"): "held is `place` only where it is above 0: " + _NAN,
    ("parts", "prewarp_claims.c", "claims_of_one"): "place_on gives 0 for what is not above 0: " + _NAN,
    ("parts", "prewarp_claims.c", "splines"): "place_on gives 0 for what is not above 0: " + _NAN,
    # Steps of a loop that begin where the step before ended.
    ("parts", "prewarp_light.c", "beside_border"): _EACH,
    ("parts", "prewarp_light.c", "depths_of_many"): _EACH,
    ("parts", "prewarp_light.c", "exponential"): "bounded() gives -limit for NaN: " + _NAN,
    # Whole numbers whose bounds hang together.
    ("parts", "prewarp_fixed.c", "on_panel_axis"): _PANEL,
    ("parts", "prewarp_fixed_light.c", "on_axis"): _PANEL,
    ("parts", "prewarp_fixed.h", "scaled"): "|value| <= 2^62 >> up was asked just before",
    (
        "parts",
        "prewarp_fixed.h",
        "chebyshev",
    ): "|x| is at most 7 x 2^28 (clamped_to in reference, on_axis and on_panel_axis, FARTHEST and a half in "
    "Newton's steps), |T| at most 2^31: the product stays below 2^62",
    (
        "parts",
        "prewarp_fixed.h",
        "weighted",
    ): "weights of t from -1 to 2, to which it was cut: their sizes add up to 3 x 2^28, times 2^31",
    (
        "parts",
        "prewarp_fixed.h",
        "spline_weights",
    ): "t was cut to -1 to 2, s = 1 - t is in the same range: cubes are at most 8 x 2^28",
    ("parts", "prewarp_fixed.h", "plane_of"): "product of the series and a square, both at most 2^28",
    (
        "parts",
        "prewarp_fixed.h",
        "exponential",
    ): "part is at most 2^27 either way, since whole is the nearest number; value is below 2^29",
    (
        "parts",
        "prewarp_fixed.c",
        "add_modes",
    ): "modes_are_good has refused weights above 1000, |T| is at most 1: 165 terms of 2^38 each",
    (
        "parts",
        "prewarp_fixed.c",
        "step_of",
    ): "`below` is no 0 (the caller asked) and above 2^39 where the first loop halved it. |above / below| < "
    "2^shift after the check, shift at most 7, so |above| < 2^47 + 2^40 and the second loop halves both at "
    "most eight times: it ends with |above| >= 2^39, so |below| >= 2^31. The last product is below "
    "2^(shift + 1) x 2^(28 - shift)",
    (
        "parts",
        "prewarp_fixed_mesh.c",
        "sum_of",
    ): "lines_of has written counts[j] factors; it reads (counts[j] + 1) / 2 even ones and counts[j] / 2 "
    "odd ones, the last at counts[j] - 1; sums are at most 41 x 2^31 x 2^26 (|T| at most 1), below 2^63",
    (
        "parts",
        "prewarp_fixed_light.c",
        "claims_at",
    ): "a plane is at most 2^29 (90 degrees), an origin 180 degrees, a place 2^31: times 2^28 below 2^63. "
    "Weights of t from 0 to 1 add up to 2^28: a line is at most 2^43, rounded 2^31, the total 2^59",
    ("parts", "prewarp_fixed_light.c", "cubic_weights"): "t is from 0 to 1: the place was cut to the lattice",
    (
        "parts",
        "prewarp_fixed_light.c",
        "plane_of",
    ): "two squares of 2^31 are 2 x 2^34; a root of at most 2^64 is below 2^32, so sides are 2 x 2^28 to "
    "2^32.1, the product of both below 2^64 and, shifted, no 0. Halved once, `square` is at most 2^28. The "
    "series is at most 2^28, its product with 2^30 below 2^58, over lengths of at least 2^30 at most 2^28",
}
# What Frama-C adds to names that several files have.
NUMBERED = re.compile(r"(?<!crc)_\d+$")


def data_bytes(shape):
    """Return the bytes of all blocks of a shape, each to the next multiple of four."""
    graded = lambda degree: (degree + 1) * (degree + 2) // 2  # noqa: E731
    functions = graded(shape["MAP_PUPIL_DEGREE"]) * (shape["MAP_PUPIL_DEGREE"] + 3) // 3
    if shape["MAP_FAMILY"] == 1:
        own = [shape["MAP_BYTES"]]
    else:
        numbers = shape["MAP_COLUMNS"] * shape["MAP_ROWS"] * 2
        own = [4 * shape["MAP_MODES"] * functions] + [(numbers * shape["FORMAT"] + 7) // 8] * shape[
            "MAP_MODES"
        ]
    degree, most = shape["REGION_DEGREE"], shape["REGION_PUPIL_DEGREE"]
    region = 2 * sum((one + 1) * graded(degree - one) for one in range(most + 1))
    sizes = own * shape["CHANNELS"] * shape["COLOURS"]
    sizes += [2 * shape["CHANNELS"] * shape["CLAIM_COLUMNS"] * shape["CLAIM_ROWS"]] * shape["CLAIMS"]
    sizes += [4 * shape["BORDER_POINTS"]] * shape["BORDERS"]
    sizes += [region] * shape["BORDERS"] * shape["BORDER_REGIONS"]
    sizes += [2 * graded(shape["GAIN_DEGREE"]) * graded(shape["GAIN_PUPIL_DEGREE"])] * shape["GAINS"]
    return sum((size + 3) // 4 * 4 for size in sizes)


def told(folder: Path) -> None:
    """Write what Eva is told into the copies of the sources."""
    for name, part, where, said in TOLD:
        path = folder / f"prewarp_{name}"
        lines = path.read_text().splitlines()
        found = [number for number, line in enumerate(lines) if part in line]
        if len(found) != 1:
            raise SystemExit(f"{path.name}: what Eva is told has lost its place: {part}")
        line, note = lines[found[0]], f"//@ {said}"
        if where == "of the result":
            wanted = [line.replace("return", "int64_t result =", 1), note, "return result;"]
        else:
            wanted = [line, note] if where == "after" else [note, line]
        lines[found[0] : found[0] + 1] = wanted
        path.write_text("\n".join(lines) + "\n")


def alarms(folder: Path, sources: tuple[str, ...], options: tuple[str, ...], macros: dict[str, object]):
    """Return [(file, line, text)] of one run of Eva, and how long it took, seconds of processor time."""
    defined = " ".join(f"-D{name}={value}" for name, value in macros.items())
    command = [
        "frama-c",
        "-eva",
        "-eva-precision",
        "0",
        "-eva-msg-key=-initial-state",
        "-eva-print-callstacks",
        *options,
        "-warn-special-float",
        "none",
        "-machdep",
        "gcc_x86_64",
        f"-cpp-extra-args=-I. {defined}",
        *sources,
    ]
    before = resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime
    done = subprocess.run(
        command,
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=1800,
        env={**os.environ, "PWD": str(folder)},  # Frama-C goes by it
    )
    if done.returncode != 0 or "alarm" not in done.stdout:
        raise SystemExit(f"Frama-C ended with {done.returncode}: {done.stdout[-2000:]} {done.stderr[-2000:]}")
    found = re.findall(
        r"\[eva:alarm\] (\S+?):(\d+): Warning:\s+((?:(?!\n\[|\n  stack:).)*)\n  stack: (\w+)",
        done.stdout,
        re.DOTALL,
    )
    seconds = resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime - before
    return {(name, int(line), " ".join(text.split()), where) for name, line, text, where in found}, seconds


def run(case: str, path: str) -> list[str]:
    """Run one case on one path; print and return alarms that have no argument."""
    with tempfile.TemporaryDirectory() as text:
        folder = Path(text)
        write_c_sources(folder)
        if case == "open":
            (folder / "eva_open.c").write_text(OPEN)
            found, seconds = alarms(folder, ("eva_open.c", "prewarp_open.c"), (), {"SIZE": 4096})
        else:
            told(folder)
            for one in (HERE / "eva_parts.c", HERE.parent / "fuzz" / "promises.h"):
                (folder / one.name).write_text(one.read_text())
            shape = {**PLAIN, **CASES[case]}
            shape |= {"DATA_BYTES": data_bytes(shape), path: 1}
            shape["MAP_BLOCKS"] = 1 if shape["MAP_FAMILY"] == 1 else shape["MAP_MODES"] + 1
            options = (
                *PRECISE,
                *(INLINED if path == "INTEGER" else ()),
                *(RETURNS if "TURNS" in shape else ()),
            )
            sources = ("eva_parts.c", "prewarp_open.c", *(FLOAT if path == "FLOAT" else INTEGER))
            found, seconds = alarms(folder, sources, options, shape)
    # Where a function is inlined the alarm is its caller's.
    places = defaultdict(set)
    for name, line, said, where in sorted(found):
        places[name, NUMBERED.sub("", where)].add(f"{name}:{line}: {said[:300]}")
    kind = "open" if case == "open" else "parts"
    print(f"{case} {path.lower()}: {sum(map(len, places.values()))} alarms, {seconds:.0f} s", flush=True)
    missing = []
    for (name, function), texts in sorted(places.items()):
        argument = DISCHARGED.get((kind, name, function))
        print(f"  {len(texts)} in {function} ({name}): {argument or 'NOT DISCHARGED'}")
        if argument is None:
            missing.append(f"Eva, {case} {path.lower()}: {name}, {function}")
            print(*(f"    {text}" for text in sorted(texts)), sep="\n")
    return missing


def eva(*names: str) -> list[str]:
    """Return alarms without an argument, of all cases or those named."""
    missing = []
    for case in names or ("open", *CASES):
        for path in ("ANY",) if case == "open" else ("FLOAT", "INTEGER"):
            missing += run(case, path)
    return missing


if __name__ == "__main__":
    found = eva(*sys.argv[1:])
    print("\n".join(found) or "nothing found")
    sys.exit(1 if found else 0)
