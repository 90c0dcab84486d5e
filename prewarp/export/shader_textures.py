"""Small textures that shaders read besides: panel levels, dither, encoding; shares of light and gains for a
pupil position.
"""

from collections.abc import Iterator

import numpy as np

from prewarp.export.build import DeviceBuild
from prewarp.export.gpu_numbers import BORDERS, CLAIMS, GAINS, NUMBERS
from prewarp.export.ktx2 import FORMATS, Texture, ktx2_bytes, stored_texels
from prewarp.export.package_file import CONTENT_FRAME, PANEL_FRAME, ArrayNote, JsonObject, PackageFile
from prewarp.export.share_textures import DEPTHS, SHARES
from prewarp.lookup import Lookup
from prewarp.lookup.device_light import PreparedLight
from prewarp.photometry.dither import plane_tiles

KIND = "shader texture"
# Entries of the table of encoded values over the square root of light, for measured panels.
ENCODING_ENTRIES = 2048
# Nodes of gains each way.
_GAIN_NODES = 33
PLANES = ("red", "green", "blue")
MEANINGS = {
    "t_content_linear": (
        "content picture in linear light, RGB; row 0 is its top row; texels are fetched, no filter is needed"
    ),
    "t_content": (
        "content picture, RGB; row 0 is its top row; its format gives linear light (sRGB 8 bits, or half "
        "floats); filter linear, clamped to the edge"
    ),
    SHARES: (
        "over the content picture from edge to edge, for one pupil position: claims of the channels of the "
        "eye, and with two channels degrees inside what each shows (claim, claim, degrees, degrees); filter "
        "linear, clamped to the edge; the same for all panels of the eye"
    ),
    DEPTHS: ("as t_shares: degrees inside what each channel shows; filter linear, clamped to the edge"),
    NUMBERS: (
        "lookup as numbers: a column a term over the panel, a row a pupil function; (red x, y, green x, y), "
        "then (blue x, y, -, -)"
    ),
    GAINS: (
        "logarithm of gains of red, green, blue: a column a term over the panel, a row a function of where "
        "the ray crosses z = 0"
    ),
    CLAIMS: "spline coefficients of claims over direction, a component a channel",
    BORDERS: "borders of what panels show: s, t (-1 to 1), how many points; a row a channel and colour",
    "t_terms": "drawn by eye_prepare.frag for the pupil position",
    "t_nodes": "drawn by *_nodes.frag for the pupil position",
    "t_borders": "drawn by eye_borders.frag for the pupil position",
    "PrewarpPupil": "std140, one vec4: pupil position, mm from the eye-box centre, x, y, z; -",
    "i_codes": "the panel: code / largest code, 0 to 1; binding 0",
    "t_light": "one row: relative light of every panel code",
    "t_dither": "square tile of dither thresholds of red, green, blue: k / 255 for (k + 0.5) / 256",
    "t_encoding": "one row: encoded value, 0 to 1, at evenly spaced square roots of light",
    "PrewarpHead": (
        "late rotation, std140, one vec4 a frame: turn of the head, rad/s about x, y, z; the time that "
        "the content was drawn for, s after the frame's start"
    ),
    "PrewarpCoefficients": (
        "tangents of every Chebyshev term, std140: red x, y, green x, y; then blue x, y, -, -"
    ),
}
MEANINGS |= {
    f"t_terms_{k}": f"drawn by eye_prepare.frag for the pupil position, of channel {k}" for k in range(4)
}
for _plane in PLANES:
    MEANINGS[f"t_gain_{_plane}"] = (
        f"gain of {_plane} over the panel, edge to edge, for one pupil position; columns along u, rows "
        "along v; nodes at texel centres"
    )
    MEANINGS[f"t_table_{_plane}"] = (
        f"spline coefficients of {_plane}: content u, v, gain; textures/*.ktx2 of the pupil position"
    )


