"""Late rotation in exported shaders: rate times time by an outside library, and unchanged without it."""

import json
import re
from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from prewarp.errors import PackageError
from prewarp.export.build import DeviceBuild
from prewarp.export.manifest import schema_bytes
from prewarp.export.package_reading import read_package
from prewarp.export.reached import on_triangles
from prewarp.export.shader_checks import compile_faults, constant_faults
from prewarp.export.shader_files import DIALECTS, shader_package_files
from prewarp.export.shader_text import VULKAN
from prewarp.frames import arcmin_between
from prewarp.head import HeadTurn
from prewarp.render.cpu import prewarp_panel
from prewarp.render.drawing import is_software
from tests.export.device_builds import PUPILS, SCANS, chebyshev_lookup, small_build, write_small
from tests.export.drawing_jobs import PATHS, codes_of, job_of
from tests.export.sealed import write_manifest
from tests.export.test_shaders_gl import DIALECT, drawn
from tests.eyes import closed_form_eye
from tests.render.conftest import context, session_context  # noqa: F401
from tests.render.scenes import hard_scene
from tests.support import require_module, require_tool

# Light is shared out in the pose half-way between the middles of both panels: 0.5 + 120 x 0.03 + 1 - 0.015
# ms, and 2 + 160 x 0.02 + 0.5 - 0.01 ms.
WEIGHTS_FOR_MS = 0.5 * (5.085 + 5.69)
HEAD = HeadTurn((-80.0, 100.0, 60.0), 4.0, WEIGHTS_FOR_MS)
# Asked for.
CLOSE_ARCMIN = 0.01
# Which variable holds green's content point where codes are made.
SHOWN = {"mesh": "v_green", "table": "green", "polynomial": "green"}


@pytest.fixture(scope="module")
def late(tmp_path_factory):
    folder = tmp_path_factory.mktemp("late") / "visor"
    build = small_build(late=True)
    result = write_small(folder, build=build)
    return folder, build, result


@pytest.fixture(scope="module")
def still(tmp_path_factory):
    folder = tmp_path_factory.mktemp("still") / "visor"
    write_small(folder)
    return folder, small_build()


def block_of(head):
    return (*np.radians(head.rate_deg_per_s), head.drawn_for_ms / 1000.0)


def places(context, folder, build, channel, path, pupil, head):  # noqa: F811
    """Draw the content points of green, (rows, columns, 2) px, in place of codes."""
    job = job_of(folder, channel, path, pupil, DIALECT, build.content)
    text, count = re.subn(
        r"out_encoded = .*;", f"out_encoded = vec4({SHOWN[path]}.xy, 0.0, 1.0);", job.fragment
    )
    assert count == 1
    # Nothing else is looked at then, so the compiler removes it.
    used = {name: texels for name, texels in job.textures.items() if name == "t_table_green"}
    job = replace(job, fragment=text, textures=used)
    if job.attributes is not None:
        names = ("in_panel_px", "in_direction_green")
        job = replace(job, attributes={name: job.attributes[name] for name in names})
    return drawn(context, job, head=block_of(head))[..., :2].astype(float)


def by_hand(tangent, pixel, scan, size, head):
    """Turn directions (n, 2) of panel points by SciPy's rotations, by times counted from the sides."""
    (width, height), (u, v) = size, np.moveaxis(pixel, -1, 0)
    lines = {"down": v - 0.5, "up": height - 0.5 - v, "right": u - 0.5, "left": width - 0.5 - u}
    time_ms = scan.start_ms + scan.line_us * lines[scan.direction] / 1e3 + scan.persistence_ms / 2.0
    vector = np.column_stack([tangent, np.ones(len(tangent))])
    angle = np.radians(head.rate_deg_per_s) * (time_ms[:, None] - head.drawn_for_ms) / 1e3
    turned = Rotation.from_rotvec(angle).apply(vector)
    return turned[:, :2] / turned[:, 2:]


@pytest.mark.outside
@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize("channel", ["left", "right"])
def test_every_path_turns_by_rate_times_time(late, context, channel, path):  # noqa: F811
    folder, build, _ = late
    content, size, scan = build.content, build.panel_size_px(channel), SCANS[channel]
    plain, turned = (
        content.tangent_from_pixel(places(context, folder, build, channel, path, 1, head).reshape(-1, 2))
        for head in (HeadTurn(drawn_for_ms=9.0), HEAD)
    )
    pixel = np.stack(np.meshgrid(np.arange(size[0]), np.arange(size[1])), axis=-1).reshape(-1, 2) + 0.5
    if path == "mesh":
        # Nodes turn; between them the rasteriser interpolates, as it does without.
        job = job_of(folder, channel, path, 1, DIALECT, content)
        nodes, seen = (job.attributes[name].astype(float) for name in ("in_panel_px", "in_direction_green"))
        shape = (len(np.unique(nodes[:, 1])), len(np.unique(nodes[:, 0])), 2)
        shown = content.pixel_from_tangent(by_hand(seen, nodes, scan, size, HEAD))
        place = on_triangles(shown.reshape(shape), pixel / np.array(size))
        expected = content.tangent_from_pixel(place)
    else:
        expected = by_hand(plain, pixel, scan, size, HEAD)
    assert arcmin_between(turned, expected).max() < CLOSE_ARCMIN
    assert arcmin_between(plain, expected).max() > 30.0


