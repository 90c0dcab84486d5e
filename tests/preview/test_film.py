"""Films: the frames of an eye path, the files that hold them, both painters."""

import io
import sys

import numpy as np
import pytest
from PIL import Image

from prewarp.errors import InputFileError, RenderError
from prewarp.preview.eyedriver import EyeDriver
from prewarp.preview.film import Film, animation_bytes, film_frames, write_film
from prewarp.preview.painting import open_painter
from prewarp.preview.scenery import Scenery
from prewarp.preview.state import State
from prewarp.render.pictures import read_picture
from tests.preview.conftest import HALF_MM, still

SIZE = (160, 100)
STATE = State(scene="smooth", motion="circle", numbers=False)


def frames_of(subject, choice, *, state=STATE, count=3):
    film = Film(state, SIZE, count, 4.0)
    with open_painter(subject, SIZE, picture_of=still, choice=choice) as painter:
        return list(film_frames(film, painter, subject, EyeDriver(HALF_MM))), painter.name


@pytest.mark.gl
def test_both_painters_film_the_same(context, subject):
    gl, name = frames_of(subject, "egl")
    cpu, other = frames_of(subject, "none")
    assert name.startswith("OpenGL, ") and other == "CPU renderer (slower)"
    for one, two in zip(gl, cpu, strict=True):
        assert one.shape == two.shape == (100, 160, 3)
        # Rims of the panels are a large share of so small a picture.
        assert np.mean(np.abs(one.astype(int) - two).max(axis=-1) <= 4) > 0.93
    assert np.any(cpu[0] != cpu[1]), "the eye moves"
    np.testing.assert_array_equal(gl[0], frames_of(subject, "egl")[0][0])


def test_without_moderngl_the_cpu_stands_in_and_says_so(monkeypatch, subject):
    monkeypatch.setitem(sys.modules, "moderngl", None)
    with open_painter(subject, SIZE, picture_of=still) as painter:
        assert painter.name.startswith("CPU renderer (slower), standing in for OpenGL: no OpenGL")
    with (
        pytest.raises(RenderError, match="Install moderngl and EGL"),
        open_painter(subject, SIZE, picture_of=still, choice="egl"),
    ):
        pass
    with (
        pytest.raises(RenderError, match="renderer is 'vulkan'"),
        open_painter(subject, SIZE, picture_of=still, choice="vulkan"),
    ):
        pass


def some_frames(count=4):
    random = np.random.default_rng(2)
    return [random.integers(0, 256, (64, 80, 3), dtype=np.uint8) for _ in range(count)]


def test_animated_png_holds_every_frame_exactly():
    frames = some_frames()
    data = animation_bytes(frames, 8.0, kind=".png")
    assert data == animation_bytes(frames, 8.0, kind=".png")
    with Image.open(io.BytesIO(data)) as picture:
        assert picture.n_frames == 4 and picture.info["loop"] == 0
        for number, frame in enumerate(frames):
            picture.seek(number)
            np.testing.assert_array_equal(np.asarray(picture.convert("RGB")), frame)
            assert picture.info["duration"] == 125.0


def test_gif_plays_at_the_rate_asked_for():
    data = animation_bytes(some_frames(), 20.0, kind=".gif")
    with Image.open(io.BytesIO(data)) as picture:
        assert picture.format == "GIF" and picture.n_frames == 4 and picture.info["duration"] == 50
    # The fastest that GIF can say is a hundredth of a second.
    with Image.open(io.BytesIO(animation_bytes(some_frames(), 240.0, kind=".gif"))) as picture:
        assert picture.info["duration"] == 10


def test_a_folder_of_pictures(tmp_path):
    frames, film = some_frames(), Film(State(), (80, 64), 4, 10.0)
    counted = []
    assert write_film(tmp_path / "out", frames, film, progress=counted.append) == 4
    assert counted == [1, 2, 3, 4]
    names = sorted(path.name for path in (tmp_path / "out").glob("*.png"))
    assert names == [f"frame_{n:05d}.png" for n in range(4)]
    np.testing.assert_array_equal(read_picture(tmp_path / "out" / names[2]), frames[2])
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "letter.txt").write_text("keep")
    with pytest.raises(InputFileError, match="holds what prewarp did not write"):
        write_film(tmp_path / "mine", frames, film)


def test_a_failing_frame_leaves_nothing_behind(tmp_path):
    def broken():
        yield some_frames()[0]
        raise RenderError("lost")

    film = Film(State(), (80, 64), 2, 10.0)
    for name in ("out", "out.png", "out.gif"):
        with pytest.raises(RenderError, match="lost"):
            write_film(tmp_path / name, broken(), film)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("change", "message"),
    [({"frames": 0}, "frames is 0"), ({"fps": 0.0}, "fps is 0"), ({"size_px": (10, 100)}, "width is 10")],
)
def test_bad_films(change, message):
    with pytest.raises(RenderError, match=message):
        Film(**({"state": State(), "size_px": SIZE, "frames": 1, "fps": 1.0} | change))


def test_too_large_an_animation(tmp_path):
    film = Film(State(), (8192, 8192), 40, 10.0)
    with pytest.raises(RenderError, match="too many for one file"):
        write_film(tmp_path / "large.gif", iter(()), film)


def test_scenery_takes_the_users_picture(tmp_path):
    Image.fromarray(some_frames()[0]).save(tmp_path / "mine.png")
    scenery = Scenery(str(tmp_path / "mine.png"))
    assert scenery.first == scenery.names[0] == "mine.png" and "grid" in scenery.names
    assert scenery.picture("mine.png", (40, 32)).shape == (32, 40, 3)
    assert scenery.picture("mine.png", (40, 32)) is scenery.picture("mine.png", (40, 32))
    assert scenery.picture("grid", (40, 32)).shape == (32, 40, 3)
    with pytest.raises(InputFileError, match="'nothing' is neither a scene"):
        Scenery("nothing")
