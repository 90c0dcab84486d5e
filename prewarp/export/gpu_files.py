"""Meshes and shares of light made on the GPU from a lookup's own numbers: textures and shaders.

Firmware uploads a pupil position and nothing else. Passes, when the pupil moves:

eye_prepare.frag   per channel: terms over the panel, summed over pupil functions
*_nodes.frag       per channel: directions and gains of mesh nodes
eye_borders.frag   directions of the borders of what panels show
eye_shares.frag    the texture of shares that all panels of the eye read

Then per channel *_nodes.vert with the fragment stage of the vertex-mesh path, or *_panel.comp.
"""

from collections.abc import Iterator, Mapping
from math import ceil

import numpy as np

from prewarp.export.build import DeviceBuild
from prewarp.export.gpu_numbers import (
    BORDERS,
    CLAIMS,
    GAINS,
    NUMBERS,
    GpuPlan,
    gain_frames,
    gpu_plan,
    gpu_textures,
    has_dark_parts,
    makes_shares,
)
from prewarp.export.package_file import DIRECTION_FRAME, PANEL_FRAME, PUPIL_FRAME, JsonObject, PackageFile
from prewarp.export.shader_files import (
    channel_constants,
    panel_options,
    place_options,
    shader_file,
    vertex_options,
)
from prewarp.export.shader_text import COMPUTE_OF, Constant, device_shader
from prewarp.export.shader_textures import MEANINGS, shader_texture_file
from prewarp.export.share_textures import farthest_deg, texel_count
from prewarp.lookup import Lookup

PATH = "gpu"
MESH, SHARES = "meshes on the GPU", "blend weights on the GPU"
# Pixels of a group of the compute form, each way; GLSL ES 3.10 and Vulkan guarantee 128 invocations.
GROUP_PX = (16, 8)
# Storage of images that every device with compute stages can write, by largest bit depth of a panel.
_STORED = ((8, 8), (10, 16), (16, 32))
_FORM = "R32G32B32A32_SFLOAT"
_NOTES = {
    NUMBERS: ("tangent", f"{DIRECTION_FRAME}; {PUPIL_FRAME}"),
    GAINS: ("natural logarithm of a factor on linear light", f"{PANEL_FRAME}; {PUPIL_FRAME}"),
    CLAIMS: ("claim", DIRECTION_FRAME),
    BORDERS: ("-1 to 1 over the panel; points", PANEL_FRAME),
}
_HEAD = """\
{how}
{whose}. Made by prewarp; do not edit. Constants and textures are listed in manifest.json.
CAUTION: a wrong map or a stale pupil position shows a doubled or displaced picture; keep a way back to one \
plain channel."""
_HOW = {
    "device_prepare.frag": "Meshes on the GPU: terms over the panel for a pupil position, of any channel.",
    "device_nodes.frag": "Meshes on the GPU: directions and gains of mesh nodes.",
    "device_nodes.vert": "Meshes on the GPU: vertex stage for the fragment stage of the vertex-mesh path.",
    "device_panel.comp": "Compute form of the vertex-mesh path. Writes code / largest code, 0 to 1.",
    "device_borders.frag": "Blend weights on the GPU: directions of the borders of what panels show.",
    "device_shares.frag": "Blend weights on the GPU: the texture that all panels of the eye read.",
}
# Nodes along u and v by channel.
NodeCounts = dict[str, tuple[int, int]]


def gpu_channels(build: DeviceBuild, /) -> tuple[str, ...]:
    """Return the channels in the order in which shares of light count them."""
    return tuple(build.channels if build.seam is None else build.seam.channels)


