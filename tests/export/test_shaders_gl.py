"""The desktop dialect drawn from a package's files alone through OpenGL, held to the CPU renderer."""

import re
from dataclasses import replace

import numpy as np
import pytest
from scipy.interpolate import LinearNDInterpolator

from prewarp.render.cpu import prewarp_panel
from tests.export.device_builds import PUPILS, chebyshev_lookup, small_build, write_small
from tests.export.drawing_jobs import (
    FILTERED,
    PATHS,
    SHARE_OF_ANGLES,
    UNSURE,
    codes_of,
    expected_codes,
    job_of,
    packed_textures,
    require_close,
)
from tests.render.conftest import context, session_context  # noqa: F401  (fixtures)
from tests.render.scenes import hard_scene

pytestmark = pytest.mark.gl
FORMATS = ("lookup", "shaders", "blocks", "ktx2", "gltf")
DIALECT = "glsl330"
# OpenGL's number for what moderngl does not name (OpenGL 3.3 core specification).
RGBA16_SNORM = 0x8F9B


@pytest.fixture(autouse=True, scope="module")
def no_compiler():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("prewarp.export.lookup_files.find_compiler", lambda: None)
        yield


def exported(folder, dither, matched, projection="flat", **options):
    build = small_build(dither, matched=matched, projection=projection)
    lookup = chebyshev_lookup(matched=matched)
    write_small(folder, build=build, lookup=lookup, formats=FORMATS, dialects=(DIALECT,), **options)
    return folder, build, lookup


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    return exported(tmp_path_factory.mktemp("plain") / "visor", "none", False)


@pytest.fixture(scope="module")
def matched(tmp_path_factory):
    return exported(tmp_path_factory.mktemp("matched") / "visor", "blue", True, texture="half")


@pytest.fixture(scope="module")
def wide(tmp_path_factory):
    return exported(tmp_path_factory.mktemp("wide") / "visor", "none", False, "equidistant")


def drawn(context, job, *, rows_up=False, head=None):  # noqa: F811
    """Draw a job as its manifest says and return what the target holds, row 0 the top.

    `head`: four floats of the block of late rotation.
    """
    switch = "#define PREWARP_ROWS_UP 1\n" if rows_up else ""
    texts = [text.replace("\n", "\n" + switch, 1) for text in (job.vertex, job.fragment)]
    program = context.program(vertex_shader=texts[0], fragment_shader=texts[1])
    for unit, (name, columns, rows, components, kind, data) in enumerate(packed_textures(job)):
        forms = {"i2": {"dtype": "ni2", "internal_format": RGBA16_SNORM}, "u1": {"dtype": "f1"}}
        form = forms.get(kind, {"dtype": kind})
        texture = context.texture((columns, rows), components, data, alignment=1, **form)
        kept = context.LINEAR if name in FILTERED else context.NEAREST
        texture.filter = (kept, kept)
        texture.repeat_x = texture.repeat_y = False
        texture.use(unit)
        program[name].value = unit
    if job.block is not None:
        context.buffer(job.block).bind_to_uniform_block(3)
        program["PrewarpCoefficients"].binding = 3
    if head is not None:
        context.buffer(np.array(head, dtype="<f4").tobytes()).bind_to_uniform_block(4)
        program["PrewarpHead"].binding = 4
    target = context.texture(job.size, 4, dtype="f4")
    frame = context.framebuffer([target])
    frame.use()
    frame.clear(-1.0, -1.0, -1.0, -1.0)
    if job.attributes is None:
        context.vertex_array(program, []).render(vertices=3)
    else:
        buffers = [
            (context.buffer(values.tobytes()), f"{values.shape[1]}f4", name)
            for name, values in job.attributes.items()
        ]
        indices = context.buffer(job.indices.tobytes())
        context.vertex_array(program, buffers, index_buffer=indices).render()
    width, height = job.size
    values = np.frombuffer(frame.read(components=4, dtype="f4"), np.float32).reshape(height, width, 4)
    return values[::-1] if rows_up else values


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize(("channel", "pupil"), [("left", 0), ("right", 1)])
def test_every_path_is_its_twin(plain, context, channel, path, pupil):  # noqa: F811
    folder, build, lookup = plain
    values = drawn(context, job_of(folder, channel, path, pupil, DIALECT, build.content))
    got = codes_of(values, build.bit_depth(channel))
    require_close(got, expected_codes(folder, build, lookup, channel, path, pupil))


@pytest.mark.parametrize("path", PATHS)
def test_gain_white_match_and_dither(matched, context, path):  # noqa: F811
    folder, build, lookup = matched
    values = drawn(context, job_of(folder, "right", path, 1, DIALECT, build.content))
    expected = expected_codes(folder, build, lookup, "right", path, 1)
    require_close(codes_of(values, 8), expected, dithered=True)


