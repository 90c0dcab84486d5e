"""What the page draws one eye from: exported shader texts and the numbers of a package's tables, as JSON.

Texts are those of the formats `shaders` and `gpu` in GLSL ES 3.00, as `export` composes them. From a pupil
position alone they make meshes and shares of light on the GPU: for the tracked pupil what panels show, for
the true pupil where the nodes of a panel are seen. So the view needs no data of its own: it is the panel's
mesh, drawn where its nodes are seen. Two options of the panel's stages are the page's alone: cells of its
mesh bend (`BENT`), so that few are enough, and those that no other channel shares with it are drawn by a text
that reads no shares of light (`ALONE`), the others by one that reads them texel by texel, as it does content.
"""

import base64
from collections.abc import Iterator, Sequence
from dataclasses import replace
from math import ceil
from typing import Any

import numpy as np

from prewarp.content import focal_lengths_from_tangent
from prewarp.errors import PackageError
from prewarp.export.build import DeviceBuild
from prewarp.export.gpu_files import (
    NodeCounts,
    gpu_channels,
    gpu_files,
    gpu_not_available,
    vertex_stage,
)
from prewarp.export.ktx2 import texture_from_ktx2
from prewarp.export.package_file import PackageFile
from prewarp.export.shader_files import EXACT, picture_files, shader_package_files
from prewarp.export.shader_files import KIND as SHADER
from prewarp.export.shader_text import ES
from prewarp.export.shader_textures import shader_textures
from prewarp.export.share_textures import texel_count
from prewarp.lookup import Lookup, prepare
from prewarp.mesh import panel_mesh

JsonObject = dict[str, Any]
# Distance of mesh nodes, panel px, and how many cells there are along a side: multiples of 16, so that nodes
# can lie on the lattice of 1/16 px to which drivers move vertices.
NODE_STEP_PX = 48.0
FEWEST_CELLS, MOST_CELLS, CELLS = 48, 96, 16
# Bent cells ask in every pixel what is shown alone.
BENT = {"PREWARP_BENT": 1, "PREWARP_PASSED": 0}
ALONE = {"PREWARP_ALONE": 1}
# Panels drawn smaller show a content picture that was halved as often; it keeps so many px.
MOST_HALVINGS, FEWEST_CONTENT_PX = 3, 32
# The page draws from no larger one, since pictures are made light by the page: contents have up to 32768 px.
MOST_CONTENT_PX, LARGEST_HALVINGS = 2048, 4
# Panels of more bits would need a table of light that is wider than textures can be.
MOST_BITS = 12


def eye_data(build: DeviceBuild, lookup: Lookup, /) -> JsonObject:
    """Return what the page needs of one eye.

    Parameters
    ----------
    build : DeviceBuild
        The eye; `late` where the scans of its panels are known.
    lookup : Lookup
        Tables of a package of this eye, with claims, borders and gains.

    Raises
    ------
    PackageError
        These tables cannot be drawn by shaders alone; says why.
    """
    missing = [str(one["why"]) for one in gpu_not_available(build, lookup)]
    deep = [name for name in build.channels if build.bit_depth(name) > MOST_BITS]
    if deep:
        missing.append(f"panels of {' and '.join(deep)} have more than {MOST_BITS} bits")
    if missing:
        raise PackageError("; ".join(missing))
    channels = gpu_channels(build)
    counts: NodeCounts = {name: node_counts(build.panel_size_px(name)) for name in channels}
    files = list(gpu_files(build, lookup, counts, (ES,), sampling=EXACT))
    files += picture_files((ES,))
    box_low, box_high = np.asarray(build.pupil_box_mm, dtype=float)
    content, halved = build.content, levels_of(build)
    levels, texels = list(halved.values()), texel_count(build.content)
    return {
        "name": build.eye.name,
        "content": {
            "size_px": list(content.size_px),
            "focal_px": content.focal_px,
            "projection": content.projection,
            "first_halvings": min(halved),
            "levels_px": [list(one.content.size_px) for one in levels],
        },
        "box_mm": [box_low.tolist(), box_high.tolist()],
        "seam_plane": _seam_plane(build),
        "late": build.late,
        "exposure": _exposure(build, lookup),
        "texels": list(texels),
        "shares": len(channels) > 1,
        "texts": _texts(files, None),
        "textures": _textures(files, None),
        "channels": [_channel(levels, lookup, name, counts[name], texels, files) for name in channels],
    }


