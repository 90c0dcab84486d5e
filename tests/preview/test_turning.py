"""A turning head in preview and film: the GPU is the CPU renderer, which is rate times time; the slider."""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.errors import RenderError
from prewarp.frames import arcmin_between, turned_tangent
from prewarp.head import HeadTurn
from prewarp.preview.controls import Pacer, Situation, pressed
from prewarp.preview.eyedriver import EyeDriver
from prewarp.preview.film import Film, film_frames
from prewarp.preview.gauges import SeamGauge
from prewarp.preview.pages import number_rows
from prewarp.preview.painting import StagePainter
from prewarp.preview.reference import ReferencePainter
from prewarp.preview.scenery import Scenery
from prewarp.preview.show import Show
from prewarp.preview.slider import place_of, rate_at, slider_box, slider_page
from prewarp.preview.stage import Stage
from prewarp.preview.state import FASTEST_YAW_DEG_PER_S, State
from prewarp.preview.subject import subject_of
from prewarp.render.gpu import has_compute
from prewarp.render.live.mesh import EyeMesh
from prewarp.scan import PanelScan
from prewarp.seam import seam_timing
from tests.preview.conftest import CONTENT, HALF_MM, SIZE, make, still

PUPIL, TRACKED = np.array([2.0, -1.0, 0.5]), np.array([0.0, 0.5, -1.0])
SCANS = {"left": PanelScan("down", 0.0, 20.0, 1.0), "right": PanelScan("up", 1.5, 20.0, 2.0)}
TURNING = State(scene="smooth", head_deg_per_s=(100.0, 20.0, -30.0), drawn_for_ms=5.0)
CLOSE_CODES, CLOSE_SHARE = 4, 0.97
# Asked for, and float32 of the GPU besides.
CLOSE_ARCMIN = 0.01


@pytest.fixture(scope="module")
def lit_in_turn():
    """The closed-form display with panels that are lit against each other."""
    plain = make().eye
    panels = {name: replace(panel, scan=SCANS[name]) for name, panel in plain.panels.items()}
    return subject_of(replace(plain, panels=panels), step_px=12.0)


@pytest.fixture(scope="module")
def stages(session_context, lit_in_turn):  # noqa: F811
    paths = ["mesh", "exported", *(["compute"] if has_compute(session_context) else [])]
    with session_context:
        return {
            path: Stage(session_context, lit_in_turn, SIZE, picture_of=still, path=path) for path in paths
        }


@pytest.mark.gl
@pytest.mark.parametrize("late", [True, False])
@pytest.mark.parametrize("view", ["perceived", "both", "seam error", "blend weight"])
def test_every_path_is_the_reference(context, stages, lit_in_turn, view, late):  # noqa: F811
    state = replace(TURNING, view=view, late=late)
    expected = ReferencePainter(lit_in_turn, SIZE, picture_of=still).paint(state, PUPIL, TRACKED, [])
    assert expected.max() > 60
    for stage in stages.values():
        stage.draw(state, PUPIL, TRACKED)
        difference = np.abs(stage.read() - expected.astype(int)).max(axis=-1)
        assert np.mean(difference <= CLOSE_CODES) > CLOSE_SHARE


@pytest.mark.gl
def test_pictures_differ_with_the_turn_and_come_back(context, stages):  # noqa: F811
    """Rate 0 is what it was before any turn, to the byte; late rotation hides what no late rotation shows."""
    for stage in stages.values():
        seen = []
        for state in (
            State(scene="smooth"), TURNING, replace(TURNING, late=False), State(scene="smooth", late=False)
        ):  # fmt: skip
            stage.draw(state, PUPIL, PUPIL)
            seen.append(stage.read().astype(int))
        np.testing.assert_array_equal(seen[0], seen[3])
        # About the seam; the panels' rims move with the head, whatever they show.
        with_late, without = (np.abs(one - seen[0])[100:200, 190:290].mean() for one in seen[1:3])
        assert with_late < 0.5 and without > 1.5


