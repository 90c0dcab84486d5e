"""Small textures that shaders read beside tables and content: panel levels, dither tile, encoding, blend weight, gains."""

import numpy as np

from prewarp.export.build import DeviceBuild
from prewarp.export.ktx2 import FORMATS, Texture, ktx2_bytes, stored_texels
from prewarp.export.package_file import DIRECTION_FRAME, PANEL_FRAME, ArrayNote, PackageFile
from prewarp.lookup import Lookup
from prewarp.lookup.tables import FactorMap

KIND = "shader texture"
# Entries of the table of encoded values over the square root of light, for measured panels.
ENCODING_ENTRIES = 2048
PLANES = ("red", "green", "blue")
MEANINGS = {
    "t_content_linear": "content picture in linear light, RGB; row 0 is its top row; texels are fetched, no filter is needed",
    "t_light": "one row: relative light of every panel code",
    "t_dither": "square tile of dither thresholds, 0 to 1",
    "t_encoding": "one row: encoded value, 0 to 1, at evenly spaced square roots of light",
    "t_weight": "blend weight over directions, share of linear light; columns along tx, rows along ty; nodes at texel centres",
    **{
        f"t_gain_{plane}": f"gain of {plane} over the panel, edge to edge; columns along u, rows along v; nodes at texel centres"
        for plane in PLANES
    },
    **{
        f"t_table_{plane}": f"spline coefficients of {plane}: content u, v, drive; textures/*.ktx2 of the pupil position"
        for plane in PLANES
    },
    "PrewarpCoefficients": "tangents of every Chebyshev term, std140: red x, y, green x, y; then blue x, y, -, -",
}


def shader_textures(build: DeviceBuild, channel: str, lookup: Lookup | None, /) -> list[PackageFile]:
    """Return the textures that the shaders of a channel need."""
    files = []
    transfer, light = build.transfer(channel), build.light(channel)
    if light.tile is not None:
        levels = transfer.linear_of_codes(build.bit_depth(channel))
        files.append(_file(build, channel, "t_light", levels[None], "R32_SFLOAT", "relative light", ""))
        files.append(
            _file(
                build,
                channel,
                "t_dither",
                light.tile,
                "R32_SFLOAT",
                "threshold, share of a step",
                PANEL_FRAME,
            )
        )
    if transfer.kind == "table":
        roots = np.linspace(0.0, 1.0, ENCODING_ENTRIES)
        values = transfer.encoded_from_linear(roots**2)[None]
        files.append(_file(build, channel, "t_encoding", values, "R32_SFLOAT", "encoded value", ""))
    if lookup is not None:
        weight = weight_of(lookup, channel)
        if weight is not None:
            values = _nodes(weight)
            files.append(
                _file(
                    build, channel, "t_weight", values, "R16_SFLOAT", "share of linear light", DIRECTION_FRAME
                )
            )
        for plane, colour in zip(PLANES, build.planes, strict=True):
            gain = gain_of(lookup, channel, colour)
            if gain is not None:
                name = f"t_gain_{plane}"
                files.append(
                    _file(
                        build,
                        channel,
                        name,
                        _nodes(gain),
                        "R16_SFLOAT",
                        "factor on linear light",
                        PANEL_FRAME,
                    )
                )
    return files


def weight_of(lookup: Lookup, channel: str, /) -> FactorMap | None:
    """Return the blend weight of a channel in a lookup."""
    place = lookup.channels.index(channel)
    return next((one for one in lookup.weights if one.channel == place), None)


def gain_of(lookup: Lookup, channel: str, colour: str, /) -> FactorMap | None:
    """Return the gain of a channel and colour in a lookup."""
    key = lookup.channels.index(channel), lookup.colours.index(colour)
    return next((one for one in lookup.gains if (one.channel, one.colour) == key), None)


def _nodes(surface: FactorMap) -> np.ndarray:
    """Return node values (rows, columns): columns along the first coordinate."""
    codes = surface.block.numbers.reshape(surface.columns, surface.rows)
    return (surface.offset + surface.block.scale * codes).T


def _file(
    build: DeviceBuild, channel: str, sampler: str, values: np.ndarray, form: str, unit: str, frame: str
) -> PackageFile:
    texels = stored_texels(values[..., None], FORMATS[form])
    data = ktx2_bytes(Texture(FORMATS[form], texels, {}))
    note = ArrayNote(
        sampler, (*values.shape, 1), ("rows", "columns", "value"), form, unit, frame, MEANINGS[sampler]
    )
    path = f"textures/{build.stem(channel)}_{sampler.removeprefix('t_')}.ktx2"
    details = {"channel": channel, "sampler": sampler}
    return PackageFile(path, data, KIND, MEANINGS[sampler], (note,), details)
