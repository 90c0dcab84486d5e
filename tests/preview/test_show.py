"""A show without a window: frames only when something changed, files read again, pictures saved."""

import shutil
import time
from dataclasses import replace

import numpy as np
import pytest

from prewarp import glsl
from prewarp.errors import InputFileError
from prewarp.preview import watch
from prewarp.preview.eyedriver import EyeDriver
from prewarp.preview.scenery import Scenery
from prewarp.preview.show import Show
from prewarp.preview.state import State
from prewarp.preview.watch import POLL_SECONDS, Watch
from prewarp.render.pictures import read_picture
from prewarp.resources import resource_folder
from tests.preview.conftest import HALF_MM

pytestmark = pytest.mark.gl
SIZE = (240, 150)


@pytest.fixture
def show(context, subject, tmp_path):
    made = []

    def make(reload=None, *, state=None, subject=subject, **options):
        one = Show(
            context,
            subject,
            state or State(scene="stars", numbers=False),
            EyeDriver(HALF_MM),
            Scenery(),
            SIZE,
            reload=reload or (lambda: subject),
            **options,
        )
        made.append(one)
        return one

    yield make
    for one in made:
        one.close()


def test_nothing_is_drawn_when_nothing_changes(show):
    one = show()
    assert one.path == "mesh" or one.path == "compute"
    assert one.frame(0.0) and not one.frame(0.1) and not one.is_moving
    assert one.key("RIGHT", 1.0) and one.frame(1.0) and not one.frame(1.1)
    one.key("M", 2.0)
    assert one.is_moving and one.frame(2.0) and one.frame(2.1)
    one.key("SPACE", 3.0)
    assert not one.is_moving


def test_a_long_pause_does_not_make_the_motion_jump(show):
    one = show(state=State(scene="stars", motion="circle"))
    one.frame(0.0)
    one.frame(100.0)
    assert one.state.time_s == pytest.approx(0.1)


def test_the_start_screen_waits_for_a_key_or_a_click(show):
    one = show(state=State(scene="stars", motion="circle", caution=True))
    one.frame(0.0)
    covered = one.stage.read()
    one.frame(1.0)
    assert one.state.time_s == 0.0, "the eye waits too"
    one.press(5.0, 240.0)
    one.frame(1.1)
    assert not one.state.caution and np.any(one.stage.read() != covered)


def test_mouse_moves_the_pupil_and_the_wipe(show):
    one = show()
    one.press(10.0, 240.0)
    one.move(70.0, 60.0, -30.0, (240.0, 150.0))
    # A quarter of the width is a quarter of the eye box's width, 2 mm; a fifth of the height up is 1.2 mm.
    np.testing.assert_allclose(one.state.hand_mm, [2.0, 1.2, 0.0])
    one.release()
    one.move(0.0, -99.0, 0.0, (240.0, 150.0))
    np.testing.assert_allclose(one.state.hand_mm, [2.0, 1.2, 0.0])
    one.key("B", 1.0)
    one.press(122.0, 240.0)
    one.move(60.0, -62.0, 0.0, (240.0, 150.0))
    assert one.state.wipe == 0.25
    one.release()
    one.wheel(2.0, 2.0)
    assert one.state.hand_mm[2] == 0.5
    one.wheel(1.0, 3.0, zooms=True)
    assert one.state.zoom == 1


def test_escape_closes_the_page_first(show):
    one = show()
    one.key("H", 0.0)
    assert one.key("ESCAPE", 1.0) and not one.state.help
    assert one.key("ESCAPE", 2.0) and one.state.asks
    assert one.key("UP", 3.0) and not one.state.asks
    assert one.key("ESCAPE", 4.0) and one.key("ESCAPE", 4.1, again=True) and one.state.asks
    assert not one.key("ENTER", 4.2)


def test_pictures_are_saved_without_messages(show, tmp_path):
    one = show(pictures=tmp_path / "pictures")
    one.frame(0.0)
    clean = one.stage.read()
    one.key("P", 0.1)
    one.frame(0.2)
    one.key("P", 0.3)
    one.frame(0.4)
    names = sorted(path.name for path in (tmp_path / "pictures").iterdir())
    assert names == ["picture_0000.png", "picture_0001.png"]
    for name in names:
        np.testing.assert_array_equal(read_picture(tmp_path / "pictures" / name), clean)
    other = show()
    other.frame(0.0)
    other.key("P", 0.1)
    other.frame(0.2)
    other.frame(0.3)
    assert np.any(other.stage.read() != clean), "it says that there is no folder"


def test_a_new_fit_is_taken_while_running(show, subject, two_depths, tmp_path):
    fit = tmp_path / "visor.fit.npz"
    fit.write_bytes(b"first")
    answers = [InputFileError("visor.fit.npz: damaged."), two_depths]

    def reload():
        answer = answers.pop(0)
        if isinstance(answer, Exception):
            raise answer
        return answer

    one = show(reload, subject=replace(subject, files=(fit,)))
    one.frame(0.0)
    first = one.stage
    fit.write_bytes(b"second, longer")
    until_loaded(one, 10.0)
    assert one.stage is first, "the last good one goes on"
    fit.write_bytes(b"third, longer still")
    until_loaded(one, 20.0)
    assert one.stage is not first and one.stage.subject is two_depths


def until_loaded(one, now):
    one.frame(now)
    deadline = time.monotonic() + 20.0
    while one.is_moving and time.monotonic() < deadline:
        time.sleep(0.01)
        one.frame(now + 0.01)
    assert not one.is_moving


def test_a_broken_shader_is_reported_and_survived(show, tmp_path, monkeypatch):
    folder = tmp_path / "shaders"
    shutil.copytree(resource_folder("shaders"), folder)
    monkeypatch.setattr(glsl, "resource_folder", lambda name: folder)
    monkeypatch.setattr(watch, "resource_folder", lambda name: folder)
    one = show()
    one.resize((480, 400), 1.0)
    one.frame(0.0)
    clean = one.stage.read()
    piece = folder / "view_mesh.frag"
    good = piece.read_text()
    piece.write_text(good + "nonsense\n")
    one.frame(1.0)
    told = one.stage.read()
    assert np.any(told != clean), "the compiler's message is shown"
    top = slice(0, 150)
    np.testing.assert_array_equal(told[top], clean[top])
    piece.write_text(good + "\n")
    one.frame(2.0)
    one.frame(30.0)
    np.testing.assert_array_equal(one.stage.read(), clean)


def test_resizing_draws_again(show):
    one = show()
    one.frame(0.0)
    one.resize((120, 90), 1.0)
    assert one.frame(0.1) and one.stage.read().shape == (90, 120, 3)
    one.resize((120, 90), 1.0)
    assert not one.frame(0.2)


def test_watch_sees_changes_once_and_not_too_often(tmp_path):
    folder = tmp_path / "folder"
    folder.mkdir()
    (folder / "one").write_text("1")
    single = tmp_path / "single"
    single.write_text("1")
    one = Watch([folder, single])
    assert not one.changed(0.0)
    single.write_text("22")
    assert not one.changed(0.5 * POLL_SECONDS)
    assert one.changed(2 * POLL_SECONDS) and not one.changed(4 * POLL_SECONDS)
    (folder / "two").write_text("2")
    assert one.changed(6 * POLL_SECONDS)
    single.unlink()
    assert one.changed(8 * POLL_SECONDS)