def node_counts(panel_size_px: tuple[int, int], /) -> tuple[int, int]:
    """Return columns and rows of a panel's mesh in the page."""
    columns, rows = (
        int(np.clip(CELLS * ceil(length / NODE_STEP_PX / CELLS), FEWEST_CELLS, MOST_CELLS)) + 1
        for length in panel_size_px
    )
    return columns, rows


def _channel(
    levels: Sequence[DeviceBuild],
    lookup: Lookup,
    name: str,
    nodes: tuple[int, int],
    texels: tuple[int, int],
    files: list[PackageFile],
) -> JsonObject:
    build = levels[0]
    size, scan, turn = build.panel_size_px(name), build.scan(name), _turn(build, lookup, name)
    light = build.transfer(name).linear_of_codes(build.bit_depth(name))
    return {
        "name": name,
        "panel_px": list(size),
        "bits": build.bit_depth(name),
        "light": [float(np.float32(one)) for one in light],
        "nodes": list(nodes),
        "mirrored": turn < 0.0,
        "px_per_plane": abs(turn) ** 0.5,
        "alone": None
        if build.seam is None
        else (build.alone_px[name] / np.asarray(build.content.size_px)).tolist(),
        "lit_s": None if scan is None else list(scan.lit_s(size)),
        "before": [_straight(build, name, colour) for colour in build.planes],
        "texts": {"nodes.frag": _texts(files, name)["nodes.frag"]},
        "levels": [_panel_texts(level, name, nodes, texels) for level in levels],
        "textures": {
            **_textures(files, name),
            **{file.details["sampler"]: _texture(file) for file in shader_textures(build, name)},
        },
    }


def _panel_texts(
    build: DeviceBuild, name: str, nodes: tuple[int, int], texels: tuple[int, int]
) -> dict[str, dict[str, str]]:
    """Return the two stages that draw a panel, after and before the pre-warp; "alone": after it, where no
    other channel shares the light.
    """
    # The eye as if this channel were all of it: no light is shared, and nothing is known of gains.
    before = replace(build, eye=replace(build.eye, channels=(name,), match=None), dither="none", late=False)
    read = dict(zip(("PREWARP_SHARE_COLUMNS", "PREWARP_SHARE_ROWS"), texels, strict=True))
    kinds = {"after": (build, BENT | read), "before": (before, BENT)}
    if build.seam is not None:
        kinds["alone"] = (build, BENT | ALONE)
    found = {kind: {"mesh.frag": mesh_fragment(own, name, more)} for kind, (own, more) in kinds.items()}
    # "alone" begins as "after" does.
    for kind, (own, _) in list(kinds.items())[:2]:
        found[kind]["nodes.vert"] = vertex_stage(own, name, nodes, ES, BENT).data.decode()
    return found


def mesh_fragment(build: DeviceBuild, name: str, more: dict[str, int], /) -> str:
    """Return the fragment stage of the vertex-mesh path of a channel, with options of the page."""
    files = shader_package_files(build, name, (ES,), None, {}, sampling=EXACT, more=more)
    return _texts(list(files), name)["mesh.frag"]


def levels_of(build: DeviceBuild, /) -> dict[int, DeviceBuild]:
    """Return the build with a content picture of full size, halved once, twice and so on, by how often: those
    that the page may draw from, at least one.
    """
    size = build.content.size_px
    found: dict[int, DeviceBuild] = {}
    for halvings in range(LARGEST_HALVINGS + 1):
        width, height = (round(length / 2**halvings) for length in size)
        if found and (halvings > MOST_HALVINGS or min(width, height) < FEWEST_CONTENT_PX):
            break
        if max(width, height) <= MOST_CONTENT_PX:
            found[halvings] = build.with_content_px((width, height)) if halvings else build
    return found


