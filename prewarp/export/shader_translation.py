"""HLSL and MSL, marked as translated: from the Vulkan text by glslangValidator and spirv-cross."""

import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

from prewarp.errors import ShaderError
from prewarp.export.package_file import PackageFile
from prewarp.export.shader_files import KIND
from prewarp.export.shader_text import VULKAN

TOOLS = ("glslangValidator", "spirv-cross")
# Vulkan's clip space has y down, those of Direct3D and Metal have it up.
TARGETS = {
    "hlsl": (("--hlsl", "--shader-model", "50"), ".hlsl"),
    "msl": (("--msl",), ".metal"),
}
_SECONDS = 60
_STAGES = {"vertex": "vert", "fragment": "frag", "compute": "comp"}
_HEAD = """\
// TRANSLATED by spirv-cross from {source}; that text is valid SPIR-V, this one has not been run.
// Bindings keep their numbers. Row 0 of the target is the panel's top row.
"""


def missing_tools() -> tuple[str, ...]:
    """Return which of the two programs are not installed."""
    return tuple(tool for tool in TOOLS if shutil.which(tool) is None)


def translated_files(file: PackageFile, /) -> Iterator[PackageFile]:
    """Yield the translations of one Vulkan stage.

    Raises
    ------
    ShaderError
        A program refuses the text; its message is kept.
    """
    if file.kind != KIND or file.details["dialect"] != VULKAN:
        return
    stage = str(file.details["stage"])
    with tempfile.TemporaryDirectory(prefix="prewarp-") as folder:
        source, binary = Path(folder) / f"stage.{_STAGES[stage]}", Path(folder) / "stage.spv"
        source.write_bytes(file.data)
        _run(["glslangValidator", "-V", "-o", str(binary), str(source)], file.path)
        for dialect, (options, ending) in TARGETS.items():
            flip = ("--flip-vert-y",) if stage == "vertex" else ()
            text = _run(["spirv-cross", str(binary), *options, *flip], file.path)
            name = Path(file.path).name
            yield PackageFile(
                f"shaders/{dialect}/{name}{ending}",
                (_HEAD.format(source=file.path) + text).encode(),
                KIND,
                f"{file.what.rpartition(',')[0]}, {dialect}, translated",
                (),
                {**file.details, "dialect": dialect, "translated_from": file.path},
            )


def _run(command: list[str], what: str) -> str:
    done = subprocess.run(command, capture_output=True, text=True, timeout=_SECONDS, check=False)
    if done.returncode != 0:
        raise ShaderError(f"{what}: {command[0]} refuses it: {(done.stderr or done.stdout).strip()[:1000]}")
    return done.stdout
