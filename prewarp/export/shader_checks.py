"""Checks of exported shaders: constants as in the manifest, text that compiles, blocks held to the truth."""

import re
import shutil
import subprocess
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from prewarp.export.ktx2 import texture_from_ktx2
from prewarp.export.package_file import JsonObject
from prewarp.export.package_reading import Package
from prewarp.export.polynomial_block import KIND as BLOCK
from prewarp.export.polynomial_block import block_directions, block_from_bytes
from prewarp.export.reached import Reached
from prewarp.export.shader_files import KIND
from prewarp.export.shader_text import COMPUTE_HEADS, HEADS, VULKAN
from prewarp.export.shader_textures import KIND as SHADER_TEXTURE
from prewarp.export.shader_textures import PLANES
from prewarp.export.texture_table import KIND as TABLE
from prewarp.export.truth import Truth
from prewarp.render.pictures import field_colours

_CONSTANT = re.compile(r"^const (float|vec2|vec3|mat3) (\w+) = (?:\w+\()?([^()]*?)\)?;", re.MULTILINE)
_STAGES = {"vertex": "vert", "fragment": "frag", "compute": "comp"}
_SECONDS = 60
# Texts as they are made here; others are translated from them.
_OWN = {*HEADS, *COMPUTE_HEADS}
# A 24-bit significand, as the text is read back.
SAME_FLOAT = 6e-8


def constants_in(text: str, /) -> dict[str, list[float]]:
    """Return the constants that a shader's text declares."""
    return {found[2]: [float(one) for one in found[3].split(",")] for found in _CONSTANT.finditer(text)}


def constant_faults(package: Package, /) -> list[str]:
    """Return where constants differ between text, manifest and the tables that they belong to."""
    faults = []
    tables = [one["details"] for one in package.entries(TABLE)]
    for entry in package.entries(KIND):
        own = entry["details"]
        claimed = {one["name"]: one["values"] for one in own["constants"]}
        if own["dialect"] in _OWN:
            found = constants_in(package.data(entry).decode("utf-8"))
            if found.keys() != claimed.keys() or any(not _same(found[n], claimed[n]) for n in found):
                faults.append(f"{entry['path']}: constants are not those of the manifest")
        if own["channel"] is not None:
            for name, value in _facts(package, own["channel"], tables).items():
                if name in claimed and not _same(claimed[name], value):
                    faults.append(f"{entry['path']}: {name} is not that of the tables")
    return faults


def compile_faults(package: Package, /) -> tuple[list[str], str]:
    """Return what the reference compiler (and SPIR-V's validator) refuse, and a note on what was done."""
    compiler, validator = _tool("glslangValidator"), _tool("spirv-val")
    if compiler is None:
        return [], "not compiled: no glslangValidator here"
    entries = [one for one in package.entries(KIND) if one["details"]["dialect"] in _OWN]
    faults: list[str] = []
    with tempfile.TemporaryDirectory(prefix="prewarp-") as folder:
        plain = {}
        for place, entry in enumerate(entries):
            own = entry["details"]
            path = Path(folder) / f"stage{place}.{_STAGES[own['stage']]}"
            path.write_bytes(package.data(entry))
            if own["dialect"] != VULKAN:
                plain[path] = entry
                continue
            binary = path.with_suffix(".spv")
            message = _refused([compiler, "-V", "-o", str(binary), str(path)])
            if not message and validator:
                message = _refused([validator, "--target-env", "vulkan1.0", str(binary)])
            if message:
                faults.append(f"{entry['path']}: {message[:300]}")
        # One process for all of them; its message names the file.
        message = _refused([compiler, *map(str, plain)]) if plain else ""
        wrong = [path for path in plain if f"{path}\nERROR" in message]
        faults += [f"{plain[one]['path']}: {message.partition(str(one))[2].strip()[:300]}" for one in wrong]
        if message and not wrong:
            faults.append(message[:300])
    return faults, f"{len(entries)} stages" + ("" if validator else "; no spirv-val here")


def texture_faults(package: Package, /) -> Iterator[str]:
    """Yield shader textures that cannot be read or have another shape than the manifest says."""
    for entry in package.entries(SHADER_TEXTURE):
        found = texture_from_ktx2(package.data(entry), where=entry["path"])
        if list(found.texels.shape) != entry["arrays"][0]["shape"] or not np.isfinite(found.values()).all():
            yield f"{entry['path']}: texels of shape {found.texels.shape}, or not finite"


def blocks_reached(package: Package, truth: Truth, /) -> Iterator[Reached]:
    """Hold the coefficient blocks, summed as the shader sums them, to the truth."""
    for entry in package.entries(BLOCK):
        own = entry["details"]
        size = package.panel_size_px(own["channel"])
        yield from one_block_reached(package.data(entry), own, size, truth, where=entry["path"])


def one_block_reached(
    data: bytes, details: Mapping[str, Any], panel_size_px: tuple[int, int], truth: Truth, /, *, where: str
) -> Iterator[Reached]:
    """Hold one block, with what the manifest says of it, to the truth for its mesh pupil."""
    channel, block = details["channel"], block_from_bytes(data, int(details["degree"]), where=where)
    directions = block_directions(block, panel_size_px, truth.pixel[channel])
    for colour, tangent in zip(details["planes"], directions, strict=True):
        px = truth.px_error(channel, colour, tangent, details["pupil"]).max()
        yield Reached(BLOCK, channel, colour, float(px))


def _facts(package: Package, channel: str, tables: list[JsonObject]) -> dict[str, list[float]]:
    described = package.manifest["channels"][package.channels.index(channel)]
    content = package.content
    facts = {
        "u_panel_px": list(described["panel_size_px"]),
        "u_content_middle": [size / 2 for size in content.size_px],
        "u_content_scale": [content.focal_px, -content.focal_px],
        "u_content_px": list(content.size_px),
        "u_edge_deg": [package.manifest["blend"]["edge_deg"]],
        "u_largest_code": [float(2 ** int(described["bit_depth"]) - 1)],
        "u_mixing": list(np.ravel(described["drive_from_content"])),
    }
    if described["gamma"] is not None:
        facts["u_gamma"] = [described["gamma"]]
    if described.get("scan") is not None:
        facts["u_lit_s"] = list(described["scan"]["lit_s"])
        facts["u_weights_for_s"] = [described["scan"]["weights_for_s"] or 0.0]
    for plane, colour in zip(PLANES, field_colours(package.colours), strict=True):
        for table in tables:
            if (table["channel"], table["color"]) == (channel, colour):
                facts[f"u_affine_{plane}"] = list(np.ravel(table["affine"]))
                facts[f"u_scale_{plane}"] = list(table["scale"])
                facts["u_nodes_per_px"] = [1.0 / step for step in table["step_px"]]
    return facts


def _same(one: list[float], other: list[float]) -> bool:
    a, b = np.asarray(one, dtype=float), np.asarray(other, dtype=float)
    return a.shape == b.shape and bool(np.all(np.abs(a - b) <= SAME_FLOAT * np.abs(b) + 1e-12))


def _tool(name: str) -> str | None:
    return shutil.which(name)


def _refused(command: list[str]) -> str:
    done = subprocess.run(command, capture_output=True, text=True, timeout=_SECONDS, check=False)
    return "" if done.returncode == 0 else (done.stdout + done.stderr).strip() or "refused"
