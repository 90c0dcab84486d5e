"""What an integrator does with a package: what a draw call needs, from its files, and what must come.

A job names texts, textures, vertex data and the uniform block of one channel, path and pupil position.
Nothing of it comes from the package's own code but file reading by numpy and json.
"""

import json
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import map_coordinates

from prewarp.encoding import Quantiser, linear_from_srgb
from prewarp.export.gltf import attributes_from_glb, triangle_indices
from prewarp.export.ktx2 import texture_from_ktx2
from prewarp.export.polynomial_block import block_directions
from prewarp.export.reached import on_triangles
from prewarp.export.texture_table import spline_from_texture
from prewarp.photometry.dither import Ditherer
from prewarp.render.cpu import content_planes
from tests.render.scenes import hard_scene

PATHS = ("mesh", "table", "polynomial")
PLANES = ("red", "green", "blue")
# Read through the texture unit's filter.
FILTERED = ("t_shares", "t_depths", "t_content")


@dataclass
class Job:
    """`textures`: name to (rows, columns, components) as stored; `attributes`: name to (n, k), or None."""

    name: str
    size: tuple
    vertex: str
    fragment: str
    textures: dict
    block: bytes | None
    attributes: dict | None
    indices: np.ndarray | None
    locations: dict


def entry_of(manifest, kind, **details):
    for one in manifest["files"]:
        if one["kind"] == kind and details.items() <= one["details"].items():
            return one
    raise AssertionError((kind, details))


def content_light(content):
    """Return the content picture as light (rows, columns, 4), float32."""
    image = hard_scene(*content.size_px)
    light = np.ones((*image.shape[:2], 4), dtype=np.float32)
    light[..., :3] = linear_from_srgb(image / 255.0)
    return light


def job_of(folder, channel, path, pupil, dialect, content):
    """Return the draw call of a path, from the files of a package."""
    manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    described = next(one for one in manifest["channels"] if one["channel"] == channel)
    fragment = entry_of(manifest, "shader", channel=channel, path=path, dialect=dialect, stage="fragment")
    vertex = (
        entry_of(manifest, "shader", channel=channel, path="mesh", dialect=dialect, stage="vertex")
        if path == "mesh"
        else entry_of(manifest, "shader", path="picture", dialect=dialect)
    )
    textures = {}
    for sampler in fragment["details"]["samplers"]:
        name = sampler["name"]
        if name.startswith("t_content"):
            textures[name] = content_light(content).astype(np.float16 if name == "t_content" else np.float32)
            continue
        if name.startswith("t_table_"):
            colour = "RGB"[PLANES.index(name.removeprefix("t_table_"))]
            found = entry_of(manifest, "table texture", channel=channel, color=colour, pupil=pupil)
        elif name in FILTERED:
            found = entry_of(manifest, "shader texture", sampler=name, pupil=pupil)
        elif name.startswith("t_gain_"):
            found = entry_of(manifest, "shader texture", channel=channel, sampler=name, pupil=pupil)
        else:
            found = entry_of(manifest, "shader texture", channel=channel, sampler=name)
        textures[name] = texture_from_ktx2((folder / found["path"]).read_bytes(), where=name).texels
    block = attributes = indices = None
    if "PrewarpCoefficients" in [one["name"] for one in fragment["details"]["blocks"]]:
        found = entry_of(manifest, "coefficient block", channel=channel, pupil=pupil)
        block = (folder / found["path"]).read_bytes()
    if path == "mesh":
        found = entry_of(manifest, "mesh glTF", channel=channel, pupil=pupil)
        own = found["details"]
        nodes = attributes_from_glb(
            (folder / found["path"]).read_bytes(), own["rows"], own["columns"], where="glb"
        )
        attributes = {"in_panel_px": nodes["_PANEL_PX"]}
        for plane, colour in zip(PLANES, "RGB", strict=True):
            names = own["attributes"][colour]
            attributes[f"in_direction_{plane}"] = nodes[names["direction"]]
            attributes[f"in_gain_{plane}"] = nodes[names["gain"]]
        attributes = {
            name: values.reshape(-1, values.shape[-1]).astype(np.float32)
            for name, values in attributes.items()
        }
        assert {one["name"] for one in vertex["details"]["inputs"]} == set(attributes)
        indices = triangle_indices(own["rows"], own["columns"])
    return Job(
        f"{channel} {path} {pupil}",
        tuple(described["panel_size_px"]),
        (folder / vertex["path"]).read_text(),
        (folder / fragment["path"]).read_text(),
        textures,
        block,
        attributes,
        indices,
        {one["name"]: one["location"] for one in vertex["details"]["inputs"]},
    )