@pytest.mark.gl
def test_a_display_without_scans_draws_as_one_whose_head_keeps_still(context, stages, lit_in_turn):  # noqa: F811
    panels = {name: replace(panel, scan=None) for name, panel in lit_in_turn.eye.panels.items()}
    plain = replace(lit_in_turn, eye=replace(lit_in_turn.eye, panels=panels))
    for path, stage in stages.items():
        other = Stage(context, plain, SIZE, picture_of=still, path=path)
        for one in (stage, other):
            one.draw(State(scene="smooth"), PUPIL, TRACKED)
        np.testing.assert_array_equal(stage.read(), other.read())
        with pytest.raises(RenderError, match=r"Declare \[channel\.left\.panel\.scan\]"):
            other.draw(TURNING, PUPIL, TRACKED)


@pytest.mark.gl
@pytest.mark.outside
@pytest.mark.parametrize("compute", [False, True])
def test_nodes_on_the_gpu_turn_by_rate_times_time(context, lit_in_turn, compute):  # noqa: F811
    """Both meshes of each channel read back: content and places, against the table and exact rotations."""
    if compute and not has_compute(context):
        pytest.skip("this driver has no compute shaders")
    head = HeadTurn((-60.0, 100.0, 40.0), 5.0)
    for name, table in lit_in_turn.tables.items():
        mesh = EyeMesh(context, table, lit_in_turn.weights[name], CONTENT, compute=compute, scan=SCANS[name])
        mesh.set_head(head, late=True)
        mesh.set_tracked(TRACKED)
        mesh.set_pupil(PUPIL)
        u, v = np.moveaxis(table.node_px, -1, 0)
        line = v - 0.5 if name == "left" else 479.5 - v
        scan = SCANS[name]
        time_s = (scan.start_ms + line * scan.line_us / 1e3 + scan.persistence_ms / 2.0 - 5.0) / 1e3
        turn = np.radians(head.rate_deg_per_s) * time_s[..., None]
        shape = (*table.node_shape, 4)
        shown = np.frombuffer(mesh.shown.textures[1].read(), np.float32).reshape(shape)[..., :2]
        got = CONTENT.tangent_from_pixel(shown.astype(float))
        expected = turned_tangent(table.tangents(TRACKED)[..., 1, :], turn)
        assert arcmin_between(got, expected).max() < CLOSE_ARCMIN
        where = np.frombuffer(mesh.seen.textures[0].read(), np.float32).reshape(shape)[..., :2]
        expected = turned_tangent(table.seen(PUPIL)[0], turn)
        assert arcmin_between(where.astype(float), expected).max() < CLOSE_ARCMIN


def test_the_gauge_reads_rate_times_time(lit_in_turn):
    gauge = SeamGauge(lit_in_turn)
    head = HeadTurn((0.0, 100.0, 0.0), 5.0)
    calm = gauge.read(PUPIL, PUPIL).error_arcmin
    assert gauge.read(PUPIL, PUPIL, head=head, late=True).error_arcmin == pytest.approx(
        calm, abs=CLOSE_ARCMIN
    )
    split = gauge.read(PUPIL, PUPIL, head=head, late=False)
    worst = 0.0
    for one, other, tangent in gauge._probes:
        fields = [lit_in_turn.eye.fields.field(name, "G") for name in (one, other)]
        timing = seam_timing(*fields, (SCANS[one], SCANS[other]), tangent, pupils_mm=PUPIL)
        worst = max(worst, 100.0 * np.hypot(*timing.yaw.T).max())
    assert split.error_arcmin == pytest.approx(worst, abs=CLOSE_ARCMIN)
    assert worst > 10.0
    assert split.focus_step_dioptres == pytest.approx(gauge.read(PUPIL, PUPIL).focus_step_dioptres)


@pytest.mark.gl
def test_films_turn_too_and_repeat(context, stages, lit_in_turn):  # noqa: F811
    driver = EyeDriver(HALF_MM)
    film = Film(replace(TURNING, motion="circle", numbers=False), SIZE, 2, 10.0)
    reference = ReferencePainter(lit_in_turn, SIZE, picture_of=still)
    frames = [
        list(film_frames(film, StagePainter(stages["mesh"], "mesh"), lit_in_turn, driver)) for _ in range(2)
    ]
    for one, other in zip(*frames, strict=True):
        np.testing.assert_array_equal(one, other)
    pupil, tracked = driver.eye(film.state, film.state.time_s)
    expected = reference.paint(film.state, pupil, tracked, [])
    difference = np.abs(frames[0][0] - expected.astype(int)).max(axis=-1)
    assert np.mean(difference <= CLOSE_CODES) > CLOSE_SHARE


