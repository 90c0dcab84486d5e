"""Single photographs: lines lit once more, afterglow, lateral colour, the stage's scale, seam dots."""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.capture.camera import Camera
from prewarp.capture.marks import Marks
from prewarp.capture.panel_png import panel_png
from prewarp.capture.patterns import disc_codes, in_planes
from prewarp.capture.photograph.bench import Bench
from prewarp.capture.photograph.optics import OpticsOfDesign
from prewarp.capture.photograph.taking import Taking
from prewarp.capture.plan import Photograph, Plan
from prewarp.module import read_module
from prewarp.trace import read_design
from tests.capture.displays import channel, module_text
from tests.capture.test_photograph_folder import DESIGN

CAMERA = Camera(320, 256, (560.0, 560.0), (160.0, 128.0), full_scale=65535.0)
PLACES = np.array([[80.0, 60.0], [160.0, 128.0], [250.0, 200.0]])
CODES = ("1111110000000", "0000000111111", "1010101010100")


@pytest.fixture(scope="module")
def taking(tmp_path_factory):
    """Three dots, one dark in the code frame, a flat and seam dots of a bare panel, from two places."""
    folder = tmp_path_factory.mktemp("targets")
    text = module_text(channel("inner"), colours=("G",)).replace("pitch_um = 8.0", "pitch_um = 200.0")
    (folder / "visor.toml").write_text(text, encoding="utf-8")
    (folder / "design.toml").write_text(DESIGN, encoding="utf-8")
    module = read_module(folder / "visor.toml")
    panel = module.channel("inner").panel
    lit = [0, 2]
    for name, codes in (
        ("whole", disc_codes(panel, PLACES, np.full(3, 4.0))),
        ("code", disc_codes(panel, PLACES[lit], np.full(2, 4.0))),
        ("flat", np.full((256, 320), 255, np.uint8)),
        ("seam", disc_codes(panel, PLACES[:2] + 20.0, np.full(2, 3.0))),
    ):
        (folder / f"{name}.png").write_bytes(panel_png(in_planes(codes, (1,)), 8))
    photographs = tuple(
        Photograph(order, pose, "camera", "inner", "G", kind, 0, f"{kind}.png", x, 0.0, 0.0, 0.0, 0.0, 0.0,
                   frames, 10.0, f"{order}.png")
        for order, (pose, x, kind, frames) in enumerate(
            [("a", 0.0, "whole", 4.0), ("a", 0.0, "code", 4.0), ("a", 0.0, "flat", 50.5),
             ("a", 0.0, "seam", 4.0), ("b", 3.0, "whole", 4.0)]
        )
    )  # fmt: skip
    marks = Marks(np.full(3, "inner"), np.arange(3), PLACES, np.full(3, 4.0), CODES)
    optics = OpticsOfDesign(read_design(folder / "design.toml"), module)
    return Taking(Plan(photographs), marks, folder, module, optics, {"": CAMERA}, Bench(white_per_ms=0.05))


def light_of(taking, index, **faults):
    values, truth = replace(taking, bench=replace(taking.bench, **faults)).take(index)
    return CAMERA.light_from_values(values), truth


def test_whole_and_code_frames_show_their_dots(taking):
    _, whole = light_of(taking, 0)
    _, code = light_of(taking, 1)
    assert whole.mark.tolist() == [0, 1, 2] and code.mark.tolist() == [0, 2]
    # 0.2 mm a panel px, 150 mm away, 560 px a unit tangent; the middle of the panel is straight ahead.
    expected = [160.0, 128.0] + (PLACES - [160.0, 128.0]) * 560.0 * 0.2 / 150.0
    assert np.abs(whole.dots.pixel - expected).max() < 1e-6
    assert np.abs(code.dots.pixel - expected[[0, 2]]).max() < 1e-6
    area = np.pi * 16.0 * (560.0 * 0.2 / 150.0) ** 2
    assert whole.dots.light == pytest.approx(0.5 * area, rel=0.02)


