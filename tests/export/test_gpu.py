"""Meshes and shares made on the GPU from a package's files alone, held to the twins of the C evaluator."""

import json
import re
import shutil
from dataclasses import replace

import numpy as np
import pytest

from prewarp.content import ContentProjection
from prewarp.errors import PackageError
from prewarp.export.gpu_checks import number_faults, stage_faults
from prewarp.export.gpu_files import GROUP_PX, MESH, SHARES, gpu_files, gpu_not_available
from prewarp.export.gpu_nodes import KIND, NODES_SHARE, node_counts, nodes_reached
from prewarp.export.gpu_numbers import border_points, claim_numbers, gpu_plan, map_numbers
from prewarp.export.ktx2 import FORMATS, Texture, ktx2_bytes, texture_from_ktx2
from prewarp.export.package import PackageOptions
from prewarp.export.package_reading import read_package
from prewarp.export.polynomial_block import coefficient_block
from prewarp.export.reached import on_triangles
from prewarp.export.shader_files import picture_files
from prewarp.export.shader_text import COMPUTE_OF, HEADS, VULKAN, Constant, device_shader
from prewarp.export.shader_textures import MEANINGS
from prewarp.export.share_textures import texel_directions
from prewarp.export.truth import truth_of
from prewarp.export.verify import verify_package
from prewarp.files import sha256_of_bytes
from prewarp.head import HeadTurn
from prewarp.lookup import Family, prepare
from prewarp.lookup.device_light import PreparedLight
from prewarp.lookup.pupil import pupil_exponents
from tests.export.device_builds import (
    ASKED,
    BOX_MM,
    PUPILS,
    SCANS,
    chebyshev_lookup,
    small_build,
    write_small,
)
from tests.export.drawing_jobs import (
    MOST_UNSURE,
    UNSURE,
    codes_of,
    pixels_of,
    plane_codes,
    require_close,
    share_from,
    texels_at,
)
from tests.export.gpu_passes import GpuPasses, read
from tests.export.sealed import write_manifest
from tests.export.test_shader_text import require_compiled
from tests.export.test_shaders_late import block_of, by_hand
from tests.lookup.small_lookups import small_lookup
from tests.render.conftest import context, session_context  # noqa: F401  (fixtures)

PLANES = ("R", "G", "B")
DRAWN = ("glsl330", "glsl300es")
# Sums of some hundred floats of the size of a tangent.
SAME_TANGENT = 1e-6
NOWHERE = np.zeros(2)
SAME_GAIN = 2e-6
# Half floats: 2^-11 of claims up to 1 and degrees up to 2.
SAME_SHARE = 1.1e-3
LIMIT_DEG = 2.0
# Beyond the eye box along x and z: z there is worth something in what gains depend on.
OUTSIDE_MM = np.array([7.0, 0.3, 2.5])


@pytest.fixture(autouse=True, scope="module")
def no_tools():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("prewarp.export.lookup_files.find_compiler", lambda: None)
        patch.setattr("prewarp.export.shader_checks._tool", lambda name: None)
        yield


def exported(folder, build, lookup):
    result = write_small(
        folder,
        build=build,
        lookup=lookup,
        formats=("lookup", "shaders", "gpu"),
        dialects=DRAWN,
    )
    return folder, build, lookup, result


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    return exported(tmp_path_factory.mktemp("plain") / "visor", small_build(), chebyshev_lookup())


@pytest.fixture(scope="module")
def matched(tmp_path_factory):
    """Gains, white match, dither, equidistant content, late rotation."""
    folder = tmp_path_factory.mktemp("matched") / "visor"
    build = small_build("blue", matched=True, projection="equidistant", late=True)
    return exported(folder, build, chebyshev_lookup(matched=True))