def expected_codes(folder, build, lookup, channel, path, pupil, *, seam=None):
    """Return the codes (rows, columns, 3) that a path must give: its map by numpy, then the CPU renderer;
    `UNSURE` where the last bit decides. `seam`: shares are asked of it, not read from the package.
    """
    manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    width, height = build.panel_size_px(channel)
    pixel = pixels_of(width, height)
    codes = np.empty((height, width, 3), dtype=np.int64)
    for plane, colour in enumerate("RGB"):
        shown = _shown(folder, manifest, build, lookup, channel, path, pupil, plane, colour, pixel)
        share, sure = share_of(folder, manifest, channel, pupil, shown[:, :2])
        if seam is not None:
            seen = seam.at(build.pupils_mm[pupil])
            tangent = build.content.tangent_from_pixel(shown[:, :2])
            share = seen.weights(tangent)[seam.index(channel)]
            # Texels are a quarter of a degree wide: their corners are cut.
            sure = np.abs(seen.depth_deg(tangent)).min(axis=0) > 0.03
        codes[..., plane] = plane_codes(build, channel, plane, shown, share)
        codes[..., plane][~sure.reshape(height, width)] = UNSURE
    return codes


def pixels_of(width, height):
    """Return the panel points (n, 2) of pixel centres, row by row."""
    v, u = np.mgrid[0:height, 0:width] + 0.5
    return np.stack([u, v], axis=-1).reshape(-1, 2)


def plane_codes(build, channel, plane, shown, share):
    """Return the codes (rows, columns) of content points and gains (n, 3), and shares of light (n,)."""
    width, height = build.panel_size_px(channel)
    light = build.light(channel)
    content = content_planes(hard_scene(*build.content.size_px))
    transfer, bits = build.transfer(channel), build.bit_depth(channel)
    u, v, drive = shown.T.astype(np.float32)
    drive = drive * share.astype(np.float32)
    wanted = sum(np.float32(light.mixing[plane, other]) * content[other].sample(u, v) for other in range(3))
    wanted = (wanted * np.clip(drive, 0.0, 1.0)).reshape(height, width)
    if light.tile is None:
        return Quantiser(transfer, bits).code_from_linear(wanted)
    return Ditherer(transfer, bits, light.tile).codes(wanted, plane=plane)


def _between(folder, manifest, share, **details):
    """Return a small texture (n,) at places (n, 2), 0 to 1 from the first texel's centre to the last's."""
    found = entry_of(manifest, "shader texture", **details)
    values = (
        texture_from_ktx2((folder / found["path"]).read_bytes(), where="t").values()[..., 0].astype(float)
    )
    place = share * (np.array(values.shape[::-1]) - 1)
    return map_coordinates(values, [place[:, 1], place[:, 0]], order=1, mode="nearest")


def shares_at(folder, manifest, pupil, content_px):
    """Return claims, then degrees inside (n, 4), that two panels read at content points (n, 2)."""
    found = entry_of(manifest, "shader texture", sampler="t_shares", pupil=pupil)
    values = texture_from_ktx2((folder / found["path"]).read_bytes(), where="t").values().astype(float)
    return texels_at(manifest, values, content_px)


def texels_at(manifest, values, content_px):
    """Return texels (rows, columns, 4) over the content picture, bilinear, at content points (n, 2)."""
    rows, columns = values.shape[:2]
    u, v = np.moveaxis(content_px / manifest["content"]["size_px"] * [columns, rows] - 0.5, -1, 0)
    return np.stack(
        [map_coordinates(values[..., k], [v, u], order=1, mode="nearest") for k in range(4)], axis=-1
    )


def share_of(folder, manifest, channel, pupil, content_px):
    """Return a channel's share of light (n,), of what is lit, by claims; and whether that is sure: beside the
    border of what is lit the last bit decides.
    """
    return share_from(manifest, channel, shares_at(folder, manifest, pupil, content_px), content_px)


