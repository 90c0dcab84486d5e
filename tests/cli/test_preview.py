"""`prewarp preview` and `prewarp film`: offscreen, and in a real window under Xvfb with keys and mouse."""

import json
import os
import re
import subprocess
import sys
import time
from contextlib import contextmanager

import numpy as np
import pytest
from PIL import Image, ImageGrab

from prewarp.render.pictures import read_picture
from tests.cli.conftest import run
from tests.support import require_tool

RUN = [sys.executable, "-c", "from prewarp.cli import main; main()"]
# At this size the window and the offscreen renderer both draw panels with all their pixels.
SIZE = (800, 400)
WAIT_SECONDS = 60.0


def offscreen(capture, path, *options):
    done = run("preview", capture / "visor.fit.npz", "--offscreen", "-o", path, "--no-numbers", *options)
    assert done.exit_code == 0, done.output
    return read_picture(path)


@pytest.mark.gl
def test_offscreen_picture(capture, tmp_path):
    done = run(
        "preview",
        capture / "visor.fit.npz",
        "--offscreen",
        "-o",
        tmp_path / "a.png",
        "--size",
        "320x200",
        "--json",
    )
    assert done.exit_code == 0, done.output
    found = json.loads(done.stdout)
    assert found["width_px"] == 320 and found["renderer"]
    picture = read_picture(tmp_path / "a.png")
    assert picture.shape == (200, 320, 3) and picture.max() > 150
    cpu = offscreen(capture, tmp_path / "b.png", "--size", "160x100", "--gl", "none")
    gpu = offscreen(capture, tmp_path / "c.png", "--size", "160x100")
    assert np.mean(np.abs(cpu.astype(int) - gpu).max(axis=-1) <= 8) > 0.9


@pytest.mark.gl
def test_exported_shaders_draw_what_the_preview_s_own_draw(capture, tmp_path):
    pictures = [
        offscreen(capture, tmp_path / f"{path}.png", "--size", "800x400", "--path", path)
        for path in ("mesh", "exported")
    ]
    difference = np.abs(pictures[0].astype(int) - pictures[1]).max(axis=-1)
    assert np.mean(difference <= 4) > 0.98
    done = run(
        "preview", capture / "visor.fit.npz", "--offscreen", "-o", tmp_path / "a.png", "--path", "exported",
        "--size", "64x64",
    )  # fmt: skip
    assert "exported shaders" in done.output


@pytest.mark.gl
def test_film_of_a_recorded_motion(capture, tmp_path):
    (tmp_path / "eye.csv").write_text(
        "time_s,eye_x_mm,eye_y_mm,eye_z_mm\n0,-2,0,0\n1,2,0,0\n", encoding="utf-8"
    )
    done = run(
        "film", capture / "visor.fit.npz", "--motion", tmp_path / "eye.csv", "--seconds", "0.4", "--fps", "5",
        "--size", "320x192", "--tracker", "noisy", "--view", "seam error", "-o", tmp_path / "out.gif",
        "--json",
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    found = json.loads(done.stdout)
    assert found["frames"] == 2 and found["fps_hz"] == 5.0
    with Image.open(tmp_path / "out.gif") as picture:
        assert picture.n_frames == 2 and picture.width == 320


def test_a_module_stands_for_the_fit_beside_it(capture, tmp_path):
    for name in ("visor.toml", "visor.fit.npz"):
        (tmp_path / name).write_bytes((capture / name).read_bytes())
    done = run("preview", tmp_path / "visor.toml", "--offscreen", "-o", tmp_path / "a.png", "--size", "64x64")
    assert done.exit_code == 0, done.output
    assert "reading visor.fit.npz" in done.stderr


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--offscreen",), "--offscreen and --output go together"),
        (("-o", "a.png"), "--offscreen and --output go together"),
        (("--size", "10x10"), "expected 16 to 32768|expected 64 to 8192"),
        (("--size", "40x100"), "expected 64 to 8192 px both ways"),
        (("--scene", "nothing", "--offscreen", "-o", "a.png"), "'nothing' is neither a scene"),
        (
            ("--motion", "nowhere.csv", "--offscreen", "-o", "a.png"),
            "nowhere.csv: not found; expected a recorded eye motion",
        ),
        (
            ("--eye", "left", "--offscreen", "-o", "a.png"),
            "no channel for the left eye; there is one for the right eye",
        ),
    ],
)
def test_bad_requests_are_one_line(capture, tmp_path, monkeypatch, options, message):
    monkeypatch.chdir(tmp_path)
    done = run("preview", capture / "visor.fit.npz", "--module", capture / "visor.toml", *options)
    assert done.exit_code == 2
    assert re.search(message, done.stderr), done.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_module_without_fit_or_grid(capture, tmp_path):
    (tmp_path / "visor.toml").write_bytes((capture / "visor.toml").read_bytes())
    done = run("film", tmp_path / "visor.toml", "-o", tmp_path / "out")
    assert done.exit_code == 2
    assert "neither a fit (visor.fit.npz) nor a grid" in done.stderr
    done = run("film", tmp_path / "gone.npz", "-o", tmp_path / "out")
    assert done.exit_code == 2 and "not found" in done.stderr