@pytest.mark.gl
@pytest.mark.parametrize("dialect", DRAWN)
@pytest.mark.parametrize("pupil", [PUPILS[1], OUTSIDE_MM], ids=["inside", "outside"])
def test_terms_nodes_and_gains_are_those_of_the_evaluator(matched, context, dialect, pupil):  # noqa: F811
    folder, build, lookup, _ = matched
    passes, light = GpuPasses(context, folder, dialect, build.content, pupil), PreparedLight(lookup, pupil)
    plan = gpu_plan(lookup, build.channels, PLANES)
    for channel in build.channels:
        block = coefficient_block(lookup, channel, PLANES, plan.degree, pupil)
        assert np.abs(read(passes.terms[channel]) - block).max() < SAME_TANGENT
        nodes = read(passes.nodes[channel])
        rows, columns = nodes.shape[0] // 3, nodes.shape[1]
        found = nodes[:rows, :, :2], nodes[:rows, :, 2:], nodes[rows : 2 * rows, :, :2]
        width, height = build.panel_size_px(channel)
        u, v = np.linspace(0.0, width, columns), np.linspace(0.0, height, rows)
        pixel = np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)
        for plane, (colour, tangent) in enumerate(zip(PLANES, found, strict=True)):
            place = lookup.map_index(channel, colour)
            twin = prepare(lookup, place, pupil).mesh(columns, rows)
            assert np.abs(tangent - twin).max() < SAME_TANGENT
            gain = light.gain(place, pixel, twin.reshape(-1, 2).astype(float))
            assert np.abs(nodes[2 * rows :, :, plane].ravel() - gain).max() < SAME_GAIN
            assert gain.max() - gain.min() > 0.05


@pytest.mark.gl
@pytest.mark.parametrize("pupil", [PUPILS[1], OUTSIDE_MM], ids=["inside", "outside"])
def test_gains_follow_the_ray(context, tmp_path, pupil):  # noqa: F811
    """Gains of random numbers, other ones for every colour: files alone, since no package would pass."""
    build, lookup = small_build(matched=True), chebyshev_lookup(matched=True)
    random = np.random.default_rng(3)
    gains = [
        replace(one, block=replace(one.block, numbers=random.integers(-9000, 9000, one.block.numbers.shape)))
        for one in lookup.gains
    ]
    gains = [replace(one, block=replace(one.block, scale=float(np.float32(0.05 / 9000)))) for one in gains]
    lookup = replace(lookup, gains=tuple(gains))
    assert {one.pupil_degree for one in gains} == {0, 1}
    columns, rows = 9, 7
    files = [
        *gpu_files(build, lookup, dict.fromkeys(build.channels, (9, 7)), DRAWN[:1], sampling="exact"),
        *picture_files(DRAWN[:1]),
    ]
    for file in files:
        (tmp_path / file.path).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / file.path).write_bytes(file.data)
    channels = [{"channel": name, "panel_size_px": build.panel_size_px(name)} for name in build.channels]
    manifest = {"channels": channels, "files": [file.entry() for file in files]}
    write_manifest(tmp_path, manifest)
    passes, light = (
        GpuPasses(context, tmp_path, DRAWN[0], build.content, pupil),
        PreparedLight(lookup, pupil),
    )
    for channel in build.channels:
        found = read(passes.nodes[channel])[2 * rows :]
        width, height = build.panel_size_px(channel)
        pixel = np.stack(np.meshgrid(np.linspace(0, width, columns), np.linspace(0, height, rows)), axis=-1)
        for plane, colour in enumerate(PLANES):
            place = lookup.map_index(channel, colour)
            tangent = prepare(lookup, place, pupil).mesh(columns, rows).astype(float)
            gain = light.gain(place, pixel.reshape(-1, 2), tangent.reshape(-1, 2))
            assert np.abs(found[..., plane].ravel() / gain - 1.0).max() < SAME_GAIN