def gpu_files(
    build: DeviceBuild,
    lookup: Lookup,
    nodes: NodeCounts,
    dialects: tuple[str, ...],
    /,
    *,
    sampling: str,
) -> Iterator[PackageFile]:
    """Yield textures and shaders of an eye; none where its tables are no polynomials over the panel.

    `nodes`: columns and rows of the mesh of each channel. `sampling`: one of `shader_files.SAMPLINGS`.
    """
    channels = gpu_channels(build)
    plan = gpu_plan(lookup, channels, build.planes)
    if isinstance(plan, str):
        return
    for (channel, sampler), values in gpu_textures(lookup, channels, build.planes, plan).items():
        stem, (unit, frame) = "eye" if channel is None else build.stem(channel), _NOTES[sampler]
        details: JsonObject = {"channel": channel, "channels": list(channels)}
        yield shader_texture_file(stem, details, sampler, values, _FORM, unit, frame)
    for dialect in dialects:
        yield _stage(
            dialect, "device_prepare.frag", {"PREWARP_PUPIL_DEGREE": plan.pupil_degree}, _box(lookup)
        )
        if makes_shares(lookup, channels):
            yield from _share_stages(build, lookup, plan, dialect)
        for channel in channels:
            yield from _channel_stages(build, lookup, plan, dialect, channel, nodes[channel], sampling)


def gpu_not_available(build: DeviceBuild, lookup: Lookup | None, /) -> list[JsonObject]:
    """Return what shaders cannot make on the GPU for this eye, and why."""
    channels = gpu_channels(build)
    plan = gpu_plan(lookup, channels, build.planes)
    if isinstance(plan, str) or lookup is None:
        return [{"what": MESH, "channel": None, "why": str(plan)}]
    if len(channels) > 1 and not makes_shares(lookup, channels):
        dark = "part of a panel is dark inside its border; the C evaluator fills t_shares"
        why = dark if has_dark_parts(lookup) else "the lookup holds no claims or no borders"
        return [{"what": SHARES, "channel": None, "why": why}]
    return []


def _stage(
    dialect: str,
    piece: str,
    options: dict[str, int],
    constants: dict[str, Constant],
    *,
    channel: str | None = None,
    stem: str = "eye",
    sampling: str | None = None,
    told: Mapping[str, object] | None = None,
) -> PackageFile:
    of = COMPUTE_OF[dialect] if piece.endswith(".comp") else dialect
    whose = "All channels of the eye" if channel is None else f"Channel '{' '.join(channel.split())}'"
    head = _HEAD.format(how=_HOW[piece], whose=whose)
    shader = device_shader(
        piece, dialect=of, options=options, constants=constants, meanings=MEANINGS, head=head
    )
    name = piece.removeprefix("device_")
    return shader_file(
        f"shaders/{of}/{stem}_{name}", shader, PATH, channel, sampling, step=name, **(told or {})
    )


def _channel_stages(
    build: DeviceBuild,
    lookup: Lookup,
    plan: GpuPlan,
    dialect: str,
    channel: str,
    nodes: tuple[int, int],
    sampling: str,
) -> Iterator[PackageFile]:
    counts = {"PREWARP_COLUMNS": nodes[0], "PREWARP_ROWS": nodes[1]}
    told: dict[str, object] = {"columns": nodes[0], "rows": nodes[1]}
    constants, stem = channel_constants(build, channel, {}), build.stem(channel)
    gained = {"PREWARP_GAINED": int(plan.gain_degree is not None)}
    if plan.gain_degree is not None and plan.gain_pupil_degree is not None:
        gained |= {
            "PREWARP_GAIN_DEGREE": plan.gain_degree,
            "PREWARP_GAIN_PUPIL_DEGREE": plan.gain_pupil_degree,
        }
    what = "where gains are known, red, green, blue"
    frames = {
        name: Constant("vec3", values, f"{what}: {name.split('_')[2]} along {name.split('_')[3]}", "mm")
        for name, values in gain_frames(lookup, channel, build.planes).items()
    }
    yield _stage(
        dialect,
        "device_nodes.frag",
        {**counts, **gained, "PREWARP_DEGREE": plan.degree},
        {**_box(lookup), **frames},
        channel=channel,
        stem=stem,
        told=told,
    )
    yield vertex_stage(build, channel, nodes, dialect)
    panel = {
        **panel_options(build, channel, sampling),
        **place_options(build),
        **counts,
        **_group(build, channel, nodes),
    }
    yield _stage(
        dialect,
        "device_panel.comp",
        panel,
        constants,
        channel=channel,
        stem=stem,
        sampling=sampling,
        told={**told, "group_px": list(GROUP_PX)},
    )


