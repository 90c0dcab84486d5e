"""A frame on the GPU is the frame of the CPU renderer, in every view; pages, paths, reload."""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.preview.reference import ReferencePainter
from prewarp.preview.stage import Page, Stage, faster_path
from prewarp.preview.state import State
from prewarp.render.gpu import has_compute
from prewarp.render.live.mesh import LIGHTS
from tests.preview.conftest import SIZE, still
from tests.preview.editing import copied_shaders, hold_to_edits
from tests.support import one_in

pytestmark = pytest.mark.gl

PUPIL, TRACKED = np.array([2.0, -1.0, 0.5]), np.array([0.0, 0.5, -1.0])
# Codes of 255. The smooth scene leaves what meshes, filters and three roundings cost; rims of panels, where a
# filter fades over half a pixel and the reference cuts, are the share left out.
CLOSE_CODES, CLOSE_SHARE = 4, 0.97
STATES = {
    "perceived": State(scene="smooth"),
    "closer": State(scene="smooth", zoom=4),
    "panels": State(scene="smooth", view="panels"),
    "both": State(scene="smooth", view="both"),
    "wipe": State(scene="smooth", wipe=0.4),
    "wipe of panels": State(scene="smooth", wipe=0.3, view="panels"),
    "world and ghost": State(scene="smooth", transmittance=0.4, ghost=2),
    "ghost flipped": State(scene="smooth", ghost=4),
    "seam error": State(scene="smooth", view="seam error"),
    "blend weight": State(scene="smooth", view="blend weight"),
}


@pytest.fixture(scope="module")
def reference(two_depths):
    return ReferencePainter(two_depths, SIZE, picture_of=still)


def stages_of(context, subject):
    paths = ["mesh", "exported"]
    if has_compute(context):
        paths.append("compute")
    with context:
        return {path: Stage(context, subject, SIZE, picture_of=still, path=path) for path in paths}


@pytest.fixture(scope="module")
def stages(session_context, two_depths):
    return stages_of(session_context, two_depths)


@pytest.fixture(scope="module")
def lit_stages(session_context, lit):
    return stages_of(session_context, lit)


def hold_to(expected, stages, state):
    assert expected.max() > 60
    for stage in stages.values():
        stage.draw(state, PUPIL, TRACKED)
        difference = np.abs(stage.read() - expected.astype(int)).max(axis=-1)
        assert np.mean(difference <= CLOSE_CODES) > CLOSE_SHARE


@pytest.mark.parametrize("name", STATES)
def test_every_view_is_that_of_the_reference(context, stages, reference, name):
    state = STATES[name]
    hold_to(reference.paint(state, PUPIL, TRACKED, []), stages, state)


@pytest.mark.parametrize(
    ("name", "light"),
    one_in(2, ["perceived", "panels", "wipe", "ghost flipped", "seam error", "blend weight"], LIGHTS),
)
def test_measured_light_is_that_of_the_reference(context, lit_stages, lit, name, light):
    state = replace(STATES[name], light=light)
    painter = ReferencePainter(lit, SIZE, picture_of=still)
    hold_to(painter.paint(state, PUPIL, TRACKED, []), lit_stages, state)


@pytest.mark.parametrize("path", ["mesh", "exported", "compute"])
def test_the_match_makes_the_channels_one(context, lit_stages, path):
    """An even picture about the seam, seen from a pupil between captures."""
    if path not in lit_stages:
        pytest.skip("this driver has no compute shaders")
    spread = {}
    for light in LIGHTS:
        lit_stages[path].draw(State(scene="white", light=light), PUPIL, PUPIL)
        seen = lit_stages[path].read()[120:180, 120:360].astype(float)
        spread[light] = np.ptp(seen, axis=(0, 1)).max() / 255.0
    # Panels hold whole codes, and two of them add up.
    assert max(spread["even"], spread["matched"]) < 0.05
    assert spread["as measured"] > 0.15


def test_seam_error_is_coloured_where_channels_overlap(context, stages):
    stage = stages["mesh"]
    stage.draw(STATES["seam error"], PUPIL, PUPIL)
    calm = stage.read().astype(int)
    stage.draw(STATES["seam error"], PUPIL, TRACKED)
    wrong = stage.read().astype(int)
    # The scale ends in yellow; with a right tracker the seam is dark blue. Rims are yellow both times.
    # A pixel of a rim may lie to either side of the limit: what was nearly yellow before has not turned.
    before, after = (
        frame[..., :2].min(axis=-1) > frame[..., 2] + least for frame, least in ((calm, 20), (wrong, 40))
    )
    turned = after & ~before
    assert turned.mean() > 0.02
    assert np.all(calm[turned][:, 2] > calm[turned][:, 0])