@pytest.mark.gl
@pytest.mark.outside
def test_terms_are_those_of_an_outside_library(plain, context):  # noqa: F811
    """numpy.polynomial.chebyshev, on the numbers of the package's textures."""
    folder, build, _, _ = plain
    passes = GpuPasses(context, folder, "glsl330", build.content, PUPILS[1])
    (low, high), outside = BOX_MM, np.polynomial.chebyshev
    x, y, z = 2.0 * (PUPILS[1] - low) / (high - low) - 1.0
    for channel in build.channels:
        numbers = read(passes.stored(channel, "t_numbers")).astype(float)
        count = len(numbers) // 2
        degree = next(k for k in range(9) if len(pupil_exponents(k)) == count)
        cube = np.zeros((degree + 1,) * 3 + numbers.shape[1:])
        cube[tuple(pupil_exponents(degree).T)] = numbers[:count]
        expected = outside.chebval3d(x, y, z, cube)
        assert np.abs(read(passes.terms[channel])[0] - expected).max() < SAME_TANGENT
        panel = round((np.sqrt(8.0 * numbers.shape[1] + 1.0) - 3.0) / 2.0)
        square = np.zeros((panel + 1, panel + 1, 4))
        for i in range(panel + 1):
            for j in range(panel + 1 - i):
                square[i, j] = expected[(i + j) * (i + j + 1) // 2 + j]
        nodes = read(passes.nodes[channel])
        rows, columns = nodes.shape[0] // 3, nodes.shape[1]
        seen = outside.chebgrid2d(np.linspace(-1.0, 1.0, columns), np.linspace(-1.0, 1.0, rows), square)
        assert np.abs(nodes[:rows] - np.moveaxis(seen, 0, -1).swapaxes(0, 1)).max() < SAME_TANGENT


@pytest.mark.gl
@pytest.mark.parametrize("dialect", DRAWN)
@pytest.mark.parametrize("name", ["plain", "matched"])
def test_shares_are_those_of_the_evaluator(request, context, dialect, name):  # noqa: F811
    folder, build, lookup, _ = request.getfixturevalue(name)
    passes = GpuPasses(context, folder, dialect, build.content, PUPILS[1])
    found = read(passes.shares["t_shares"])
    tangent = texel_directions(build.content)
    twins = PreparedLight(lookup, PUPILS[1]).claims_and_depths(tangent.reshape(-1, 2), limit_deg=LIMIT_DEG)
    expected = np.concatenate(twins).T.reshape(*tangent.shape[:2], 4)
    assert found.shape == expected.shape and np.abs(found - expected).max() < SAME_SHARE
    # The fit's own, whose borders and distances are found another way.
    near = np.abs(expected[..., 2:]).min(axis=-1) < 0.3
    depth = np.moveaxis(build.seam.at(PUPILS[1]).depth_deg(tangent), 0, -1)
    same = np.sign(found[..., 2:]) == np.sign(np.nan_to_num(depth, nan=-1.0))
    assert near.sum() > 100 and np.mean(same | (np.abs(depth) < 0.05)) > 0.9999


@pytest.mark.gl
@pytest.mark.parametrize("count", [3])
def test_more_channels_fill_two_textures(context, count):  # noqa: F811
    """Channels of the small lookup again and again, all borders and claims in their places."""
    lookup, content = chebyshev_lookup(), ContentProjection("flat", (80, 50), 80.0)
    names = ("left", "right", "right", "left")[:count]
    plan = gpu_plan(lookup, names, PLANES)
    points = border_points(lookup, names, PLANES)
    size = points.shape[1], points.shape[0]
    picture = device_shader(
        "picture.vert", dialect="glsl330", options={}, constants={}, meanings={}, head="vertices"
    ).text

    def drawn(piece, options, constants, given, size, targets, kind):
        shader = device_shader(
            piece, dialect="glsl330", options=options, constants=constants, meanings=MEANINGS, head="stage"
        )
        program = context.program(vertex_shader=picture, fragment_shader=shader.text)
        for unit, (name, values) in enumerate(given.items()):
            if not hasattr(values, "use"):
                values = context.texture(values.shape[1::-1], 4, values.astype("<f4").tobytes(), dtype="f4")
                values.filter = (context.NEAREST, context.NEAREST)
            values.use(unit)
            program[name].value = unit
        made = [context.texture(size, 4, dtype=kind) for _ in range(targets)]
        context.framebuffer(made).use()
        context.vertex_array(program, []).render(vertices=3)
        return made

    given = {"t_border_points": points} | {
        f"t_terms_{k}": coefficient_block(lookup, name, PLANES, plan.degree, PUPILS[1])
        for k, name in enumerate(names)
    }
    options = {"PREWARP_CHANNELS": count, "PREWARP_DEGREE": plan.degree}
    (borders,) = drawn("device_borders.frag", options, {}, given, size, 1, "f4")
    claims = lookup.claims
    values = {
        "u_texels": content.size_px,
        "u_content_px": content.size_px,
        "u_content_middle": (40.0, 25.0),
        "u_content_scale": (content.focal_px, -content.focal_px),
        "u_claim_origin_deg": tuple(claims.origin_deg),
        "u_claim_pitch_deg": (claims.pitch_deg,),
        "u_limit_deg": (LIMIT_DEG,),
    }
    constants = {
        name: Constant("vec2" if len(value) == 2 else "float", value, "", "")
        for name, value in values.items()
    }
    given = {"t_borders": borders, "t_claim_numbers": claim_numbers(lookup, names)}
    options = {"PREWARP_CHANNELS": count, "PREWARP_PROJECTION": 0}
    found = drawn("device_shares.frag", options, constants, given, content.size_px, 2, "f4")
    tangent = content.tangent_from_pixel(pixels_of(*content.size_px))
    twins = PreparedLight(lookup, PUPILS[1]).claims_and_depths(tangent, limit_deg=LIMIT_DEG)
    places = [lookup.channels.index(name) for name in names]
    for texture, twin, missing in zip(found, twins, (0.0, -LIMIT_DEG), strict=True):
        values = read(texture).reshape(-1, 4)
        assert np.abs(values[:, :count] - twin[places].T).max() < 1e-4
        assert np.all(values[:, count:] == missing)


def expected_codes(passes, build, lookup, channel, pupil_mm, head=None):
    """Return codes by the twins: nodes of tables, triangles by numpy, the texture's shares, CPU codes."""
    return codes_of_places(passes, build, lookup, channel, pupil_mm, [NOWHERE], [NOWHERE], head)[0]


def code_range(passes, build, lookup, channel, pupil_mm):
    """Return the least and the largest codes where texture units round places between texels to 1/256.

    Content and shares are looked up half of that aside, every way.
    """
    texel = np.divide(passes.manifest["content"]["size_px"], passes.shares["t_shares"].size)
    aside = np.array([[-1.0, -1.0], [1.0, -1.0], [-1.0, 1.0], [1.0, 1.0]]) / 512.0
    codes = codes_of_places(passes, build, lookup, channel, pupil_mm, aside, aside * texel)
    unsure = np.any([one == UNSURE for one in codes], axis=0)
    return (np.where(unsure, UNSURE, found(codes, axis=0)) for found in (np.min, np.max))


def codes_of_places(passes, build, lookup, channel, pupil_mm, content_aside, shares_aside, head=None):
    """Return codes for content, and the least and largest share, looked up so many content px aside."""
    own = passes.stage("nodes.frag", channel)["details"]
    columns, rows = own["columns"], own["rows"]
    size = build.panel_size_px(channel)
    pixel = pixels_of(*size)
    u, v = np.linspace(0.0, size[0], columns), np.linspace(0.0, size[1], rows)
    nodes = np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)
    light, shares = PreparedLight(lookup, pupil_mm), read(passes.shares["t_shares"]).astype(float)
    codes = np.empty((2 * len(content_aside), size[1], size[0], 3), dtype=np.int64)
    for plane, colour in enumerate(PLANES):
        place = lookup.map_index(channel, colour)
        tangent = prepare(lookup, place, pupil_mm).mesh(columns, rows).reshape(-1, 2).astype(float)
        gain = light.gain(place, nodes, tangent).astype(float)
        if head is not None:
            tangent = by_hand(tangent, nodes, SCANS[channel], size, head)
        value = np.column_stack([build.content.pixel_from_tangent(tangent), gain]).reshape(rows, columns, 3)
        shown = on_triangles(value, pixel / size)
        found, sure = zip(
            *(
                share_from(
                    passes.manifest,
                    channel,
                    texels_at(passes.manifest, shares, shown[:, :2] + aside),
                    shown[:, :2],
                )
                for aside in shares_aside
            ),
            strict=True,
        )
        known = np.all(sure, axis=0).reshape(size[::-1])
        for k, aside in enumerate(content_aside):
            moved = shown + [*aside, 0.0]
            for most, share in enumerate((np.min(found, axis=0), np.max(found, axis=0))):
                own = plane_codes(build, channel, plane, moved, share).astype(np.int64)
                codes[2 * k + most, ..., plane] = np.where(known, own, UNSURE)
    return codes


