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
from tests.target.measured import FEATURES, FLOAT, INTEGER, Compiled
from tests.target.targets import CORTEX, FLAGS, HERE, HOST, LINUX, answers, write_blob


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


def small_cores(folder: Path, paths: list[Path]) -> None:
    """Print bytes of code by feature, and instructions and stack of every step for some blobs."""
    for target in CORTEX:
        compiled = Compiled(target, folder / target.name.split()[0])
        for path in (FLOAT, INTEGER):
            row = []
            for feature in FEATURES:
                code, memory = compiled.code_bytes(path, feature)
                row.append(f"{feature} {code}" + f" (+ {memory} of memory)" * (memory > 0))
            print(f"{target.name}, {path}*: " + ", ".join(row))
            for blob in paths:
                print(f"{blob}, {target.name}, {path}* (instructions, stack):")
                for step, numbers in compiled.counts(path, blob.read_bytes()).items():
                    print(f"  {step}: {numbers[0]}, {numbers[1]}")


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
        (folder / "rust").mkdir()
        rust(folder / "rust")
        small_cores(folder, [Path(name) for name in sys.argv[1:]])
        same_bits(folder)


if __name__ == "__main__":
    main()
