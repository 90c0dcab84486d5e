"""Code in flash by feature, instructions and stack of every step, on a Cortex-M core: what GUIDE.md tells."""

import subprocess
from pathlib import Path

from prewarp.export.c_sources import SOURCES, write_c_sources
from tests.target.targets import FLAGS, HERE, SECONDS, Target, run_program, write_blob

# Square roots as one instruction, as the guide asks for.
PLAIN_ROOTS = "-fno-math-errno"
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
FLOAT, INTEGER = "prewarp_", "prewarp_fixed_"


class Compiled:
    """The evaluator compiled for a bare core, in a folder of its own."""

    def __init__(self, target: Target, folder: Path) -> None:
        self.target, self.folder = target, folder
        folder.mkdir(parents=True, exist_ok=True)
        write_c_sources(folder)
        core = [one for one in target.options if one.startswith(("-m", "-f", "-O"))]
        self._run(target.compiler, *FLAGS, *core, PLAIN_ROOTS, "-c", *SOURCES)
        self._core = core
        self._objects = [name.replace(".c", ".o") for name in SOURCES]

    def _run(self, *command: str) -> str:
        done = subprocess.run(
            command, cwd=self.folder, capture_output=True, text=True, timeout=SECONDS, check=False
        )
        assert done.returncode == 0, f"{self.target.name}: {done.stderr[-3000:]}"
        return done.stdout

    def code_bytes(self, path: str, feature: str, /) -> tuple[int, int]:
        """Return bytes of flash of the functions of a feature and all that they call; and of memory."""
        names = (*BEFORE, *(path + name for name in FEATURES[feature]))
        link = ["-nostartfiles", "-Wl,--gc-sections", "-Wl,-e,prewarp_open", "-o", "linked"]
        link += [f"-Wl,-u,{name}" for name in names]
        self._run(self.target.compiler, *self._core, *link, *self._objects, "-lm")
        text, data, bss = map(int, self._run("arm-none-eabi-size", "linked").splitlines()[1].split()[:3])
        return text, data + bss

    def counts(self, path: str, blob: bytes, /) -> dict[str, tuple[int, int]]:
        """Return instructions and bytes of stack of every step of `counts.c` with a blob; of `memory` the
        numbers lent for all maps and for three meshes.
        """
        integer = ["-DCOUNT_INTEGER"] * (path == INTEGER)
        sources = (str(HERE / "counts.c"), str(write_blob(self.folder, blob)))
        command = [self.target.compiler, *FLAGS, *self.target.options, PLAIN_ROOTS, *integer, "-I", "."]
        self._run(*command, "-o", "counted", *sources, *self._objects, "-lm")
        lines = (
            line.rsplit(" ", 2) for line in run_program(self.target, self.folder / "counted").splitlines()
        )
        return {what: (int(one), int(other)) for what, one, other in lines}
