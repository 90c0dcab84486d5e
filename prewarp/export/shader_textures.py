"""Small textures that shaders read besides: panel levels, dither, encoding, blend weight, gains."""

import numpy as np

from prewarp.checks import FloatArray
from prewarp.export.build import DeviceBuild
from prewarp.export.ktx2 import FORMATS, Texture, ktx2_bytes, stored_texels
from prewarp.export.package_file import DIRECTION_FRAME, PANEL_FRAME, ArrayNote, PackageFile
from prewarp.lookup import Lookup
from prewarp.lookup.device_light import PreparedLight
from prewarp.lookup.measure import pupil_lattice

KIND = "shader texture"
# Entries of the table of encoded values over the square root of light, for measured panels.
ENCODING_ENTRIES = 2048
# Pitch of blend weights; nodes of gains each way; points along a side of a panel.
_WEIGHT_STEP_DEG, _GAIN_NODES, _BORDER_POINTS = 0.25, 33, 33
PLANES = ("red", "green", "blue")
MEANINGS = {
    "t_content_linear": (
        "content picture in linear light, RGB; row 0 is its top row; texels are fetched, no filter is needed"
    ),
    "t_light": "one row: relative light of every panel code",
    "t_dither": "square tile of dither thresholds, 0 to 1",
    "t_encoding": "one row: encoded value, 0 to 1, at evenly spaced square roots of light",
    "t_weight": (
        "blend weight over directions, share of linear light; columns along tx, rows along ty; "
        "nodes at texel centres"
    ),
    "PrewarpHead": (
        "late rotation, std140, one vec4 a frame: turn of the head, rad/s about x, y, z; the time that "
        "the content was drawn for, s after the frame's start"
    ),
    "PrewarpCoefficients": (
        "tangents of every Chebyshev term, std140: red x, y, green x, y; then blue x, y, -, -"
    ),
}
for _plane in PLANES:
    MEANINGS[f"t_gain_{_plane}"] = (
        f"gain of {_plane} over the panel, edge to edge; columns along u, rows along v; "
        "nodes at texel centres"
    )
    MEANINGS[f"t_table_{_plane}"] = (
        f"spline coefficients of {_plane}: content u, v, drive; textures/*.ktx2 of the pupil position"
    )


def shader_textures(build: DeviceBuild, channel: str, lookup: Lookup | None, /) -> list[PackageFile]:
    """Return the textures that the shaders of a channel need."""
    transfer, light = build.transfer(channel), build.light(channel)
    # Sampler, values (rows, columns), format, unit, frame.
    found: list[tuple[str, np.ndarray, str, str, str]] = []
    if light.tile is not None:
        levels = transfer.linear_of_codes(build.bit_depth(channel))
        found.append(("t_light", levels[None], "R32_SFLOAT", "relative light", ""))
        found.append(("t_dither", light.tile, "R32_SFLOAT", "threshold, share of a step", PANEL_FRAME))
    if transfer.kind == "table":
        roots = np.linspace(0.0, 1.0, ENCODING_ENTRIES)
        values = transfer.encoded_from_linear(roots**2)[None]
        found.append(("t_encoding", values, "R32_SFLOAT", "encoded value", ""))
    if lookup is not None:
        if build.seam is not None:
            weight = _weight_nodes(build, channel)
            found.append(("t_weight", weight, "R16_SFLOAT", "share of linear light", DIRECTION_FRAME))
        for plane, colour in zip(PLANES, build.planes, strict=True):
            if lookup.gain_of(channel, colour) is not None:
                name, unit = f"t_gain_{plane}", "factor on linear light"
                nodes = _gain_nodes(lookup, channel, colour)
                found.append((name, nodes, "R16_SFLOAT", unit, PANEL_FRAME))
    return [_file(build.stem(channel), channel, *one) for one in found]


def weight_domain(build: DeviceBuild, channel: str, /) -> tuple[FloatArray, FloatArray]:
    """Return the first and the last node (2,), tangents, of a channel's blend weight."""
    along = np.linspace(0.0, 1.0, _BORDER_POINTS)
    sides = [(along, 0 * along), (along, 0 * along + 1), (0 * along, along), (0 * along + 1, along)]
    border = np.concatenate([np.stack(side, axis=-1) for side in sides]) * build.panel_size_px(channel)
    seen = [
        build.fields.field(channel, colour).forward(border, pupil_mm=pupil)
        for colour in build.colours
        for pupil in pupil_lattice(build.pupil_box_mm, (2, 2, 2))
    ]
    low, high = np.nanmin(np.concatenate(seen), axis=0), np.nanmax(np.concatenate(seen), axis=0)
    return low.astype(np.float32).astype(float), high.astype(np.float32).astype(float)


def _weight_nodes(build: DeviceBuild, channel: str) -> np.ndarray:
    """Return blend weights by direction alone (rows, columns), columns along tx."""
    assert build.seam is not None
    low, high = weight_domain(build, channel)
    count = np.ceil(np.degrees(high - low) / _WEIGHT_STEP_DEG).astype(int) + 1
    x, y = (np.linspace(low[axis], high[axis], count[axis]) for axis in range(2))
    tangent = np.stack(np.meshgrid(x, y), axis=-1)
    return np.asarray(build.seam.weights(tangent)[build.seam.index(channel)])


def _gain_nodes(lookup: Lookup, channel: str, colour: str) -> np.ndarray:
    """Return gains (rows, columns) over the panel, edge to edge, from the middle of the eye box."""
    middle = np.mean(lookup.pupil_box_mm, axis=0)
    light, place = PreparedLight(lookup, middle), lookup.map_index(channel, colour)
    u, v = (np.linspace(0.0, length, _GAIN_NODES) for length in light.maps[place].panel_size_px)
    pixel = np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)
    tangent = light.maps[place].direction_from_panel(pixel)
    return light.gain(place, pixel, np.asarray(tangent, dtype=float)).reshape(_GAIN_NODES, _GAIN_NODES)


def _file(
    stem: str, channel: str, sampler: str, values: np.ndarray, form: str, unit: str, frame: str
) -> PackageFile:
    what, shape = MEANINGS[sampler], (*values.shape, 1)
    data = ktx2_bytes(Texture(FORMATS[form], stored_texels(values[..., None], FORMATS[form]), {}))
    note = ArrayNote(sampler, shape, ("rows", "columns", "value"), form, unit, frame, what)
    path = f"textures/{stem}_{sampler.removeprefix('t_')}.ktx2"
    return PackageFile(path, data, KIND, what, (note,), {"channel": channel, "sampler": sampler})