@pytest.mark.parametrize("path", PATHS)
def test_a_head_that_keeps_still_changes_no_bit(late, still, context, path):  # noqa: F811
    build = late[1]
    for pupil in (0, 1):
        values = [
            drawn(context, job_of(folder, "left", path, pupil, DIALECT, build.content), head=head)
            for folder, head in ((late[0], (0.0, 0.0, 0.0, 0.005)), (still[0], None))
        ]
        # Whatever time the content was drawn for.
        job = job_of(late[0], "left", path, pupil, DIALECT, build.content)
        assert drawn(context, job, head=(0.0, 0.0, 0.0, -2.0)).tobytes() == values[0].tobytes()
        # Elsewhere a compiler may take products and sums together otherwise in one text than in the other.
        if path == "table" or not is_software(context.info["GL_RENDERER"]):
            # Content points go to directions and back: two roundings, worth a code beside hard edges.
            different = np.mean(np.abs(values[0] - values[1]).max(axis=-1) > 1.5 / 1023.0)
            assert different < 2e-3
        else:
            assert values[0].tobytes() == values[1].tobytes()


@pytest.mark.parametrize("path", PATHS)
def test_pictures_are_those_of_the_reference_renderer(late, context, path):  # noqa: F811
    folder, build, _ = late
    job = job_of(folder, "left", path, 1, DIALECT, build.content)
    got = codes_of(drawn(context, job, head=block_of(HEAD)), 10)
    asked = {
        "channel": "left",
        "tracked_pupil_mm": PUPILS[1],
        "seam": build.seam,
        "transfer": build.transfer("left"),
        "bit_depth": 10,
        "step_px": build.step_px,
    }
    image = hard_scene(*build.content.size_px)
    how = {"scan": SCANS["left"], "head": HEAD}
    plain = prewarp_panel(build.fields, build.content, image, **asked).codes
    turned = prewarp_panel(build.fields, build.content, image, **asked, **how).codes
    light = [build.transfer("left").linear_from_encoded(codes / 1023.0) for codes in (got, turned, plain)]
    near = np.mean(np.abs(light[0] - light[1]) <= 0.03)
    assert near >= 0.95
    assert np.mean(np.abs(light[0] - light[2]) <= 0.03) < near - 0.05


def test_without_late_rotation_no_text_knows_of_it(still):
    declared = closed_form_eye(
        small_build().fields,
        content=small_build().content,
        box=small_build().eye.eye_box,
        transfers=small_build().eye.transfers,
        bits={"left": 10},
        scans=SCANS,
    )
    builds = small_build(), DeviceBuild(declared, PUPILS, step_px=10.0)
    texts = [
        {f.path: f.data for f in shader_package_files(build, "left", DIALECTS, chebyshev_lookup(), {})}
        for build in builds
    ]
    assert texts[0] == texts[1]
    for data in texts[0].values():
        assert b"PREWARP_LATE" not in data and b"PrewarpHead" not in data and b"prewarp_turned" not in data


def test_a_late_package_is_verified_and_says_so(late):
    require_tool("glslangValidator")
    folder, _, result = late
    assert result.verification.ok
    manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    jsonschema = require_module("jsonschema")
    jsonschema.Draft202012Validator(json.loads(schema_bytes())).validate(manifest)
    left = manifest["channels"][0]["scan"]
    assert left["late_rotation"] is True and left["direction"] == "down"
    # Row 0 at 0.5 ms and half of 2 ms; 30 us a row.
    constant, along_u, along_v = left["lit_s"]
    assert (along_u, along_v) == (0.0, pytest.approx(3e-5))
    assert constant + 0.5 * along_v == pytest.approx(1.5e-3)
    assert all(
        one["scan"]["weights_for_s"] == pytest.approx(1e-3 * WEIGHTS_FOR_MS) for one in manifest["channels"]
    )
    package = read_package(folder)
    assert constant_faults(package) == []
    faults, _ = compile_faults(package)
    assert faults == []
    for one in manifest["files"]:
        if one["kind"] == "shader" and one["details"]["dialect"] == VULKAN:
            names = {block["name"]: block["binding"] for block in one["details"]["blocks"]}
            bound = [sampler["binding"] for sampler in one["details"]["samplers"]]
            assert names.get("PrewarpHead", 15) == 15 and 15 not in bound
    guide = (folder / "GUIDE.md").read_text(encoding="utf-8")
    assert "PrewarpHead" in guide and "prewarp_turn_mesh" in guide


def test_a_wrong_time_of_lines_is_found(late, tmp_path):
    import shutil

    folder = shutil.copytree(late[0], tmp_path / "copy")
    manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    manifest["channels"][0]["scan"]["lit_s"][2] *= 1.01
    write_manifest(folder, manifest)
    faults = constant_faults(read_package(folder))
    assert faults and all("u_lit_s is not that of the tables" in fault for fault in faults)


def test_late_rotation_without_a_scan_is_refused():
    with pytest.raises(PackageError, match=r"declare \[channel\.left\.panel\.scan\] and \[channel\.right"):
        DeviceBuild(small_build().eye, PUPILS, late=True)
