"""The shaders of a package: three paths from panel pixel to code, per channel and dialect.

mesh         the device draws triangles; nodes carry directions (C evaluator or glTF) and gains
table        one triangle; content place and gain per pixel from spline tables in textures (KTX2)
polynomial   one triangle; directions per pixel from Chebyshev terms in a uniform block (`prewarp_prepare`)

All form shares of light in every pixel, from one texture per pupil position (`share_textures`).
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict

import numpy as np

from prewarp.encoding import largest_code
from prewarp.export.build import DeviceBuild
from prewarp.export.package_file import DIRECTION_FRAME, ArrayNote, JsonObject, PackageFile
from prewarp.export.polynomial_block import KIND as BLOCK
from prewarp.export.polynomial_block import coefficient_block, polynomial_plan
from prewarp.export.quantise import TableScale
from prewarp.export.shader_text import HEADS, Constant, DeviceShader, device_shader
from prewarp.export.shader_textures import MEANINGS, PLANES, pupil_textures, shader_textures
from prewarp.export.share_textures import kind_of_shares
from prewarp.glsl import ENCODINGS
from prewarp.lookup import Lookup

KIND = "shader"
NOT_ASKED = "not asked for"
# How content is read between its pixels: by fetches and arithmetic, or by the texture unit.
EXACT, FILTERED = "exact", "filtered"
SAMPLINGS = (EXACT, FILTERED)
DIALECTS = tuple(HEADS)
_PROJECTIONS = {"flat": 0, "equidistant": 1}
_STAGES = {
    "mesh": ("device_mesh.vert", "device_mesh.frag"),
    "table": ("device_table.frag",),
    "polynomial": ("device_polynomial.frag",),
}
_HOW = {
    "mesh": "Vertex-mesh path: draw the triangles of meshes/*.glb, or nodes from the C evaluator.",
    "table": (
        "Table-texture path: draw three vertices with picture.vert; tables are textures/*.ktx2 of one pupil "
        "position."
    ),
    "polynomial": (
        "Polynomial path: draw three vertices with picture.vert; fill the block by prewarp_prepare when the "
        "pupil moves."
    ),
}
_HEAD = """\
{how}
Channel '{channel}'. Made by prewarp; do not edit. Constants and textures are listed in manifest.json.
Writes code / largest code, 0 to 1: the target must store it unchanged (no sRGB conversion, no blending).
CAUTION: a wrong map or a stale pupil position shows a doubled or displaced picture; keep a way back to one \
plain channel."""
_PICTURE_HEAD = "One triangle that covers the target. Made by prewarp; do not edit."


def shader_package_files(
    build: DeviceBuild,
    channel: str,
    dialects: tuple[str, ...],
    lookup: Lookup | None,
    shared: Mapping[str, TableScale],
    /,
    *,
    sampling: str = EXACT,
    more: Mapping[str, int] | None = None,
) -> Iterator[PackageFile]:
    """Yield the shaders of a channel and the textures that they need for any pupil position.

    Paths that are not available are left out. `shared`: plane and scale of the KTX2 tables by colour; empty
    where none are exported. `sampling`: one of `SAMPLINGS`. `more`: options of the fragment stage of the
    vertex-mesh path that packages leave at their defaults.
    """
    plan = polynomial_plan(lookup, channel, build.planes)
    used = lookup if plan.degree is not None else None
    yield from shader_textures(build, channel)
    constants = channel_constants(build, channel, shared)
    paths = ["mesh", *(["table"] if shared else []), *(["polynomial"] if used is not None else [])]
    for path in paths:
        for piece in _STAGES[path]:
            options = _options(build, channel, piece, used, plan.degree or 1, sampling)
            if piece == "device_mesh.frag":
                options |= more or {}
            head = _HEAD.format(how=_HOW[path], channel=" ".join(channel.split()))
            for dialect in dialects:
                shader = device_shader(
                    piece, dialect=dialect, options=options, constants=constants, meanings=MEANINGS, head=head
                )
                name = f"{build.stem(channel)}_{path}.{piece.rpartition('.')[2]}"
                yield shader_file(f"shaders/{dialect}/{name}", shader, path, channel, sampling)


def picture_files(dialects: tuple[str, ...], /) -> Iterator[PackageFile]:
    """Yield the vertex stage that the table and polynomial paths share, per dialect."""
    for dialect in dialects:
        shader = device_shader(
            "picture.vert", dialect=dialect, options={}, constants={}, meanings={}, head=_PICTURE_HEAD
        )
        yield shader_file(f"shaders/{dialect}/picture.vert", shader, "picture", None)


def not_available(
    build: DeviceBuild, lookup: Lookup | None, shared: Mapping[str, Mapping[str, TableScale]], /
) -> list[JsonObject]:
    """Return which shader paths are left out for which channel, and why."""
    missing = []
    if not shared:
        missing.append({"what": "table shader", "channel": None, "why": NOT_ASKED})
    for channel in build.channels:
        plan = polynomial_plan(lookup, channel, build.planes)
        if plan.degree is None:
            missing.append({"what": "polynomial shader", "channel": channel, "why": plan.why})
    return missing


def panel_options(build: DeviceBuild, channel: str, sampling: str, /) -> dict[str, int]:
    """Return options of what forms shares and codes of a channel."""
    light, seam = build.light(channel), build.seam
    shares = 0 if seam is None else kind_of_shares(len(seam.channels))
    return {
        "PREWARP_SHARED": shares,
        "PREWARP_OWN": 0 if seam is None else seam.index(channel),
        "PREWARP_CLAIMS": max(shares, 1),
        "PREWARP_FILTERED": int(sampling == FILTERED),
        "PREWARP_ENCODING": ENCODINGS[build.transfer(channel).kind],
        "PREWARP_MIXED": int(light.mixes),
        "PREWARP_DITHERED": int(light.tile is not None),
        "PREWARP_TILE": 1 if light.tile is None else len(light.tile),
    }


def place_options(build: DeviceBuild, /) -> dict[str, int]:
    """Return options of what finds content points of directions."""
    late = {"PREWARP_LATE": 1} if build.late else {}
    return {"PREWARP_PROJECTION": _PROJECTIONS[build.content.projection], **late}


def vertex_options(build: DeviceBuild, /) -> dict[str, int]:
    """Return options of the vertex stage of the vertex-mesh path."""
    return {**place_options(build), **_passed(build)}


def _passed(build: DeviceBuild) -> dict[str, int]:
    """Return what the two stages of the vertex-mesh path agree on."""
    return {} if build.seam is None else {"PREWARP_PASSED": 1}


def _options(
    build: DeviceBuild, channel: str, piece: str, lookup: Lookup | None, degree: int, sampling: str
) -> dict[str, int]:
    panel = panel_options(build, channel, sampling)
    place = place_options(build)
    if piece == "device_mesh.vert":
        return vertex_options(build)
    if piece == "device_mesh.frag":
        panel |= _passed(build)
        return {**panel, "PREWARP_LATE": 1} if build.late else panel
    if piece == "device_table.frag":
        return {**panel, **place} if build.late else panel
    if lookup is None:
        return panel
    return {
        **panel,
        **place,
        "PREWARP_DEGREE": degree,
        "PREWARP_GAINED": int(all(lookup.gain_of(channel, colour) is not None for colour in build.planes)),
    }


def channel_constants(
    build: DeviceBuild, channel: str, shared: Mapping[str, TableScale], /
) -> dict[str, Constant]:
    """Return the values of all constants that shaders of a channel may ask for; `shared`: of KTX2 tables."""
    content, panel, bits = build.content, build.panel_size_px(channel), build.bit_depth(channel)
    (width, height), focal = content.size_px, content.focal_px
    per = "tangent" if content.projection == "flat" else "radian"
    mixing, gamma = tuple(build.light(channel).mixing.ravel()), build.transfer(channel).gamma
    straight = "content point straight ahead: u, v"
    rim = 0.0 if build.seam is None else build.seam.edge_deg
    mixes = "white match: red, green, blue drive from linear content, row by row"
    constants = {
        "u_panel_px": Constant("vec2", panel, "panel: width, height", "px"),
        "u_content_middle": Constant("vec2", (width / 2, height / 2), straight, "content px"),
        "u_content_scale": Constant(
            "vec2", (focal, -focal), "content per unit along x, y", f"content px per {per}"
        ),
        "u_largest_code": Constant("float", (largest_code(bits),), f"largest code of {bits} bits", "codes"),
        "u_gamma": Constant("float", (gamma,), "light = encoded value to this power", "no unit"),
        "u_mixing": Constant("mat3", mixing, mixes, "no unit"),
        "u_content_px": Constant("vec2", (width, height), "content picture: width, height", "content px"),
        "u_edge_deg": Constant("float", (rim,), "light fades over so much towards the rim", "degree"),
    }
    if build.seam is not None:
        low, high = build.alone_px[channel]
        told = "content that this channel shows alone"
        middle, half = tuple(0.5 * (low + high)), tuple(0.5 * (high - low))
        constants["u_alone_middle"] = Constant("vec2", middle, f"middle of {told}: u, v", "content px")
        constants["u_alone_half"] = Constant("vec2", half, f"half width, half height of {told}", "content px")
    scan = build.scan(channel)
    if build.late and scan is not None:
        told = "a panel point (u, v) is lit at c + a u + b v after the frame's start: c, a, b"
        constants["u_lit_s"] = Constant("vec3", scan.lit_s(panel), told, "s, s per px, s per px")
        shared_s = (build.eye.weights_for_ms or 0.0) / 1000.0
        told = "blend weights are those in the head pose at this time after the frame's start"
        constants["u_weights_for_s"] = Constant("float", (shared_s,), told, "s")
    unit = "content px, content px, factor on light"
    for plane, colour in zip(PLANES, build.planes, strict=True):
        if colour in shared:
            own = shared[colour]
            lines = f"{plane}: content u, content v, gain; each constant, per panel px along u, along v"
            per_unit = f"{plane}: per unit of the table: content u, content v, gain"
            per_px = tuple(1.0 / own.step)
            constants[f"u_affine_{plane}"] = Constant("mat3", tuple(own.affine.ravel()), lines, unit)
            constants[f"u_scale_{plane}"] = Constant("vec3", tuple(own.scale), per_unit, unit)
            constants["u_nodes_per_px"] = Constant(
                "vec2", per_px, "table nodes along u, v", "nodes per panel px"
            )
    return constants


def pupil_files(build: DeviceBuild, lookup: Lookup | None, /) -> Iterator[PackageFile]:
    """Yield what shaders are given for each of the build's pupils: shares of light, gains, uniform blocks."""
    yield from pupil_textures(build, lookup)
    for channel in build.channels:
        yield from block_files(build, channel, lookup)


