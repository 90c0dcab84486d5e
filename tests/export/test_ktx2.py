"""KTX2 textures: known bytes, an outside parser, round trips, damaged files, and the tables they hold."""

import json
import struct
import subprocess

import numpy as np
import pytest

from prewarp.errors import PackageError
from prewarp.export.ktx2 import FORMATS, IDENTIFIER, Texture, ktx2_bytes, stored_texels, texture_from_ktx2
from prewarp.export.texture_table import STORAGES, spline_from_texture, texture_file, texture_scale
from tests.export.device_builds import small_build
from tests.support import require_node_package

# Prints what ktx-parse (npm), an independent parser of the Khronos specification, finds in a file.
_PARSE = """
import { pathToFileURL } from 'node:url';
import { readFileSync } from 'node:fs';
const [, , main, path] = process.argv;
const { read } = await import(pathToFileURL(main));
const found = read(new Uint8Array(readFileSync(path)));
const { levels, keyValue, dataFormatDescriptor, ...head } = found;
console.log(JSON.stringify({ ...head, globalData: null, keyValue, descriptor: dataFormatDescriptor[0],
  data: levels.map((level) => Buffer.from(level.levelData).toString('hex')) },
  (key, value) => (typeof value === 'bigint' ? Number(value)
    : ArrayBuffer.isView(value) ? Array.from(value) : value)));
"""


def texture(name, rows=5, columns=3, seed=1):
    form = FORMATS[name]
    values = np.random.default_rng(seed).uniform(-1.0, 1.0, (rows, columns, form.components))
    values[0, 0] = -1.0
    return Texture(form, stored_texels(values, form), {"shown": "content"})


