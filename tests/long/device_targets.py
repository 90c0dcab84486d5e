"""The C evaluator on every machine: bits, instructions, stack, bytes of code. Long form of `tests/target`.

    python -m tests.long.device_targets [BLOB ...]

BLOB: `lookup/lookup.prewarp` of a package, for instructions and stack. Needs Debian's cross compilers
(`gcc-aarch64-linux-gnu`, `gcc-arm-linux-gnueabihf`, `gcc-riscv64-linux-gnu`, `gcc-s390x-linux-gnu`,
`gcc-i686-linux-gnu` with their libc6-dev-*-cross, `gcc-arm-none-eabi`, `libnewlib-arm-none-eabi`),
`qemu-user`, `qemu-system-arm`, and rustc. Last figures: DEVELOPERS.md.
"""

import shutil
import struct
import subprocess
import sys
import tempfile
from pathlib import Path

from prewarp.export.c_sources import SOURCES, write_c_sources
from tests.lookup.small_lookups import small_blobs
from tests.target.targets import (
    CORTEX,
    FLAGS,
    HERE,
    HOST,
    LINUX,
    Target,
    answers,
    compile_program,
    run_program,
    write_blob,
)

BEFORE = ("prewarp_open", "prewarp_find_map", "prewarp_base_of", "prewarp_coefficient_count")
FEATURES = {
    "open": (),
    "mesh": ("prepare", "meshes", "meshes_work_count"),
    "points": ("prepare", "direction_from_panel", "panel_from_direction"),
    "light": ("prepare", "prepare_light", "weights", "gain"),
    "all": (
        *("prepare", "meshes", "meshes_work_count", "direction_from_panel", "panel_from_direction"),
        *("prepare_light", "weights", "gain", "turn_mesh"),
    ),
}


def same_bits(folder: Path) -> None:
    """Print how many lines of answers agree with this machine's."""
    for name, blob in small_blobs().items():
        want = answers(HOST, folder / "here", blob)
        for target in (*LINUX[1:], *CORTEX):
            if not target.is_here():
                print(f"{name}: {target.name}: NOT RUN, {target.compiler} or its runner is missing")
                continue
            got = answers(target, folder / "there", blob)
            same = sum(a == b for a, b in zip(want, got, strict=True))
            print(f"{name}: {target.name}: {same} of {len(want)} lines the same")


def code_bytes(target: Target, folder: Path, names: tuple[str, ...]) -> str:
    """Return the bytes of flash of these functions and all that they call; memory of the C library."""
    cpu = [option for option in target.options if option.startswith("-m") and option != "-mthumb"]
    command = [target.compiler, *FLAGS, *cpu, "-mthumb", "-Os", "-ffunction-sections", "-fdata-sections"]
    command += [
        "-fno-math-errno",
        "-nostartfiles",
        "-Wl,--gc-sections",
        "-Wl,-e,prewarp_open",
        "-o",
        "linked",
    ]
    command += [f"-Wl,-u,{name}" for name in names]
    subprocess.run([*command, *SOURCES, "-lm"], cwd=folder, check=True, timeout=300)
    told = subprocess.run(
        ["arm-none-eabi-size", "linked"], cwd=folder, check=True, capture_output=True, text=True, timeout=60
    )
    text, data, bss = map(int, told.stdout.splitlines()[1].split()[:3])
    return f"{text}" if data + bss == 0 else f"{text} (+ {data + bss} of memory)"


def sizes(folder: Path) -> None:
    """Print bytes of code by feature, path and core."""
    write_c_sources(folder)
    for target in CORTEX:
        for path in ("prewarp_", "prewarp_fixed_"):
            row = []
            for feature, names in FEATURES.items():
                own = tuple(path + name for name in names)
                row.append(f"{feature} {code_bytes(target, folder, BEFORE + own)}")
            print(f"{target.name}, {path}*: " + ", ".join(row))


def counts(folder: Path, path: Path) -> None:
    """Print instructions and bytes of stack of every step for one blob."""
    for target in CORTEX:
        for extra in ((), ("-DCOUNT_INTEGER",)):
            source = write_blob(folder, path.read_bytes())
            program = compile_program(target, folder, HERE / "counts.c", extra=extra, sources=(source,))
            print(
                f"{path.name}, {target.name}, {'integer' if extra else 'float'} path (instructions, stack):"
            )
            print(run_program(target, program))


def rust(folder: Path) -> None:
    """Link the evaluator to Rust, by rustc alone, and hold one mesh against C's bits."""
    if shutil.which("rustc") is None:
        print("Rust: NOT RUN, rustc is missing")
        return
    write_c_sources(folder)
    blob = small_blobs()["chebyshev"]
    source = write_blob(folder, blob)
    subprocess.run(["gcc", *FLAGS, "-O2", "-c", *SOURCES, str(source)], cwd=folder, check=True, timeout=300)
    objects = [f"-Clink-arg={path}" for path in sorted(folder.glob("*.o"))]
    command = [
        "rustc",
        "-O",
        "-D",
        "warnings",
        *objects,
        "-Clink-arg=-lm",
        str(HERE / "link.rs"),
        "-o",
        "link_rust",
    ]
    subprocess.run(command, cwd=folder, check=True, timeout=300)
    told = subprocess.run(["./link_rust"], cwd=folder, check=True, capture_output=True, text=True, timeout=60)
    name, *bits = told.stdout.split()
    subprocess.run(
        [
            "g++",
            "-std=c++17",
            "-I",
            ".",
            str(HERE / "link.cpp"),
            *map(str, sorted(folder.glob("*.o"))),
            "-o",
            "link",
        ],
        cwd=folder,
        check=True,
        timeout=300,
    )
    other = subprocess.run(["./link"], cwd=folder, check=True, capture_output=True, text=True, timeout=60)
    numbers = [struct.pack("<f", float(text)) for text in other.stdout.split()[1:]]
    same = [struct.pack("<I", int(text, 16)) for text in bits] == numbers
    print(f"Rust: channel {name}, {len(bits)} numbers, {'the same' if same else 'OTHER'} bits as C++")


def main() -> None:
    """Print all of it."""
    with tempfile.TemporaryDirectory() as text:
        folder = Path(text)
        for name in ("rust", "sizes", "counts"):
            (folder / name).mkdir()
        rust(folder / "rust")
        sizes(folder / "sizes")
        for name in sys.argv[1:]:
            counts(folder / "counts", Path(name))
        same_bits(folder)


if __name__ == "__main__":
    main()
