"""The desktop dialect drawn from a package's files alone through OpenGL, held to the CPU renderer."""

import numpy as np
import pytest

from prewarp.render.cpu import content_planes, panel_picture, prewarp_panel
from tests.export.device_builds import PUPILS, chebyshev_lookup, small_build, write_small
from tests.export.drawing_jobs import (
    PATHS,
    SHARE_OF_ANGLES,
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
        form = {"dtype": "ni2", "internal_format": RGBA16_SNORM} if kind == "i2" else {"dtype": kind}
        texture = context.texture((columns, rows), components, data, alignment=1, **form)
        texture.filter = (context.NEAREST, context.NEAREST)
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


def test_the_table_path_is_the_reference_renderer(plain, context):  # noqa: F811
    folder, build, _ = plain
    for channel in build.channels:
        values = drawn(context, job_of(folder, channel, "table", 1, DIALECT, build.content))
        # Of the maps as tables hold them, with the drive at the nodes.
        reference = panel_picture(
            content_planes(hard_scene(*build.content.size_px)),
            [build.mesh(channel, colour, 1) for colour in build.planes],
            transfer=build.transfer(channel),
            bit_depth=build.bit_depth(channel),
        ).codes
        got = codes_of(values, build.bit_depth(channel))
        # 16 bits of the drive, and of some ten px of content, are worth a few of 1023 codes near black and at
        # hard edges.
        difference = np.abs(got - reference.astype(int))
        assert np.mean(difference <= 1) >= 0.99 and np.mean(difference <= 3) >= 0.999


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