@pytest.mark.outside
@pytest.mark.parametrize("name", FORMATS)
def test_an_outside_parser_reads_the_same(name, tmp_path):
    node, package = require_node_package("ktx-parse")
    main = package / json.loads((package / "package.json").read_text())["main"]
    script, path = tmp_path / "parse.mjs", tmp_path / "texture.ktx2"
    script.write_text(_PARSE)
    own = texture(name)
    path.write_bytes(ktx2_bytes(own))
    done = subprocess.run([node, script, main, path], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    form = own.format
    # VkFormat numbers: the Vulkan specification's table.
    expected = {
        "R8G8B8A8_UNORM": 37,
        "R16_SFLOAT": 76,
        "R16G16B16A16_SNORM": 92,
        "R16G16B16A16_SFLOAT": 97,
        "R32_SFLOAT": 100,
        "R32G32B32A32_SFLOAT": 109,
    }
    assert found["vkFormat"] == expected[name] and found["typeSize"] == form.texel_bytes // form.components
    assert (found["pixelWidth"], found["pixelHeight"], found["pixelDepth"]) == (3, 5, 0)
    assert (found["layerCount"], found["faceCount"], found["supercompressionScheme"]) == (0, 1, 0)
    assert found["data"] == [own.texels.tobytes().hex()]
    notes = found["keyValue"]
    # Only keys of the specification's own come as text.
    assert bytes(notes.pop("shown")).rstrip(b"\0") == b"content"
    assert notes == {"KTXorientation": "rd", "KTXwriter": "prewarp"}
    descriptor = found["descriptor"]
    # Khronos Data Format 1.3: model RGBSDA is 1, transfer linear 1; all bytes of a texel in the first plane.
    assert (descriptor["vendorId"], descriptor["descriptorType"], descriptor["versionNumber"]) == (0, 0, 2)
    assert (descriptor["colorModel"], descriptor["transferFunction"]) == (1, 1)
    assert descriptor["bytesPlane"] == [form.texel_bytes, 0, 0, 0, 0, 0, 0, 0]
    bits = 8 * form.texel_bytes // form.components
    assert [one["bitOffset"] for one in descriptor["samples"]] == [bits * k for k in range(form.components)]
    assert all(one["bitLength"] == bits - 1 for one in descriptor["samples"])
    for one, channel in zip(descriptor["samples"], (0, 1, 2, 15), strict=False):
        assert one["channelType"] == channel | (0xC0 if form.is_float else 0x40 if form.is_signed else 0)


def test_known_bytes():
    # Sizes from the specification: header 80 bytes, level index 24, descriptor 92 for four components.
    data = ktx2_bytes(texture("R16G16B16A16_SNORM"))
    assert data[:12] == IDENTIFIER == bytes.fromhex("AB4B5458203230BB0D0A1A0A")
    offset, size, unpacked = struct.unpack_from("<3Q", data, 80)
    assert (size, unpacked) == (5 * 3 * 8, 5 * 3 * 8) and offset % 8 == 0
    assert struct.unpack_from("<2I", data, 48) == (104, 92)
    # SNORM: -1 is stored as -32767, and its descriptor says so.
    assert struct.unpack_from("<h", data, offset)[0] == -32767
    assert struct.unpack_from("<iI", data, 104 + 4 + 24 + 8) == (-32767, 32767)


@pytest.mark.parametrize("name", FORMATS)
def test_round_trip(name):
    own = texture(name)
    data = ktx2_bytes(own)
    found = texture_from_ktx2(data, where="t")
    np.testing.assert_array_equal(found.texels, own.texels)
    assert found.notes == {"KTXorientation": "rd", "KTXwriter": "prewarp", "shown": "content"}
    assert ktx2_bytes(own) == data


def test_values_are_those_of_a_sampler():
    form = FORMATS["R16G16B16A16_SNORM"]
    codes = np.array([[[-32768, -32767, 0, 32767]]], dtype="<i2")
    np.testing.assert_array_equal(Texture(form, codes, {}).values(), [[[-1.0, -1.0, 0.0, 1.0]]])
    random = np.random.default_rng(2).uniform(-1.0, 1.0, (9, 9, 4))
    for name, step in (("R16G16B16A16_SNORM", 0.5 / 32767), ("R16G16B16A16_SFLOAT", 2.0**-12)):
        values = Texture(FORMATS[name], stored_texels(random, FORMATS[name]), {}).values()
        assert np.abs(values - random).max() <= step * 1.0001


@pytest.mark.parametrize(
    ("place", "value", "message"),
    [
        (0, b"x", "not a KTX 2.0 file"),
        (12, b"\x26\0\0\0", "texels of Vulkan format 38"),
        (16, b"\x04\0\0\0", "texels of Vulkan format"),
        (20, b"\0\0\0\0", "0 x 5 texels"),
        (20, b"\xff\xff\xff\x7f", "2147483647 x 5 texels"),
        (24, b"\x06\0\0\0", "bytes of texels; expected 144"),
        (28, b"\x01\0\0\0", "not one plain two-dimensional texture"),
        (40, b"\x02\0\0\0", "not one plain two-dimensional texture"),
        (44, b"\x02\0\0\0", "not one plain two-dimensional texture"),
        (48, b"\x69\0\0\0", "not where they must be"),
        (80, b"\x01", "not where they must be"),
        (120, b"\xff", "data format descriptor"),
        (196, b"\xff\xff\xff\xff", "keys and values are damaged"),
    ],
)
def test_damaged_files_are_refused(place, value, message):
    data = bytearray(ktx2_bytes(texture("R16G16B16A16_SNORM")))
    data[place : place + len(value)] = value
    with pytest.raises(PackageError, match=f"t.ktx2: .*{message}"):
        texture_from_ktx2(bytes(data), where="t.ktx2")


def test_every_shortened_file_is_refused():
    data = ktx2_bytes(texture("R32_SFLOAT"))
    for size in (*range(0, len(data), 7), len(data) - 1):
        with pytest.raises(PackageError):
            texture_from_ktx2(data[:size], where="t")
    with pytest.raises(PackageError):
        texture_from_ktx2(data + b"\0", where="t")


@pytest.mark.parametrize("storage", STORAGES)
def test_tables_keep_the_map(storage):
    """All pupils of a channel and colour share plane and scale, and rounding stays within its step."""
    build = small_build()
    shared = texture_scale(build, "left", "R")
    for pupil in range(len(build.pupils_mm)):
        mesh = build.gain_mesh("left", "R", pupil)
        file, stored = texture_file(build, mesh, pupil, shared, storage)
        read = spline_from_texture(file.data, dict(file.details), where=file.path)
        np.testing.assert_array_equal(read.coefficients, stored.coefficients)
        error = np.abs(read.coefficients - mesh.spline().coefficients).max(axis=(0, 1))
        step = 0.5 / 32767 if storage == "snorm16" else 2.0**-12
        assert np.all(error <= 1.01 * step * shared.scale)
        assert np.abs(texture_from_ktx2(file.data, where="t").values()[..., :3]).max() <= 1.0
    # The plane takes most of it away: content spans hundreds of px, what is left some ten.
    assert shared.scale[:2].max() < 20.0