@pytest.mark.parametrize("path", PATHS)
def test_equidistant_content(wide, context, path):  # noqa: F811
    folder, build, lookup = wide
    values = drawn(context, job_of(folder, "left", path, 1, DIALECT, build.content))
    expected = expected_codes(folder, build, lookup, "left", path, 1)
    require_close(codes_of(values, 10), expected, share=SHARE_OF_ANGLES)


@pytest.mark.parametrize("channel", ["left", "right"])
def test_shares_drawn_are_those_of_the_seam(plain, context, channel):  # noqa: F811
    """Claims are a quarter of a degree apart in the texture: within 0.005 of light."""
    folder, build, lookup = plain
    values = drawn(context, job_of(folder, channel, "table", 1, DIALECT, build.content))
    expected = expected_codes(folder, build, lookup, channel, "table", 1, seam=build.seam)
    bits = build.bit_depth(channel)
    judged = expected != UNSURE
    got = codes_of(values, bits)
    light = [
        build.transfer(channel).linear_from_encoded(codes / (2**bits - 1.0)) for codes in (got, expected)
    ]
    off = np.abs(light[0] - light[1])[judged]
    # Besides, whole codes: half a step near white.
    code = 1.1 / (2**bits - 1.0)
    assert np.mean(judged) > 0.99 and np.mean(off <= 0.005 + code) >= 0.999 and off.max() < 0.03


def test_shares_of_all_panels_add_up_as_drawn(plain, context):  # noqa: F811
    """Drawn four times as fine, both panels, in the same content points: asked for is 0.002."""
    folder, build, _ = plain
    found = []
    for channel in build.channels:
        job = job_of(folder, channel, "mesh", 1, DIALECT, build.content)
        text, count = re.subn(
            r"out_encoded = .*;", "out_encoded = vec4(v_green.xy, share.g, 1.0);", job.fragment
        )
        assert count == 1
        names = ("in_panel_px", "in_direction_green")
        fine = replace(
            job,
            fragment=text,
            size=(4 * job.size[0], 4 * job.size[1]),
            textures={"t_shares": job.textures["t_shares"]},
            attributes={name: job.attributes[name] for name in names},
        )
        found.append(drawn(context, fine)[..., :3].reshape(-1, 3).astype(float))
    both = [build.content.tangent_from_pixel(one[:, :2]) for one in found]
    seen = build.seam.at(PUPILS[1])
    near = [np.all(seen.depth_deg(tangent) > 0.3, axis=0) for tangent in both]
    assert min(one.sum() for one in near) > 20_000
    other = LinearNDInterpolator(found[1][near[1], :2], found[1][near[1], 2])(found[0][near[0], :2])
    total = (found[0][near[0], 2] + other)[np.isfinite(other)]
    assert len(total) > 20_000 and np.abs(total - 1.0).max() < 0.002
    shares = found[0][near[0], 2]
    assert shares.min() < 0.1 and shares.max() > 0.9


@pytest.mark.parametrize("path", ["mesh", "polynomial"])
def test_other_paths_come_near_the_reference_renderer(plain, context, path):  # noqa: F811
    folder, build, _ = plain
    values = drawn(context, job_of(folder, "left", path, 0, DIALECT, build.content))
    reference = prewarp_panel(
        build.fields,
        build.content,
        hard_scene(*build.content.size_px),
        channel="left",
        tracked_pupil_mm=PUPILS[0],
        seam=build.seam,
        transfer=build.transfer("left"),
        bit_depth=10,
        step_px=build.step_px,
    ).codes
    # 0.1 px off, and 0.05 of light at most where the blend weight has kinks: seldom more than 0.03 of light
    # in a hard scene.
    light = [
        build.transfer("left").linear_from_encoded(codes / 1023.0)
        for codes in (codes_of(values, 10), reference)
    ]
    assert np.mean(np.abs(light[0] - light[1]) <= 0.03) >= 0.95


@pytest.mark.parametrize("path", PATHS)
def test_rows_may_run_up(plain, context, path):  # noqa: F811
    """In a window of OpenGL row 0 is the bottom; one define turns all stages over."""
    folder, build, _ = plain
    job = job_of(folder, "left", path, 0, DIALECT, build.content)
    down, up = drawn(context, job), drawn(context, job, rows_up=True)
    assert np.mean(np.abs(down - up) < 0.003) > 0.998


def test_what_is_wrong_is_seen(plain, context):  # noqa: F811
    """The comparison can fail: tables of the other pupil position, or red and blue changed over."""
    folder, build, lookup = plain
    expected = expected_codes(folder, build, lookup, "left", "table", 0)
    other = job_of(folder, "left", "table", 1, DIALECT, build.content)
    swapped = job_of(folder, "left", "table", 0, DIALECT, build.content)
    swapped.textures["t_table_red"], swapped.textures["t_table_blue"] = (
        swapped.textures["t_table_blue"],
        swapped.textures["t_table_red"],
    )
    for job in (other, swapped):
        with pytest.raises(AssertionError):
            require_close(codes_of(drawn(context, job), 10), expected)