def _texts(files: list[PackageFile], channel: str | None) -> dict[str, str]:
    """Return texts by step: "prepare.frag", "nodes.vert" and so on; "mesh.frag" ends a panel."""
    found = {}
    for file in files:
        if file.kind == SHADER and file.details["channel"] == channel:
            step = file.details.get("step") or file.path.rpartition("/")[2].rpartition("_")[2]
            found[str(step)] = file.data.decode()
    return {key: text for key, text in found.items() if not key.endswith(".comp")}


def _textures(files: list[PackageFile], channel: str | None) -> dict[str, JsonObject]:
    return {
        str(file.details["sampler"]): _texture(file)
        for file in files
        if file.kind != SHADER and file.details["channel"] == channel
    }


def _texture(file: PackageFile) -> JsonObject:
    """Return a texture as base64: 8-bit texels, or floats, red alone or all four."""
    texels = texture_from_ktx2(file.data, where=file.path).texels
    rows, columns, components = texels.shape
    stored = np.ascontiguousarray(texels)
    return {
        "columns": columns,
        "rows": rows,
        "components": components,
        "kind": stored.dtype.str[1:],
        "data": base64.b64encode(stored.tobytes()).decode("ascii"),
    }


def _straight(build: DeviceBuild, channel: str, colour: str) -> list[list[float]]:
    """Return the best straight map of a panel, pupil centred: directions of the corner (0, 0), and what is
    added from edge to edge along u and along v.
    """
    mesh = panel_mesh(
        build.fields.field(channel, colour), build.content, tracked_pupil_mm=np.zeros(3), warped=False
    )
    corner = mesh.tangent[0, 0]
    steps = (mesh.tangent[0, -1] - corner, mesh.tangent[-1, 0] - corner)
    return [[float(value) for value in vector] for vector in (corner, *steps)]


def _turn(build: DeviceBuild, lookup: Lookup, channel: str) -> float:
    """Return panel px^2 per unit^2 of the content's plane at the panel's middle, pupil centred; negative
    where the panel is seen mirrored.
    """
    size = np.asarray(build.panel_size_px(channel), dtype=float)
    own = prepare(lookup, lookup.map_index(channel, build.planes[1]), np.zeros(3))
    places = size / 2.0 + np.array([[-8.0, 0.0], [8.0, 0.0], [0.0, -8.0], [0.0, 8.0]])
    tangent = own.direction_from_panel(places).astype(float)
    plane = focal_lengths_from_tangent(tangent, build.content.projection)
    along, down = (plane[1] - plane[0]) / 16.0, (plane[3] - plane[2]) / 16.0
    # v runs down, the plane's y up.
    return float(1.0 / -(along[0] * down[1] - along[1] * down[0]))


def _seam_plane(build: DeviceBuild) -> list[float]:
    """Return the middle of what two channels show, a point of the content's plane; straight ahead without."""
    shared = [pair.tangent for pair in build.eye.overlaps()]
    if not shared:
        return [0.0, 0.0]
    middle = np.concatenate(shared).mean(axis=0)
    return [float(one) for one in focal_lengths_from_tangent(middle, build.content.projection)]


def _exposure(build: DeviceBuild, lookup: Lookup) -> float:
    """Return the least gain over panels, pupil centred.

    The target of the match is one level, so a panel looks 1 / gain as bright as that at full drive; this
    factor makes white of the brightest place.
    """
    return min(_least_gains(build, lookup), default=1.0)


def _least_gains(build: DeviceBuild, lookup: Lookup) -> Iterator[float]:
    if build.match is None:
        return
    for name in build.channels:
        size = build.panel_size_px(name)
        u, v = (np.linspace(0.0, length, 17) for length in size)
        nodes = np.stack(np.meshgrid(u, v), axis=-1)
        for colour in dict.fromkeys(build.planes):
            tangent = build.fields.field(name, colour).forward_lattice(u, v, pupil_mm=np.zeros(3))
            gain = build.match.gain(name, colour, nodes, np.nan_to_num(tangent), pupil_mm=np.zeros(3))
            yield float(gain.min())
