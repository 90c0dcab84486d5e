"""Machines that the C evaluator is compiled for and run on: Debian's cross compilers, and QEMU."""

import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

from prewarp.export.c_sources import SOURCES, write_c_sources

HERE = Path(__file__).parent
# As the guide of a package says.
FLAGS = ("-std=c99", "-ffp-contract=off", "-Wall", "-Wextra", "-Werror", "-pedantic")
SECONDS = 300


@dataclass(frozen=True)
class Target:
    """A compiler with its options, and the program that runs what it makes (none: this machine itself)."""

    name: str
    compiler: str
    options: tuple[str, ...] = ("-O2", "-static")
    runner: tuple[str, ...] = ()

    def is_here(self) -> bool:
        """Return whether compiler and runner are installed."""
        return all(shutil.which(one) for one in (self.compiler, *self.runner[:1]))


HOST = Target("x86-64", "gcc", ("-O2",))
LINUX = (
    HOST,
    Target("x86-64, -O3 -march=native", "gcc", ("-O3", "-march=native")),
    Target("i386, SSE2", "i686-linux-gnu-gcc", ("-O2", "-static", "-msse2", "-mfpmath=sse"), ("qemu-i386",)),
    Target("aarch64", "aarch64-linux-gnu-gcc", runner=("qemu-aarch64",)),
    Target("armv7", "arm-linux-gnueabihf-gcc", runner=("qemu-arm",)),
    Target("riscv64", "riscv64-linux-gnu-gcc", runner=("qemu-riscv64",)),
    Target(
        "s390x, big-endian",
        "s390x-linux-gnu-gcc",
        ("-O2", "-static", "-fexcess-precision=fast"),
        ("qemu-s390x",),
    ),
)
S390X = LINUX[-1]

BARE = ("-Os", "-mthumb", "-ffunction-sections", "-fdata-sections", "-Wl,--gc-sections", "-nostartfiles")
BARE += ("--specs=rdimon.specs", "-T", str(HERE / "cortex_m.ld"), str(HERE / "cortex_m.c"))


def _bare(name: str, board: str, *options: str) -> Target:
    runner = ("qemu-system-arm", "-M", board, "-nographic", "-monitor", "none", "-serial", "none")
    runner += ("-icount", "shift=0", "-semihosting-config", "enable=on,target=native", "-kernel")
    return Target(name, "arm-none-eabi-gcc", (*options, *BARE), runner)


M4F = _bare("Cortex-M4F", "mps2-an386", "-mcpu=cortex-m4", "-mfloat-abi=hard", "-mfpu=fpv4-sp-d16")
M7 = _bare("Cortex-M7", "mps2-an500", "-mcpu=cortex-m7", "-mfloat-abi=hard", "-mfpu=fpv5-sp-d16")
M0 = _bare("Cortex-M0+ code on an M3", "mps2-an385", "-mcpu=cortex-m0plus")
CORTEX = (M4F, M7, M0)


def write_blob(folder: Path, blob: bytes, /) -> Path:
    """Write a blob as C source, aligned as firmware would; return its path."""
    numbers = ",".join(map(str, blob))
    path = folder / "blob.c"
    path.write_text(
        f"const unsigned char blob[{len(blob)}] = {{{numbers}}};\nconst unsigned blob_size = {len(blob)};\n"
    )
    return path


def compile_program(
    target: Target, folder: Path, program: Path, /, *, extra: tuple[str, ...] = (), sources: tuple[Path, ...]
) -> Path:
    """Compile some sources with the evaluator's; return the executable."""
    folder.mkdir(parents=True, exist_ok=True)
    write_c_sources(folder)
    files = [*(str(folder / name) for name in SOURCES), *map(str, sources), str(program)]
    executable = folder / "program"
    command = [target.compiler, *FLAGS, *target.options, *extra, "-I", str(folder), "-o", str(executable)]
    done = subprocess.run(
        [*command, *files, "-lm"], capture_output=True, text=True, timeout=SECONDS, check=False
    )
    if done.returncode != 0:
        raise AssertionError(f"{target.name}: {done.stderr[-3000:]}")
    return executable


def run_program(target: Target, executable: Path, /) -> str:
    """Return what the program prints."""
    done = subprocess.run(
        [*target.runner, str(executable)], capture_output=True, text=True, timeout=SECONDS, check=False
    )
    if done.returncode != 0:
        raise AssertionError(
            f"{target.name} ended with {done.returncode}: {done.stdout[-500:]}{done.stderr[-2000:]}"
        )
    return done.stdout


def answers(target: Target, folder: Path, blob: bytes, /) -> list[str]:
    """Return the lines of `answers.c` for a blob on a target."""
    folder.mkdir(parents=True, exist_ok=True)
    source = write_blob(folder, blob)
    return run_program(
        target, compile_program(target, folder, HERE / "answers.c", sources=(source,))
    ).splitlines()