def test_a_part_of_a_frame_lights_some_lines_once_more(taking):
    """In 50.5 frames a line that shines briefly is lit 50 or 51 times; in 50 it is lit 50 times."""
    light, _ = light_of(taking, 2, persistence_frames=0.01)
    column = light[40:216, 160]
    plain, _ = light_of(replace(taking, plan=Plan(tuple(
        replace(one, panel_frames=50.0) for one in taking.plan.photographs))), 2)  # fmt: skip
    ratio = column / plain[40:216, 160]
    steps = np.abs(np.diff(ratio)) > 1e-3
    assert np.all((np.abs(ratio - 51 / 50.5) < 1e-3) | (np.abs(ratio - 50 / 50.5) < 1e-3) | _beside(steps))
    assert ratio.max() - ratio.min() == pytest.approx(1 / 50.5, rel=0.01)


def _beside(steps):
    wide = np.convolve(np.concatenate([[False], steps]), np.ones(11), mode="same") > 0
    return wide[: len(steps) + 1]


def test_the_picture_before_glows_on(taking):
    plain, whole = light_of(taking, 0)
    glowing, _ = light_of(taking, 1, afterglow=0.04)
    dark, _ = light_of(taking, 1)
    x, y = (int(value) for value in whole.dots.pixel[1])
    assert dark[y, x] == 0.0
    assert glowing[y, x] == pytest.approx(0.04 * plain[y, x], rel=1e-2)


def test_lateral_colour_is_a_magnification_about_the_centre(taking):
    _, plain = light_of(taking, 0)
    _, coloured = light_of(taking, 0, lateral_colour={"G": 1e-3})
    expected = CAMERA.centre_px + (plain.dots.pixel - CAMERA.centre_px) * 1.001
    assert np.abs(coloured.dots.pixel - expected).max() < 1e-9


def test_the_stage_s_own_millimetre(taking):
    _, truth = light_of(taking, 4, stage_scale=1.01)
    assert truth.place_mm == pytest.approx([3.03, 0.0, 0.0])
    _, moved = light_of(taking, 4)
    assert moved.place_mm.tolist() == [3.0, 0.0, 0.0]


def test_dots_that_no_mark_names_are_drawn_as_dots(taking):
    light, seam = light_of(taking, 3)
    assert seam.mark.tolist() == [0, 1]
    expected = [160.0, 128.0] + (PLACES[:2] + 20.0 - [160.0, 128.0]) * 560.0 * 0.2 / 150.0
    assert np.abs(seam.dots.pixel - expected).max() < 1e-3
    assert light.sum() == pytest.approx(seam.dots.light.sum(), rel=1e-3)


def test_drift_moves_the_picture_evenly(taking):
    truths = [light_of(taking, index, drift_px=(0.9, -0.3))[1] for index in (0, 1, 3)]
    assert [one.drift_px.tolist() for one in truths] == [
        [0.0, 0.0], pytest.approx([0.3, -0.1]), pytest.approx([0.9, -0.3])
    ]  # fmt: skip
    _, still = light_of(taking, 1)
    assert np.abs(truths[1].dots.pixel - still.dots.pixel - [0.3, -0.1]).max() < 1e-9


def test_focus_is_for_the_middle_of_the_panels(taking):
    assert taking.focus_dioptres == pytest.approx(1000.0 / 150.0, rel=1e-6)
    assert replace(taking, bench=Bench(focus_dioptres=2.0)).focus_dioptres == 2.0
    assert replace(taking, bench=Bench()).white_per_ms == pytest.approx(0.07)


def test_a_camera_that_says_its_focus_is_focused_there_unless_the_bench_says_otherwise(taking):
    """A panel 150 mm away through a pupil of 2 mm: light of a dot spreads where the focus is elsewhere."""

    def brightest(camera_dioptres, bench_dioptres=None):
        camera = replace(CAMERA, aperture_mm=2.0, focus_dioptres=camera_dioptres)
        other = replace(taking, cameras={"": camera})
        return light_of(other, 0, focus_dioptres=bench_dioptres)[0].max()

    sharp = brightest(None)
    assert brightest(1000.0 / 150.0) == pytest.approx(sharp, rel=1e-3)
    assert brightest(1.0) < 0.8 * sharp
    assert brightest(1.0, bench_dioptres=1000.0 / 150.0) == pytest.approx(sharp, rel=1e-3)
