"""Pictures other than dots: even light is even, edges and sines land where they are, dots as drawn apart."""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.capture.camera import Camera, pose_rotation
from prewarp.capture.photograph.bench import Bench, Ghost
from prewarp.capture.photograph.images import CameraPose, View
from prewarp.capture.photograph.pictures import add_picture, panel_map
from prewarp.capture.photograph.scene import Scene, dots_of_picture, separate_spots
from tests.capture.boards import DISTANCE_MM, PANEL, board_optics

# 1.2 px of the photograph a panel pixel, nearly; the whole board is seen.
CAMERA = Camera(320, 240, (400.0, 400.0), (160.0, 120.0))
ROWS, COLUMNS = PANEL.height_px, PANEL.width_px
STRAIGHT = CameraPose(np.zeros(3), np.eye(3))
# Pixels of the photograph per pixel of the panel.
SCALE = 400.0 / (10.0 * DISTANCE_MM)


def view_of(**changes):
    return View(replace(CAMERA, **changes), STRAIGHT, 1000.0 / DISTANCE_MM)


def photograph(panel, view=None, bench=None, drift=(0.0, 0.0), samples=1):
    view = view or view_of()
    picture = np.zeros((view.camera.height_px, view.camera.width_px))
    mapped = panel_map(board_optics(), view)
    add_picture(picture, mapped, view, bench or Bench(), panel, 0.5,
                channel="board", drift_px=np.array(drift), samples=samples)  # fmt: skip
    return picture


def test_even_light_is_even_and_ends_at_the_panel_s_edge():
    picture = photograph(np.ones((ROWS, COLUMNS)))
    half = np.array([COLUMNS, ROWS]) * SCALE / 2.0
    y, x = np.indices(picture.shape) + 0.5
    inner = (np.abs(x - 160.0) < half[0] - 5.0) & (np.abs(y - 120.0) < half[1] - 5.0)
    assert np.abs(picture[inner] - 0.5).max() < 1e-6
    outer = (np.abs(x - 160.0) > half[0] + 6.0) | (np.abs(y - 120.0) > half[1] + 6.0)
    assert np.abs(picture[outer]).max() < 1e-9
    # The area that is lit, by all its light.
    assert picture.sum() == pytest.approx(0.5 * 4.0 * half[0] * half[1], rel=1e-5)


def test_a_sine_keeps_its_phase_and_loses_what_blur_and_pixels_take():
    """Contrast of a sine: exp(-2 pi^2 s^2 f^2) by a Gaussian blur, sinc by pixels of the camera and panel."""
    period = 150.0
    u = np.arange(COLUMNS) + 0.5
    panel = np.tile(0.5 + 0.5 * np.cos(2.0 * np.pi * (u - 37.0) / period), (ROWS, 1))
    bench = Bench(blur_px=1.5)
    line = photograph(panel, bench=bench)[120, 60:260]
    x = np.arange(60, 260) + 0.5
    frequency = 1.0 / (period * SCALE)
    phase = 2.0 * np.pi * frequency * ((x - 160.0) - SCALE * (37.0 - COLUMNS / 2.0))
    columns = np.stack([np.ones_like(x), np.cos(phase), np.sin(phase)], axis=-1)
    mean, real, quarter = np.linalg.lstsq(columns, line, rcond=None)[0]
    kept = np.exp(-2.0 * (np.pi * bench.blur_px * frequency) ** 2) * np.sinc(frequency)
    kept *= np.sinc(1.0 / period)
    assert mean == pytest.approx(0.25, rel=1e-4)
    assert real / mean == pytest.approx(kept, rel=1e-3)
    assert abs(quarter / real) < 1e-3


def test_dots_come_out_as_they_are_drawn_one_by_one():
    """Two ways from panel to photograph, the dots' and the pictures', by maps of opposite direction."""
    turned = CameraPose(np.array([30.0, -20.0, 10.0]), pose_rotation(-8.0, 5.0, 4.0))
    view = View(replace(CAMERA, distortion=(-0.2, 0.05, 0.0, 0.0)), turned, 1000.0 / DISTANCE_MM)
    marks = np.array([[500.0, 400.0], [1000.0, 750.0], [1600.0, 1200.0]])
    panel = np.zeros((ROWS, COLUMNS))
    v, u = np.indices(panel.shape) + 0.5
    for mark in marks:
        panel[np.hypot(u - mark[0], v - mark[1]) < 22.0] = 1.0
    bench = Bench(blur_px=0.8, ghosts=(Ghost(0.2, (120.0, 60.0)),))
    whole = photograph(panel, view, bench, (0.3, -0.2), samples=3)
    scene = Scene(board_optics(), view, bench, "board", PANEL.size_px, marks, 24.0)
    drawn = np.zeros_like(whole)
    truth = scene.draw(drawn, dots_of_picture(scene, panel), 0.5, drift_px=np.array([0.3, -0.2]))
    assert np.abs(whole - drawn).max() < 0.01 * drawn.max()
    assert whole.sum() == pytest.approx(drawn.sum(), rel=1e-4)
    y, x = np.indices(whole.shape) + 0.5
    for place, light in zip(truth.centroid, truth.light, strict=True):
        near = np.hypot(x - place[0], y - place[1]) < 8.0
        found = np.array([(whole * x)[near].sum(), (whole * y)[near].sum()]) / whole[near].sum()
        assert np.abs(found - place).max() < 3e-3
        assert whole[near].sum() == pytest.approx(light, rel=2e-3)


def test_spots_of_a_picture_that_no_table_names():
    panel = np.zeros((200, 300))
    panel[20:25, 40:45] = 1.0
    panel[100:103, 250:253] = 0.5
    panel[101, 251] = 0.9
    places, reach = separate_spots(panel)
    assert places == pytest.approx(np.array([[42.5, 22.5], [251.5, 101.5]]))
    assert reach == 3.5
    assert separate_spots(np.zeros((10, 10))) is None
    assert separate_spots(np.ones((10, 10))) is None


def test_a_panel_behind_the_camera_is_not_seen():
    away = replace(view_of(), pose=CameraPose(np.zeros(3), pose_rotation(175.0, 0.0, 0.0)))
    assert panel_map(board_optics(), away) is None