def test_without_a_display_the_error_says_what_to_do(capture):
    environment = {k: v for k, v in os.environ.items() if k not in ("DISPLAY", "WAYLAND_DISPLAY")}
    done = subprocess.run(
        [*RUN, "preview", str(capture / "visor.fit.npz")],
        env=environment,
        capture_output=True,
        text=True,
        timeout=WAIT_SECONDS,
        check=False,
    )
    assert done.returncode == 2
    assert "prewarp: no window" in done.stderr and "Without a display use --offscreen" in done.stderr
    assert "Traceback" not in done.stderr


@contextmanager
def display():
    """A display of its own; yields the environment that names it."""
    reader, writer = os.pipe()
    server = subprocess.Popen(
        [require_tool("Xvfb"), "-displayfd", str(writer), "-screen", "0", "1000x700x24"],
        pass_fds=[writer],
        stderr=subprocess.DEVNULL,
    )
    os.close(writer)
    try:
        with os.fdopen(reader) as pipe:
            number = pipe.readline().strip()
        assert number, "the display did not start"
        yield {**os.environ, "DISPLAY": f":{number}"}
    finally:
        server.terminate()
        server.wait(10)


class Hands:
    """Keys and mouse from outside the program."""

    def __init__(self, environment):
        self._environment = environment
        self._tool = require_tool("xdotool")

    def do(self, *words):
        return subprocess.run(
            [self._tool, *map(str, words)], env=self._environment, capture_output=True, text=True, check=False
        ).stdout

    def window(self):
        found = until(lambda: self.do("search", "--name", "prewarp preview").split())
        return found[0]


def until(ready):
    deadline = time.monotonic() + WAIT_SECONDS
    while time.monotonic() < deadline:
        value = ready()
        if value:
            return value
        time.sleep(0.1)
    raise AssertionError("waited too long")


def saved(folder, number):
    path = folder / f"picture_{number:04d}.png"
    until(path.exists)
    return read_picture(path)


def close(one, other, share=0.999):
    assert one.shape == other.shape
    assert np.mean(np.abs(one.astype(int) - other).max(axis=-1) <= 2) > share


@pytest.mark.gl
def test_a_real_window_shows_what_the_offscreen_renderer_draws(capture, tmp_path):
    """Look at the pictures with `--basetemp`: one grid, unbroken in the middle; before left, after right."""
    pictures = tmp_path / "pictures"
    with display() as environment:
        process = subprocess.Popen(
            [*RUN, "preview", str(capture / "visor.fit.npz"), "--size", f"{SIZE[0]}x{SIZE[1]}",
            "--no-numbers",
             "--pictures", str(pictures)],
            env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        try:
            hands = Hands(environment)
            window = hands.window()
            hands.do("windowfocus", window)
            # The start screen goes with the first key; keys are taken once the window draws.
            until(lambda: grabbed(environment).max() > 60)
            hands.do("key", "space")
            hands.do("key", "Right")
            hands.do("key", "Right")
            hands.do("key", "p")
            first = saved(pictures, 0)
            expected = offscreen(
                capture, tmp_path / "expected.png", "--size", "800x400", "--pupil", "0.5,0,0"
            )
            close(first, expected)
            x, y = place_of(hands, window)
            # The message about the picture lies below; above it the screen is the frame.
            screen = until(lambda: same_top(grabbed(environment), expected, x, y))
            assert screen
            hands.do("key", "b")
            hands.do("mousemove", x + SIZE[0] // 2, y + 100, "mousedown", 1)
            hands.do("mousemove", x + SIZE[0] // 4, y + 100)
            hands.do("mouseup", 1)
            hands.do("key", "p")
            wiped = saved(pictures, 1)
            dragged = offscreen(
                capture, tmp_path / "wiped.png", "--size", "800x400", "--pupil", "0.5,0,0", "--wipe", "0.25"
            )
            close(wiped, dragged)
            assert np.mean(wiped != first) > 0.02
            hands.do("windowsize", "--sync", window, 640, 480)
            time.sleep(0.5)
            hands.do("key", "p")
            assert saved(pictures, 2).shape == (480, 640, 3)
            hands.do("key", "Escape")
            time.sleep(0.6)  # it asks first
            hands.do("key", "y")
            output = process.communicate(timeout=WAIT_SECONDS)
            assert process.returncode == 0, output
        finally:
            process.kill()
            process.communicate(timeout=WAIT_SECONDS)


def grabbed(environment):
    return np.asarray(ImageGrab.grab(xdisplay=environment["DISPLAY"]).convert("RGB"))


def place_of(hands, window):
    lines = dict(line.split("=", 1) for line in hands.do("getwindowgeometry", "--shell", window).split())
    return int(lines["X"]), int(lines["Y"])


def same_top(screen, expected, x, y):
    part = screen[y : y + 250, x : x + expected.shape[1]].astype(int)
    return (
        part.shape[1] == expected.shape[1]
        and np.mean(np.abs(part - expected[:250]).max(axis=-1) <= 2) > 0.999
    )