@pytest.mark.gl
@pytest.mark.parametrize("dialect", DRAWN)
@pytest.mark.parametrize("channel", ["left", "right"])
def test_pictures_of_triangles_and_of_the_compute_form(plain, context, dialect, channel):  # noqa: F811
    """From 16 bytes to codes; 10 bits on the left, in half floats by the compute form, 8 on the right."""
    folder, build, lookup, _ = plain
    passes = GpuPasses(context, folder, dialect, build.content, PUPILS[1])
    low, high = code_range(passes, build, lookup, channel, PUPILS[1])
    expected = expected_codes(passes, build, lookup, channel, PUPILS[1])
    bits = build.bit_depth(channel)
    triangles = codes_of(passes.panel(channel), bits)
    computed = np.rint(passes.computed(channel)[..., :3] * (2.0**bits - 1.0)).astype(np.int64)
    judged = (low != UNSURE) & (expected != UNSURE)
    low, high = np.minimum(low, expected), np.maximum(high, expected)
    assert np.mean(judged) > 1.0 - MOST_UNSURE and np.mean(high - low <= 2) > 0.5
    for picture in (triangles, computed):
        assert np.mean(np.abs(picture - expected)[judged] <= 1) >= 0.999
        # Beside hard edges and near black the filter's own rounding is worth some codes.
        require_close(picture, np.where(judged, np.clip(picture, low, high), UNSURE), share=0.999)
    assert np.mean(np.abs(computed - triangles) <= 1) > 0.999
    # The comparison can fail: the other pupil position.
    passes.move(PUPILS[0])
    for picture in (passes.panel(channel), passes.computed(channel)):
        with pytest.raises(AssertionError):
            require_close(np.rint(picture[..., :3] * (2.0**bits - 1.0)), expected, share=0.999)