def shader_textures(build: DeviceBuild, channel: str, /) -> list[PackageFile]:
    """Return the textures that the shaders of a channel need for any pupil position."""
    transfer, light = build.transfer(channel), build.light(channel)
    # Sampler, values (rows, columns), format, unit, frame.
    found: list[tuple[str, np.ndarray, str, str, str]] = []
    if light.tile is not None:
        if transfer.kind == "table":
            levels = transfer.linear_of_codes(build.bit_depth(channel))
            found.append(("t_light", levels[None], "R32_SFLOAT", "relative light", ""))
        tiles, unit = plane_tiles(light.tile) / 255.0, "k / 255 for the threshold (k + 0.5) / 256 of a step"
        found.append(("t_dither", tiles, "R8G8B8A8_UNORM", unit, PANEL_FRAME))
    if transfer.kind == "table":
        roots = np.linspace(0.0, 1.0, ENCODING_ENTRIES)
        values = transfer.encoded_from_linear(roots**2)[None]
        found.append(("t_encoding", values, "R32_SFLOAT", "encoded value", ""))
    return [shader_texture_file(build.stem(channel), {"channel": channel}, *one) for one in found]


def pupil_textures(build: DeviceBuild, lookup: Lookup | None, /) -> Iterator[PackageFile]:
    """Yield the textures that follow the pupil, for each of the build's pupils: shares of light, gains.

    Gains are those of the lookup, for the polynomial path; none without one.
    """
    for pupil, pupil_mm in enumerate(build.pupils_mm):
        if build.shares is not None:
            found, names = build.shares.textures(pupil_mm), list(build.shares.seam.channels)
            for sampler, values in found.items():
                unit = "claim" if sampler == SHARES else "degree"
                unit += ", degree" if len(found) == 1 else ""
                details: JsonObject = {"channel": None, "pupil": pupil, "channels": names}
                yield shader_texture_file(
                    "eye", details, sampler, values, "R16G16B16A16_SFLOAT", unit, CONTENT_FRAME
                )
        for channel in build.channels if lookup is not None else ():
            for plane, colour in zip(PLANES, build.planes, strict=True):
                if lookup is not None and lookup.gain_of(channel, colour) is not None:
                    nodes = _gain_nodes(lookup, channel, colour, pupil_mm)
                    details = {"channel": channel, "pupil": pupil}
                    name, unit = f"t_gain_{plane}", "factor on linear light"
                    yield shader_texture_file(
                        build.stem(channel), details, name, nodes, "R16_SFLOAT", unit, PANEL_FRAME
                    )


def _gain_nodes(lookup: Lookup, channel: str, colour: str, pupil_mm: np.ndarray) -> np.ndarray:
    """Return gains (rows, columns) over the panel, edge to edge."""
    light, place = PreparedLight(lookup, pupil_mm), lookup.map_index(channel, colour)
    u, v = (np.linspace(0.0, length, _GAIN_NODES) for length in light.maps[place].panel_size_px)
    pixel = np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)
    tangent = light.maps[place].direction_from_panel(pixel)
    return light.gain(place, pixel, np.asarray(tangent, dtype=float)).reshape(_GAIN_NODES, _GAIN_NODES)


def shader_texture_file(
    stem: str, details: JsonObject, sampler: str, values: np.ndarray, form: str, unit: str, frame: str
) -> PackageFile:
    """Return a texture as KTX2; `details`: its channel, and its pupil where it is of one."""
    what, texels = MEANINGS[sampler], values.reshape(*values.shape[:2], -1)
    data = ktx2_bytes(Texture(FORMATS[form], stored_texels(texels, FORMATS[form]), {}))
    note = ArrayNote(sampler, texels.shape, ("rows", "columns", "value"), form, unit, frame, what)
    pupil = f"_p{details['pupil']:03d}" if "pupil" in details else ""
    path = f"textures/{stem}_{sampler.removeprefix('t_')}{pupil}.ktx2"
    return PackageFile(path, data, KIND, what, (note,), {**details, "sampler": sampler})