def test_a_page_lies_over_the_frame_by_its_alpha(context, stages):
    stage = stages["mesh"]
    white = np.full((20, 30, 4), 255, dtype=np.uint8)
    half = white.copy()
    half[..., 3] = 128
    stage.set_page("one", Page(white, 5, 7))
    stage.set_page("two", Page(half, 440, 270))
    stage.draw(State(view="blend weight"), np.zeros(3), np.zeros(3))
    frame = stage.read()
    assert np.all(frame[7:27, 5:35] == 255) and not np.all(frame[6, 5:35] == 255)
    # Half of white light over black is code 188 (sRGB).
    assert np.all(np.abs(frame[275:289, 445:469].astype(int) - 188) <= 1)
    stage.set_page("one", None)
    stage.set_page("two", None)
    stage.draw(State(view="blend weight"), np.zeros(3), np.zeros(3))
    assert np.all(stage.read()[0:10, 0:30] == 0)


def test_a_page_is_uploaded_once(context, stages, monkeypatch):
    stage = stages["mesh"]
    page = Page(np.zeros((8, 8, 4), dtype=np.uint8), 0, 0)
    stage.set_page("kept", page)
    monkeypatch.setattr(stage._pages["kept"][1].__class__, "write", None)
    stage.set_page("kept", page)
    monkeypatch.undo()
    stage.set_page("kept", None)


def test_frames_of_another_size(context, two_depths):
    stage = Stage(context, two_depths, (320, 200), picture_of=still)
    stage.draw(State(scene="smooth"), PUPIL, PUPIL)
    assert stage.read().shape == (200, 320, 3)
    stage.resize((200, 320))
    stage.draw(State(scene="smooth", view="seam error"), PUPIL, TRACKED)
    assert stage.read().shape == (320, 200, 3) and stage.read().max() > 60
    stage.resize((1, 1))
    stage.draw(State(scene="smooth", view="both", wipe=0.5), PUPIL, TRACKED)


def test_present_turns_the_rows(context, stages):
    """A window's row 0 is its bottom row; bytes are shown as they are."""
    stage = stages["mesh"]
    stage.draw(STATES["perceived"], PUPIL, PUPIL)
    screen = context.framebuffer([context.texture(SIZE, 4)])
    stage.present(screen)
    shown = np.frombuffer(screen.read(components=3, alignment=1), dtype=np.uint8).reshape(SIZE[1], SIZE[0], 3)
    assert np.abs(shown[::-1].astype(int) - stage.read()).max() <= 1


def test_an_edited_shader_is_taken_and_a_broken_one_is_not(context, two_depths, tmp_path, monkeypatch):
    folder = copied_shaders(tmp_path, monkeypatch)
    stage = Stage(context, two_depths, (160, 100), picture_of=still)
    hold_to_edits(
        stage,
        lambda: stage.draw(State(scene="smooth"), PUPIL, PUPIL),
        folder / "view_mesh.frag",
        broken=("u_gain * vec3(", "u_gain * no_such_function("),
        dark=("u_gain * vec3(", "0.0 * u_gain * vec3("),
        message=r"view_mesh\.frag:\d+.*no_such_function",
    )


def test_software_drivers_take_triangles(context, two_depths):
    assert faster_path(context, two_depths, SIZE, still) in ("mesh", "compute")
    if "llvmpipe" in context.info["GL_RENDERER"]:
        assert faster_path(context, two_depths, SIZE, still) == "mesh"


def test_the_content_is_written_when_the_scene_changes(context, stages, monkeypatch):
    stage = stages["mesh"]
    calls = []
    monkeypatch.setattr(stage, "_picture_of", lambda name, size: calls.append(name) or still(name, size))
    for scene in ("smooth", "hard", "hard", "smooth"):
        stage.draw(replace(STATES["perceived"], scene=scene), PUPIL, PUPIL)
    assert calls in (["hard", "smooth"], ["smooth", "hard", "smooth"])