@pytest.mark.gl
def test_rows_may_run_up(plain, context):  # noqa: F811
    folder, build, _, _ = plain
    passes = GpuPasses(context, folder, "glsl330", build.content, PUPILS[1])
    down, up = (passes.panel("left", rows_up=switch) for switch in (False, True))
    assert np.mean(np.abs(down - up[::-1]) < 0.003) > 0.998
    down, up = (passes.computed("left", rows_up=switch) for switch in (False, True))
    np.testing.assert_array_equal(down, up[::-1])


@pytest.mark.gl
@pytest.mark.parametrize("channel", ["left", "right"])
def test_late_rotation_gains_and_dither(matched, context, channel):  # noqa: F811
    """Turned by SciPy's rotations; where nothing is shared, so that the time of shares does not matter."""
    folder, build, lookup, _ = matched
    head = HeadTurn((-80.0, 100.0, 60.0), 4.0)
    passes = GpuPasses(context, folder, "glsl330", build.content, PUPILS[1])
    still, turned = (
        (passes.panel(channel, head=given), passes.computed(channel, head=given))
        for given in ((0.0, 0.0, 0.0, 0.005), block_of(head))
    )
    bits = build.bit_depth(channel)
    for pictures, given in ((still, None), (turned, head)):
        expected = expected_codes(passes, build, lookup, channel, PUPILS[1], given)
        width = expected.shape[1] // 3
        alone = slice(0, width) if channel == "left" else slice(-width, None)
        for picture in pictures:
            got = np.rint(picture[:, alone, :3] * (2.0**bits - 1.0)).astype(np.int64)
            # Arc tangents of GLSL, and thresholds that are just met.
            difference = np.abs(got - expected[:, alone])[expected[:, alone] != UNSURE]
            assert np.mean(difference <= 1) > 0.98
    assert np.mean(np.abs(still[0] - turned[0]) > 0.1) > 0.05
    assert np.mean(np.abs(turned[0] - turned[1]) < 1.5 / (2.0**bits - 1.0)) > 0.995


