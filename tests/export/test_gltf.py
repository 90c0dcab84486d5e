"""glTF meshes: the Khronos validator, our own reading of the bytes, damaged files, triangles."""

import json
import struct
import subprocess
from dataclasses import replace

import numpy as np
import pytest

from prewarp.errors import PackageError
from prewarp.export.gltf import (
    attributes_from_glb,
    colour_attributes,
    glb_bytes,
    gltf_file,
    triangle_indices,
)
from prewarp.export.reached import on_triangles
from tests.export.device_builds import CONTENT, small_build
from tests.support import require_node_package

# Prints the report of Khronos's own validator (npm: gltf-validator).
_VALIDATE = """
const [, , folder, path] = process.argv;
const validator = require(folder);
const bytes = new Uint8Array(require('fs').readFileSync(path));
validator.validateBytes(bytes).then((report) => console.log(JSON.stringify(report)));
"""


@pytest.fixture(scope="module")
def meshes():
    build = small_build()
    return {colour: build.mesh("right", colour, 1) for colour in build.colours}


@pytest.fixture(scope="module")
def file(meshes):
    build = small_build()
    gained = {colour: build.gain_mesh("right", colour, 1) for colour in build.colours}
    return gltf_file(build, meshes, gained, 1)


def validated(data, tmp_path):
    node, package = require_node_package("gltf-validator")
    script, path = tmp_path / "validate.cjs", tmp_path / "mesh.glb"
    script.write_text(_VALIDATE)
    path.write_bytes(data)
    done = subprocess.run([node, script, package, path], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


@pytest.mark.outside
def test_the_khronos_validator_has_nothing_to_say(file, tmp_path):
    report = validated(file.data, tmp_path)
    issues = report["issues"]
    assert [issues[f"num{kind}"] for kind in ("Errors", "Warnings", "Infos", "Hints")] == [0, 0, 0, 0], (
        issues["messages"]
    )
    assert (report["info"]["totalVertexCount"], report["info"]["totalTriangleCount"]) == (
        33 * 25,
        32 * 24 * 2,
    )


@pytest.mark.outside
def test_the_khronos_validator_sees_what_is_wrong(file, tmp_path):
    """The check can fail: a POSITION outside its stated range."""
    data = bytearray(file.data)
    (size,) = struct.unpack_from("<I", data, 12)
    struct.pack_into("<f", data, 28 + size, 7.0)
    assert validated(bytes(data), tmp_path)["issues"]["numErrors"] > 0


def test_the_bytes_by_hand(file, meshes):
    # Header and chunks as in the specification, read without any of our reading code.
    magic, version, length = struct.unpack_from("<4sII", file.data)
    assert (magic, version, length) == (b"glTF", 2, len(file.data))
    size, kind = struct.unpack_from("<I4s", file.data, 12)
    assert kind == b"JSON"
    document = json.loads(file.data[20 : 20 + size])
    binary = file.data[28 + size :]
    attributes = document["meshes"][0]["primitives"][0]["attributes"]
    for name, expected in (
        ("_DIRECTION_R", meshes["R"].tangent),
        ("_CONTENT_B", meshes["B"].content_px),
        ("_WEIGHT_G", meshes["G"].weight[..., None]),
    ):
        view = document["bufferViews"][document["accessors"][attributes[name]]["bufferView"]]
        found = np.frombuffer(binary, "<f4", view["byteLength"] // 4, view["byteOffset"])
        np.testing.assert_array_equal(found, expected.astype(np.float32).ravel())
    assert document["meshes"][0]["extras"]["pupil_mm"] == [2.0, -1.5, 1.0]


def test_axes_and_signs(file):
    """The panel's top-left corner, u = v = 0, is at x = -1, y = +1; u runs to the right, v down."""
    found = attributes_from_glb(file.data, 25, 33, where="t")
    np.testing.assert_allclose(found["POSITION"][0, 0], [-1.0, 1.0, 0.0])
    np.testing.assert_allclose(found["POSITION"][0, -1], [1.0, 1.0, 0.0])
    np.testing.assert_allclose(found["_PANEL_PX"][-1, 0], [0.0, 240.0])
    # Triangles are counter-clockwise as seen with y up.
    corners = found["POSITION"].reshape(-1, 3)[triangle_indices(25, 33)][..., :2]
    a, b = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    assert np.all(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0] > 0.0)


def test_content_places_follow_from_directions(file):
    found = attributes_from_glb(file.data, 25, 33, where="t")
    np.testing.assert_allclose(
        CONTENT.pixel_from_tangent(found["_DIRECTION_G"]), found["_CONTENT_G"], atol=1e-4
    )


def test_triangles_interpolate_as_drawn():
    # By hand: unit cell with corner values 0, 1 (across), 10 (down), 100 (opposite).
    nodes = np.array([[[0.0], [1.0]], [[10.0], [100.0]]])
    place = np.array([[0.5, 0.0], [0.0, 0.5], [0.5, 0.5], [0.75, 0.25], [0.25, 0.75]])
    expected = [0.5, 5.0, 50.0, 0.75 + 0.25 * 99.0, 7.5 + 0.25 * 90.0]
    np.testing.assert_allclose(on_triangles(nodes, place)[:, 0], expected)


def test_attribute_names():
    assert colour_attributes(["R"])["R"] == ("_DIRECTION_R", "_CONTENT_R", "_WEIGHT_R", "_GAIN_R")
    names = colour_attributes(["red", "deep red", "RED"])
    assert [one[2] for one in names.values()] == ["_WEIGHT_RED", "_WEIGHT_COLOUR1", "_WEIGHT_COLOUR2"]


@pytest.mark.parametrize(
    ("damage", "message"),
    [
        (lambda d: b"glTG" + d[4:], "not a glTF 2.0 binary file"),
        (lambda d: d[:-4], "not a glTF 2.0 binary file of its stated length"),
        (lambda d: d[:16] + b"XXXX" + d[20:], "first chunk is not JSON"),
        (lambda d: d.replace(b"POSITION", b"POSITIUN", 1), None),
        (lambda d: d.replace(b'"accessors"', b'"accessorz"', 1), "damaged .KeyError: 'accessors'"),
        (lambda d: d.replace(b'"byteOffset":0', b'"byteOffset":9', 1), None),
        (lambda d: d.replace(b'{"accessors"', b'["accessors"', 1), "damaged"),
        (lambda d: d.replace(b'"VEC3"', b'"VEC9"', 1), "damaged .KeyError: 'VEC9'"),
        (lambda d: d[:-1] + bytes([d[-1] ^ 1]), "triangles do not join"),
    ],
)
def test_damaged_files_are_refused(file, damage, message):
    data = damage(file.data)
    assert data != file.data
    if message is None:
        # Still a file of the right shape: what it holds is another thing, which verification finds.
        assert not np.array_equal(
            attributes_from_glb(data, 25, 33, where="t").get("POSITION"),
            attributes_from_glb(file.data, 25, 33, where="t")["POSITION"],
        )
        return
    with pytest.raises(PackageError, match=f"t.glb: .*{message}"):
        attributes_from_glb(data, 25, 33, where="t.glb")


def test_another_number_of_nodes_is_refused(file):
    for rows, columns in ((25, 34), (33, 25), (5, 5)):
        with pytest.raises(PackageError):
            attributes_from_glb(file.data, rows, columns, where="t")


@pytest.mark.outside
def test_odd_names_and_one_colour(meshes, tmp_path):
    odd = {"deep red": replace(meshes["R"], channel='in"ner\n')}
    build = small_build()
    values = {name: np.zeros((2, 2, width)) for name, width in (("POSITION", 3), ("_WEIGHT_COLOUR0", 1))}
    data = glb_bytes(values, triangle_indices(2, 2), odd["deep red"].channel, {"channel": 'in"ner\n'})
    assert validated(data, tmp_path)["issues"]["numErrors"] == 0
    assert build.stem("left") == "c0-left"