def test_the_slider_means_what_it_shows():
    frame = (1280, 720)
    box = slider_box(frame)
    assert box.left + box.width < 1280 and box.top + box.height < 720
    for rate in (-200.0, -90.0, -5.0, 0.0, 30.0, 100.0, 200.0):
        assert rate_at(place_of(rate, frame), frame) == rate
        assert rate_at(place_of(rate, frame, scale=2.0), frame, scale=2.0) == rate
    assert rate_at(place_of(3.0, frame), frame) == 0.0, "it catches at the middle"
    assert rate_at(0.0, frame) == -FASTEST_YAW_DEG_PER_S and rate_at(1279.0, frame) == FASTEST_YAW_DEG_PER_S
    pages = [slider_page(State(head_deg_per_s=(rate, 0.0, 0.0)), frame) for rate in (0.0, 100.0, -100.0)]
    knob = [
        np.argwhere(np.all(page.pixels == (255, 190, 96, 255), axis=-1))[:, 1].mean() + page.left
        for page in pages
    ]
    np.testing.assert_allclose(knob, [place_of(rate, frame) for rate in (0.0, 100.0, -100.0)], atol=1.0)
    tiny = slider_page(State(), (64, 40))
    assert tiny.pixels.shape[0] <= 40 and tiny.pixels.shape[1] <= 64


def test_keys_turn_the_head_where_scans_are_known():
    known = Situation(("grid",), ("hand",), HALF_MM, has_scans=True)
    state = State()
    for _ in range(3):
        state = pressed(state, "K", known, now_s=0.0, pacer=Pacer())
    assert state.head_deg_per_s == (30.0, 0.0, 0.0)
    for _ in range(60):
        state = pressed(state, "J", known, now_s=0.0, pacer=Pacer(), again=True)
    assert state.head_deg_per_s == (-FASTEST_YAW_DEG_PER_S, 0.0, 0.0)
    assert pressed(state, "R", known, now_s=0.0, pacer=Pacer()).late is False
    unknown = replace(known, has_scans=False)
    assert pressed(State(), "K", unknown, now_s=0.0, pacer=Pacer()) == State()


@pytest.mark.gl
def test_the_mouse_drags_the_knob(context, lit_in_turn):  # noqa: F811
    show = Show(
        context,
        lit_in_turn,
        State(scene="stars"),
        EyeDriver(HALF_MM),
        Scenery(),
        (1280, 720),
        reload=lambda: lit_in_turn,
        path="mesh",
    )
    try:
        box = slider_box((1280, 720))
        middle = box.top + box.height / 2.0
        # A window of half as many units as pixels.
        show.press(place_of(60.0, (1280, 720)) / 2.0, 640.0, middle / 2.0)
        assert show.state.head_deg_per_s[0] == 60.0
        show.move(place_of(-90.0, (1280, 720)) / 2.0, -9.0, 0.0, (640.0, 360.0))
        assert show.state.head_deg_per_s[0] == -90.0 and show.state.hand_mm == (0.0, 0.0, 0.0)
        show.release()
        show.press(100.0, 640.0, 100.0)
        show.move(110.0, 10.0, 0.0, (640.0, 360.0))
        assert show.state.head_deg_per_s[0] == -90.0 and show.state.hand_mm[0] > 0.0
        assert show.frame(0.0)
    finally:
        show.close()


def test_the_numbers_tell_of_the_turn(lit_in_turn):
    reading = SeamGauge(lit_in_turn).read(PUPIL, PUPIL)
    heights = [len(number_rows(state, PUPIL, PUPIL, reading, 0.0, np.nan)) for state in (State(), TURNING)]
    assert heights[1] > heights[0]