def test_the_package_is_verified_and_says_what_it_reaches(plain, matched):
    for folder, build, lookup, result in (plain, matched):
        assert result.verification.ok
        found = [one for one in result.manifest["errors_reached"] if one["kind"] == KIND]
        assert len(found) == 6 and max(one["largest_error_px"] for one in found) <= ASKED.max_error_px
        named = [check for check in result.verification.checks if check.artefact == KIND]
        assert {"textures", "stages"} <= {check.what for check in named}
        for one in (file for file in result.manifest["files"] if file["details"].get("step") == "nodes.frag"):
            counts = one["details"]["columns"], one["details"]["rows"]
            truth = truth_of(build, per_pupil=False)
            limit_px = NODES_SHARE * ASKED.max_error_px
            assert node_counts(lookup, truth, one["details"]["channel"], PLANES, limit_px) == counts
        assert "All on the GPU" in (folder / "GUIDE.md").read_text(encoding="utf-8")


def test_triangles_of_few_nodes_are_told(plain):
    """Errors fall with the square of the distance between nodes, down to that of the table."""
    _, build, lookup, _ = plain
    truth = truth_of(build, per_pupil=False)
    coarse, fine = (
        max(one.px for one in nodes_reached(lookup, truth, "left", PLANES, nodes))
        for nodes in ((6, 5), (61, 46))
    )
    assert coarse > 5.0 * fine and fine < 0.1
    with pytest.raises(PackageError, match=r"triangles add .* px .* Allow a larger error, or leave out"):
        node_counts(lookup, truth, "left", PLANES, 1e-6)


def test_numbers_that_are_not_the_blobs_are_found(plain, tmp_path):
    folder = shutil.copytree(plain[0], tmp_path / "copy")
    manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    paths = []
    for sampler in ("t_numbers", "t_claim_numbers", "t_border_points"):
        entry = next(one for one in manifest["files"] if one["details"].get("sampler") == sampler)
        texels = texture_from_ktx2((folder / entry["path"]).read_bytes(), where="t").texels.copy()
        texels[0, 0, 0] += 1e-4
        data = ktx2_bytes(Texture(FORMATS["R32G32B32A32_SFLOAT"], texels, {}))
        (folder / entry["path"]).write_bytes(data)
        entry.update(bytes=len(data), sha256=sha256_of_bytes(data))
        paths.append(entry["path"])
    write_manifest(folder, manifest)
    (failed,) = [one for one in verify_package(folder).failures if one.artefact == KIND]
    assert all(f"{path}: not the numbers of the lookup" in failed.note for path in paths)
    manifest["files"].remove(entry)
    write_manifest(folder, manifest)
    assert any(
        fault == "t_border_points of the eye: missing"
        for fault in number_faults(read_package(folder), plain[2])
    )


def test_stages_of_another_mesh_or_eye_box_are_found(plain, tmp_path):
    folder = shutil.copytree(plain[0], tmp_path / "copy")
    manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))

    def changed(step, pattern, text):
        entry = next(one for one in manifest["files"] if one["details"].get("step") == step)
        data, count = re.subn(pattern, text, (folder / entry["path"]).read_text(encoding="utf-8"))
        assert count == 1
        (folder / entry["path"]).write_text(data, encoding="utf-8")
        entry.update(bytes=len(data.encode()), sha256=sha256_of_bytes(data.encode()))
        return entry

    changed("panel.comp", r"#define PREWARP_COLUMNS \d+", "#define PREWARP_COLUMNS 5")
    entry = changed("prepare.frag", r"vec3\(3\.0, 2\.0, 1\.0\)", "vec3(3.0, 2.0, 1.5)")
    for one in entry["details"]["constants"]:
        if one["name"] == "u_box_high_mm":
            one["values"][2] = 1.5
    write_manifest(folder, manifest)
    faults = list(stage_faults(read_package(folder), plain[2]))
    assert len(faults) == 2
    assert any("u_box_high_mm is not that of the lookup" in fault for fault in faults)
    assert any("panel.comp: not for" in fault for fault in faults)