def vertex_stage(
    build: DeviceBuild,
    channel: str,
    nodes: tuple[int, int],
    dialect: str,
    /,
    more: Mapping[str, int] | None = None,
) -> PackageFile:
    """Return the stage that draws a channel's panel from nodes made on the GPU, before the last of the
    vertex-mesh path. `more`: options that packages leave at their defaults.
    """
    counts = {"PREWARP_COLUMNS": nodes[0], "PREWARP_ROWS": nodes[1]}
    return _stage(
        dialect,
        "device_nodes.vert",
        {**counts, **vertex_options(build), **(more or {})},
        channel_constants(build, channel, {}),
        channel=channel,
        stem=build.stem(channel),
        told={"columns": nodes[0], "rows": nodes[1]},
    )


def _group(build: DeviceBuild, channel: str, nodes: tuple[int, int]) -> dict[str, int]:
    """Return how many nodes a group may touch, and how the compute form stores codes."""
    size, bits = build.panel_size_px(channel), build.bit_depth(channel)
    columns, rows = (
        ceil(pixels * (count - 1) / length) + 2
        for pixels, count, length in zip(GROUP_PX, nodes, size, strict=True)
    )
    stored = next(form for most, form in _STORED if bits <= most)
    return {"PREWARP_GROUP_COLUMNS": columns, "PREWARP_GROUP_ROWS": rows, "PREWARP_STORED": stored}


def _share_stages(build: DeviceBuild, lookup: Lookup, plan: GpuPlan, dialect: str) -> Iterator[PackageFile]:
    channels = gpu_channels(build)
    count = {"PREWARP_CHANNELS": len(channels)}
    yield _stage(dialect, "device_borders.frag", {**count, "PREWARP_DEGREE": plan.degree}, {})
    projection = {"PREWARP_PROJECTION": place_options(build)["PREWARP_PROJECTION"]}
    yield _stage(dialect, "device_shares.frag", {**count, **projection}, share_constants(build, lookup))


def share_constants(build: DeviceBuild, lookup: Lookup, /) -> dict[str, Constant]:
    """Return the constants of the stage that draws the texture of shares."""
    claims, seam = lookup.claims, build.seam
    assert claims is not None and seam is not None
    of_panel = channel_constants(build, build.channels[0], {})
    names = ("u_content_px", "u_content_middle", "u_content_scale")
    origin = float(claims.origin_deg[0]), float(claims.origin_deg[1])
    texels = texel_count(build.content)
    return {
        **{name: of_panel[name] for name in names},
        "u_texels": Constant("vec2", texels, "texture of blend weights: columns, rows", "texels"),
        "u_claim_origin_deg": Constant("vec2", origin, "first inner coefficient of claims", "degree"),
        "u_claim_pitch_deg": Constant("float", (claims.pitch_deg,), "between coefficients", "degree"),
        "u_limit_deg": Constant("float", (farthest_deg(seam.edge_deg),), "depths are cut there", "degree"),
    }


def _box(lookup: Lookup) -> dict[str, Constant]:
    low, high = np.asarray(lookup.pupil_box_mm, dtype=float)
    return {
        "u_box_low_mm": Constant("vec3", tuple(low), "eye box: least x, y, z", "mm"),
        "u_box_high_mm": Constant("vec3", tuple(high), "eye box: greatest x, y, z", "mm"),
    }
