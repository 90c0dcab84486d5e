"""Checks of what makes meshes on the GPU: textures are the blob's numbers, stages fit together, and what is
drawn keeps the truth."""

from collections.abc import Iterator

import numpy as np

from prewarp.export.gpu_files import PATH
from prewarp.export.gpu_nodes import nodes_reached
from prewarp.export.gpu_numbers import BORDERS, CLAIMS, GAINS, NUMBERS, gain_frames, gpu_plan, gpu_textures
from prewarp.export.ktx2 import texture_from_ktx2
from prewarp.export.package_file import JsonObject
from prewarp.export.package_reading import Package
from prewarp.export.reached import Reached
from prewarp.export.shader_files import KIND
from prewarp.export.shader_textures import KIND as TEXTURE
from prewarp.export.truth import Truth
from prewarp.lookup import Lookup
from prewarp.render.pictures import field_colours

_SAMPLERS = (NUMBERS, GAINS, CLAIMS, BORDERS)
_COUNTED = ("nodes.frag", "nodes.vert", "panel.comp")


def gpu_stages(package: Package, /) -> list[JsonObject]:
    """Return what the manifest says of the stages that make meshes on the GPU, and draw them."""
    return [one for one in package.entries(KIND) if one["details"]["path"] == PATH]


def number_faults(package: Package, lookup: Lookup, /) -> Iterator[str]:
    """Yield textures that are missing, or hold something else than the numbers of the lookup."""
    entries = {
        (one["details"]["channel"], one["details"]["sampler"]): one
        for one in package.entries(TEXTURE)
        if one["details"]["sampler"] in _SAMPLERS
    }
    planes = field_colours(package.colours)
    channels = next((tuple(one["details"]["channels"]) for one in entries.values()), tuple(package.channels))
    plan = gpu_plan(lookup, channels, planes)
    if isinstance(plan, str):
        yield f"the lookup allows no such meshes: {plan}"
        return
    expected = gpu_textures(lookup, channels, planes, plan)
    for key in expected.keys() ^ entries.keys():
        yield f"{key[1]} of {key[0] or 'the eye'}: {'missing' if key in expected else 'not expected'}"
    for key, values in expected.items():
        if key not in entries:
            continue
        entry = entries[key]
        found = texture_from_ktx2(package.data(entry), where=entry["path"]).texels
        if found.shape != values.shape or not np.array_equal(found, values):
            yield f"{entry['path']}: not the numbers of the lookup"


def stage_faults(package: Package, lookup: Lookup, /) -> Iterator[str]:
    """Yield stages whose numbers of nodes, eye box or frames of gains are not those of the rest."""
    facts = dict(zip(("u_box_low_mm", "u_box_high_mm"), np.asarray(lookup.pupil_box_mm), strict=True))
    planes = field_colours(package.colours)
    for entry in gpu_stages(package):
        own = entry["details"]
        if own["translated_from"] is not None:
            continue
        channel = own["channel"]
        frames = {} if channel is None else gain_frames(lookup, channel, planes)
        claimed = {one["name"]: one["values"] for one in own["constants"]}
        for name, value in {**facts, **frames}.items():
            if name in claimed and not np.array_equal(np.float32(claimed[name]), np.float32(value)):
                yield f"{entry['path']}: {name} is not that of the lookup"
        if own["step"] in _COUNTED:
            text = package.data(entry).decode("utf-8")
            counts = _counts(package, channel)
            lines = (f"#define PREWARP_COLUMNS {counts[0]}\n", f"#define PREWARP_ROWS {counts[1]}\n")
            if (own["columns"], own["rows"]) != counts or any(line not in text for line in lines):
                yield f"{entry['path']}: not for {counts[0]} x {counts[1]} nodes"


def meshes_reached(package: Package, lookup: Lookup, truth: Truth, /) -> Iterator[Reached]:
    """Hold the meshes that shaders make to the truth."""
    planes = field_colours(package.colours)
    for channel in package.channels:
        yield from nodes_reached(lookup, truth, channel, planes, _counts(package, channel))


def _counts(package: Package, channel: str) -> tuple[int, int]:
    """Return columns and rows of a channel's mesh, by its first stage."""
    own = next(
        one["details"]
        for one in gpu_stages(package)
        if one["details"]["channel"] == channel and one["details"]["step"] == _COUNTED[0]
    )
    columns, rows = own["columns"], own["rows"]
    if not all(isinstance(count, int) and 2 <= count <= 4097 for count in (columns, rows)):
        raise ValueError(f"{columns!r} x {rows!r} nodes")
    return columns, rows