@pytest.mark.outside
@pytest.mark.parametrize("name", ["plain", "matched"])
def test_the_reference_compiler_takes_every_stage(request, name, tmp_path):
    _, build, lookup, _ = request.getfixturevalue(name)
    nodes = dict.fromkeys(build.channels, (41, 31))
    files = [
        file
        for file in gpu_files(build, lookup, nodes, tuple(HEADS), sampling="filtered")
        if file.kind == "shader"
    ]
    assert len(files) == 3 * (3 + 2 * 3)
    require_compiled(files, tmp_path)
    for file in files:
        if file.details["dialect"] == VULKAN:
            bindings = [
                one["binding"]
                for one in (*file.details["samplers"], *file.details["blocks"], *file.details["images"])
            ]
            assert len(set(bindings)) == len(bindings)
        elif file.details["stage"] == "compute":
            assert file.details["dialect"] in COMPUTE_OF.values()
            assert GROUP_PX[0] * GROUP_PX[1] <= 128


def test_the_vertex_stage_hands_over_what_the_fragment_stage_takes(matched):
    stages = [one["details"] for one in matched[3].manifest["files"] if one["kind"] == "shader"]
    for channel in ("left", "right"):
        vertex = next(one for one in stages if one.get("step") == "nodes.vert" and one["channel"] == channel)
        fragment = next(
            one
            for one in stages
            if (one["path"], one["stage"], one["channel"]) == ("mesh", "fragment", channel)
        )
        assert vertex["outputs"] == fragment["inputs"] and vertex["inputs"] == []


def test_what_cannot_be_made_says_why():
    build, lookup = small_build(), chebyshev_lookup()
    assert gpu_not_available(build, lookup) == []
    (missing,) = gpu_not_available(build, None)
    assert missing["what"] == MESH and "no lookup is exported" in missing["why"]
    spline = small_lookup(Family.SPLINE)
    assert "no polynomial over the panel" in gpu_plan(spline, ("left",), ("G", "G", "G"))
    # One region anywhere: shares then need a search per texel.
    region = next(one for border in small_lookup(Family.CHEBYSHEV).borders for one in border.regions)
    border = replace(lookup.borders[0], regions=(region,))
    dark = replace(lookup, borders=(border, *lookup.borders[1:]))
    (missing,) = gpu_not_available(build, dark)
    assert missing["what"] == SHARES and "the C evaluator fills t_shares" in missing["why"]
    nodes = dict.fromkeys(build.channels, (9, 7))
    steps = {file.details.get("step") for file in gpu_files(build, dark, nodes, DRAWN, sampling="exact")}
    assert "nodes.frag" in steps and "shares.frag" not in steps
    with pytest.raises(PackageError, match=r"meshes made on the GPU are drawn by stages .* ask for both too"):
        PackageOptions(formats=("gpu", "shaders"))


def test_maps_and_bases_are_added():
    """A colour's numbers are its base's and its own: what the evaluator sums for one pupil position."""
    lookup = chebyshev_lookup()
    assert any(table.base is not None for table in lookup.maps)
    plan = gpu_plan(lookup, ("left",), PLANES)
    numbers = map_numbers(lookup, "left", PLANES, plan)
    half = len(numbers) // 2
    # In the middle of the box only even functions are not 0: T_2 = -1, T_4 = 1.
    values = [
        np.prod([np.cos(k * np.pi / 2.0) for k in powers]) for powers in pupil_exponents(plan.pupil_degree)
    ]
    block = coefficient_block(lookup, "left", PLANES, plan.degree, np.zeros(3))
    assert np.abs(np.tensordot(values, numbers[:half], 1) - block[0]).max() < SAME_TANGENT
    assert np.abs(np.tensordot(values, numbers[half:], 1) - block[1]).max() < SAME_TANGENT