def share_from(manifest, channel, values, content_px):
    """Return the same from what a panel reads at content points, (n, 4)."""
    # Where no channel reaches, 0.02 degrees are added.
    depth = values[:, 2:] + np.where(values[:, 2:].max(axis=1, keepdims=True) > 0.0, 0.0, 0.02)
    own = np.where(depth > 0.0, np.maximum(values[:, :2], 0.0) + 0.002, 0.0)
    place = [one["channel"] for one in manifest["channels"]].index(channel)
    total = own.sum(axis=1)
    share = np.where(total > 0.0, own[:, place] / np.where(total > 0.0, total, 1.0), 0.0)
    stage = entry_of(manifest, "shader", channel=channel, path="mesh", stage="vertex")
    constants = {one["name"]: np.array(one["values"]) for one in stage["details"]["constants"]}
    aside = np.abs(content_px - constants["u_alone_middle"]) - constants["u_alone_half"]
    share = np.where(aside.max(axis=1) < 0.0, 0.999, share)
    return share, np.abs(depth).min(axis=1) > 2e-3


def _shown(folder, manifest, build, lookup, channel, path, pupil, plane, colour, pixel):
    size = np.asarray(build.panel_size_px(channel))
    if path == "table":
        found = entry_of(manifest, "table texture", channel=channel, color=colour, pupil=pupil)
        spline = spline_from_texture((folder / found["path"]).read_bytes(), found["details"], where="t")
        return spline.at(pixel)
    if path == "mesh":
        found = entry_of(manifest, "mesh glTF", channel=channel, pupil=pupil)
        own = found["details"]
        nodes = attributes_from_glb(
            (folder / found["path"]).read_bytes(), own["rows"], own["columns"], where="t"
        )
        names = own["attributes"][colour]
        # The vertex stage projects; the rasteriser interpolates what it gives.
        value = np.concatenate(
            [build.content.pixel_from_tangent(nodes[names["direction"]]), nodes[names["gain"]]], axis=-1
        )
        return on_triangles(value, pixel / size)
    found = entry_of(manifest, "coefficient block", channel=channel, pupil=pupil)
    block = np.frombuffer((folder / found["path"]).read_bytes(), "<f4").reshape(2, -1, 4)
    tangent = block_directions(block, tuple(size), pixel)[plane]
    # Gains are bilinear between the texels.
    gain = np.ones(len(pixel))
    if lookup.gain_of(channel, colour) is not None:
        name = f"t_gain_{('red', 'green', 'blue')[plane]}"
        gain = _between(folder, manifest, pixel / size, channel=channel, sampler=name, pupil=pupil)
    return np.concatenate([build.content.pixel_from_tangent(tangent), gain[:, None]], axis=-1)


# Share of pixels within a code. GPUs round the last bits of places and powers their own way: about 1e-4
# content px, which at a hard edge or near black is worth a code in a few pixels of a thousand.
SHARE = 0.998
# Dithered codes differ by a whole step where a threshold is just met; and arc tangents of GLSL are good to
# some 1e-5 rad only (the Vulkan specification allows 4096 units in the last place), 2e-3 content px here.
SHARE_OF_DITHERED = SHARE_OF_ANGLES = 0.995
LARGEST_CODES = 6
UNSURE, MOST_UNSURE = -1, 0.002


def require_close(got, expected, *, dithered=False, share=SHARE):
    """The tolerance of every dialect and path, in codes."""
    judged = expected != UNSURE
    assert np.mean(judged) > 1.0 - MOST_UNSURE
    difference = np.abs(got - expected)[judged]
    if dithered:
        assert np.mean(difference == 0) >= SHARE_OF_DITHERED, np.mean(difference == 0)
    assert np.mean(difference <= 1) >= share, np.mean(difference <= 1)
    assert difference.max() <= LARGEST_CODES, difference.max()


def codes_of(values, bits):
    """Return whole codes of what a target holds, (rows, columns, 4) floats 0 to 1; they must be whole."""
    codes = values[..., :3].astype(float) * (2**bits - 1)
    assert np.abs(codes - np.rint(codes)).max() < 0.01
    return np.rint(codes).astype(np.int64)


def packed_textures(job):
    """Return textures as (name, columns, rows, components, kind, bytes); kind f2, f4, i2 or u1."""
    kinds = {"f2": "f2", "f4": "f4", "i2": "i2", "u1": "u1"}
    for name, texels in job.textures.items():
        kind = kinds[texels.dtype.str[1:]]
        rows, columns, components = texels.shape
        yield name, columns, rows, components, kind, np.ascontiguousarray(texels).tobytes()