def block_files(build: DeviceBuild, channel: str, lookup: Lookup | None, /) -> Iterator[PackageFile]:
    """Yield what the uniform block of a channel's polynomial path holds, for each of the build's pupils.

    None where that path is not available.
    """
    degree = polynomial_plan(lookup, channel, build.planes).degree
    if degree is None or lookup is None:
        return
    for pupil, pupil_mm in enumerate(build.pupils_mm):
        block = coefficient_block(lookup, channel, build.planes, degree, pupil_mm)
        note = ArrayNote(
            "PrewarpCoefficients",
            block.shape,
            ("red and green, then blue", "Chebyshev terms by total degree", "vec4"),
            "float32",
            "tangent",
            DIRECTION_FRAME,
            "term k of T_i(s) T_j(t): k = (i + j)(i + j + 1) / 2 + j; s = 2 u / width - 1, "
            "t = 2 v / height - 1",
        )
        path = f"shaders/blocks/{build.stem(channel)}_p{pupil:03d}.bin"
        what = "uniform block of the polynomial path, std140, for one pupil position"
        details = {"channel": channel, "pupil": pupil, "degree": degree, "planes": list(build.planes)}
        yield PackageFile(path, block.astype("<f4").tobytes(), BLOCK, what, (note,), details)


def shader_file(
    path: str,
    shader: DeviceShader,
    kind: str,
    channel: str | None,
    sampling: str | None = None,
    **more: object,
) -> PackageFile:
    """Return the file of a stage; `kind` names the path that it belongs to, `more` goes into the manifest."""
    what = f"{shader.stage} stage, {kind} path, {shader.dialect}"
    details = {**shader_details(shader, kind, channel, sampling), **more}
    return PackageFile(path, shader.text.encode(), KIND, what, (), details)


def shader_details(
    shader: DeviceShader, kind: str, channel: str | None, sampling: str | None, /
) -> JsonObject:
    """Return what the manifest says of a stage: what goes in and out, where it is bound, its constants."""

    def carried(names: Sequence[tuple[int, str, str]]) -> list[JsonObject]:
        return [{"location": place, "type": of, "name": name} for place, of, name in names]

    def bound(names: Sequence[tuple[int, str]]) -> list[JsonObject]:
        return [{"binding": place, "name": name, "holds": MEANINGS[name]} for place, name in names]

    constants = [
        {**asdict(one), "name": name, "values": [float(np.float32(value)) for value in one.values]}
        for name, one in shader.constants.items()
    ]
    return {
        "channel": channel,
        "path": kind,
        "dialect": shader.dialect,
        "stage": shader.stage,
        "sampling": sampling,
        "translated_from": None,
        "inputs": carried(shader.inputs),
        "outputs": carried(shader.outputs),
        "samplers": bound(shader.samplers),
        "blocks": bound(shader.blocks),
        "images": bound(shader.images),
        "constants": constants,
    }
