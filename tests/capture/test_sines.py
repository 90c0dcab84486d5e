"""Shifted sines: which place two phases name, how sure a phase is, points between dots beside the truth."""

import json
from dataclasses import replace

import numpy as np
import pytest

from prewarp.capture.extract.dense import dense_points, points_between
from prewarp.capture.extract.dense_fit import DIM, OVER, UNSURE
from prewarp.capture.extract.frames import Sensor
from prewarp.capture.extract.phases import phases_of
from prewarp.capture.patterns import coprime_periods, sine_codes
from prewarp.capture.plan import Plan, read_plan, write_plan
from prewarp.capture.sines import Sines, read_sines
from prewarp.errors import CaptureError
from prewarp.grids import read_grid
from prewarp.module import Panel
from tests.capture.disc_folder import camera, save, write_capture
from tests.capture.discs import Scene
from tests.capture.extraction import marks_of, outcome
from tests.capture.sine_scene import LENS, SINES, SineScene
from tests.cli.conftest import run


def test_two_remainders_name_one_number():
    """Sunzi's problem, things counted by threes, fives (and sevens): 2 and 3 left over, 8 of fifteen things
    (Sunzi Suanjing, 3rd to 5th century, chapter 3, problem 26, which has 23 of 105).
    """
    place, apart = short_sines(3, 5).place(np.array([2.0]), np.array([3.0]))
    assert place == [8.0] and apart == [0.0]
    place, _ = short_sines(15, 7).place(np.array([8.0]), np.array([2.0]))
    assert place == [23.0]


def short_sines(first, second):
    """Return sines of periods too short for a camera."""
    one = object.__new__(Sines)
    for name, value in (("panel_px", (15, 15)), ("periods_px", (first, second)), ("shifts", 8)):
        object.__setattr__(one, name, value)
    return one


@pytest.mark.parametrize("length", [640, 2560, 4000])
def test_every_place_of_a_panel_is_named(length):
    sines = Sines((length, length), coprime_periods(length), 8)
    true = np.linspace(0.0, length, 20_001)
    random = np.random.default_rng(0)
    noisy = [np.mod(true + 0.04 * random.standard_normal(true.size), p) for p in sines.periods_px]
    place, apart = sines.place(*noisy)
    assert np.abs(place - true).max() < 0.25
    assert np.abs(apart).max() < 0.3 and np.std(apart) == pytest.approx(0.04 * np.sqrt(2.0), rel=0.05)


def test_sines_that_name_no_place_are_refused():
    for periods, said in (((40, 42), "common divisor"), ((20, 21), "do not name every place of 1600 px")):
        with pytest.raises(CaptureError, match=said):
            Sines((1600, 1280), periods, 8)


@pytest.mark.parametrize("shifts", [4, 5, 8])
@pytest.mark.outside
def test_a_phase_is_as_sure_as_the_closed_form_says(shifts):
    """sqrt(2 / N) noise / modulation (J. H. Bruning et al., Applied Optics 13 (1974) 2693)."""
    random = np.random.default_rng(shifts)
    shift = np.arange(shifts) / shifts
    phase = random.uniform(-np.pi, np.pi, (400, 1, 50))
    light = (
        500.0
        + 300.0 * np.cos(phase - 2.0 * np.pi * shift[:, None])
        + random.normal(0.0, 6.0, (400, shifts, 50))
    )
    found = phases_of(light.astype(np.float32), shift)
    off = np.angle(found.phasor * np.exp(-1j * phase[:, 0]))
    closed = np.sqrt(2.0 / shifts) * 6.0 / 300.0
    assert np.std(off) == pytest.approx(closed, rel=0.02)
    assert np.sqrt(found.share) * 6.0 / 300.0 == pytest.approx(closed, rel=1e-6)
    assert np.mean(found.left) == pytest.approx(36.0, rel=0.05)


@pytest.mark.outside
def test_the_phase_of_eight_shifts_is_numpys_first_harmonic():
    """The discrete Fourier transform of a pixel's eight values, whose sign of the phase is the other one."""
    random = np.random.default_rng(3)
    values = random.uniform(100.0, 900.0, (1, 8, 30)).astype(np.float32)
    found = phases_of(values, np.arange(8) / 8.0)
    spectrum = np.fft.fft(values, axis=1)
    # Light of random values is no lamp's: only its frames' common factors differ from a plain transform.
    assert found.flicker < 0.5
    plain = spectrum[:, 1].conj() / 4.0
    assert np.abs(np.angle(found.phasor * plain.conj())).max() < 0.6


def test_what_an_encoding_adds_moves_no_phase():
    shift = np.arange(8) / 8.0
    phase = np.linspace(-3.0, 3.0, 200)[None, None]
    light = (0.5 + 0.45 * np.cos(phase - 2.0 * np.pi * shift[:, None])) ** 1.4 * 800.0
    found = phases_of(light.astype(np.float32), shift)
    assert np.abs(np.angle(found.phasor * np.exp(-1j * phase[:, 0]))).max() < 2e-4
    assert found.harmonics[0] > 0.05 and np.sqrt(found.left.max()) < 0.01 * np.abs(found.phasor).min()


def test_eight_bits_of_a_panel_move_no_place():
    """Codes are whole numbers: what that does to the phase of a panel's column, over a window of columns."""
    panel = Panel(width_px=2560, height_px=16, pitch_um=10.0, encoding="srgb", bit_depth=8)
    light = panel.transfer.linear_of_codes(8)
    period = coprime_periods(2560)[0]
    seen = np.stack([light[sine_codes(panel, 0, period, k / 8.0)[0]] for k in range(8)])
    phasor = np.exp(2j * np.pi * np.arange(8) / 8.0) @ seen
    place = (np.arange(2560) + 0.5) * 2.0 * np.pi / period
    off = np.angle(phasor * np.exp(-1j * place)) * period / (2.0 * np.pi)
    assert np.abs(off).max() < 0.05
    assert np.abs(np.convolve(off, np.ones(30) / 30.0, mode="valid")).max() < 0.003


@pytest.fixture(scope="module")
def dots():
    scene = Scene(lens=LENS, dots=(9, 7), quadrature=(4, 12))
    return scene, outcome(scene).view


@pytest.fixture(scope="module")
def plain(dots):
    """Return photographs of sines without any fault but noise."""
    return SineScene(dots[0])


def read(dots, sines, steps=None, parts=2, size=SINES):
    scene, view = dots
    rows = sines.rows() if steps is None else sines.rows(steps)
    return dense_points(
        rows, sines.read, Sensor(scene.black, scene.full_scale), size, view, marks_of(scene), parts
    )


def test_points_between_dots_are_where_the_lens_shows_them(dots, plain):
    scene = dots[0]
    found = read(dots, plain)
    assert len(found) == found.figures["of_points"] == 17 * 13 - 9 * 7
    off = found.place - scene.lens(found.panel)
    # Panel px to photograph px.
    sigma = found.sigma_px * np.sqrt(np.abs(np.linalg.det(scene.lens.slopes(found.panel))))
    assert np.sqrt(np.mean(off**2)) < 0.003
    assert np.sqrt(np.mean((off / sigma[:, None]) ** 2)) == pytest.approx(1.0, abs=0.1)
    told = found.figures
    assert told["dots_compared"] == 63 and np.hypot(*told["shift_px"]) < 0.001
    assert told["difference_px_rms"] == pytest.approx(told["difference_expected_px_rms"], rel=0.2)
    assert found.findings == []


def test_without_noise_a_thousandth_of_a_px_is_left(dots):
    found = read(dots, SineScene(dots[0], noisy=False))
    off = found.place - dots[0].lens(found.panel)
    assert np.abs(off).max() < 0.001


def test_ghosts_widen_the_stated_sigma_and_are_told(dots):
    scene = dots[0]
    found = read(dots, SineScene(scene, ghost=0.03, ghost_px=(13.0, -21.0)))
    off = found.place - scene.lens(found.panel)
    sigma = found.sigma_px * np.sqrt(np.abs(np.linalg.det(scene.lens.slopes(found.panel))))
    assert np.sqrt(np.mean(off**2)) > 0.008
    assert np.sqrt(np.mean((off / sigma[:, None]) ** 2)) == pytest.approx(1.0, abs=0.2)
    assert "moves phases and not dots" in found.findings[0]


def test_a_picture_that_moved_is_brought_back_to_the_dots(dots):
    found = read(dots, SineScene(dots[0], moved_px=(0.3, -0.1), gamma=1.3))
    off = found.place - dots[0].lens(found.panel)
    assert np.abs(off.mean(axis=0)).max() < 0.001
    assert found.figures["shift_px"] == pytest.approx([0.3, -0.1], abs=0.002)
    assert "moved by 0.32 px" in found.findings[0] and "second" in found.findings[1]


def test_what_cannot_be_trusted_is_refused(dots, plain):
    scene = dots[0]
    dim = SineScene(scene)
    dim._light = lambda phase, shift: 0.5 + 0.05 * np.cos(phase - 2.0 * np.pi * shift)
    found = read(dots, dim)
    assert len(found) == 0 and DIM in found.findings[0]
    # Periods that are not those of the pictures.
    wrong = read(dots, plain, size=replace(SINES, periods_px=(34, 35)))
    assert len(wrong) == 0 and UNSURE in wrong.findings[-1]
    few = [k for k in range(SINES.steps) if not 8 <= k < 13]
    found = read(dots, plain, few)
    assert len(found) == 0 and "3 of 8 shifts of the second period along u" in found.findings[0]
    low = Sensor(scene.black, 1000.0)
    found = dense_points(plain.rows(), plain.read, low, SINES, dots[1], marks_of(scene), 2)
    assert len(found) == 0 and OVER in found.findings[0]


def test_one_photograph_that_is_missing_is_made_good(dots, plain):
    scene = dots[0]
    found = read(dots, plain, [k for k in range(SINES.steps) if k not in (3, 20)], parts=3)
    assert len(found) == 25 * 19 - 9 * 7
    assert np.sqrt(np.mean((found.place - scene.lens(found.panel)) ** 2)) < 0.003


def test_points_lie_between_dots_that_were_found():
    lattice = np.stack(np.meshgrid(np.arange(5) * 100.0 + 20.0, np.arange(4) * 90.0 + 10.0), -1).reshape(
        -1, 2
    )
    points = points_between(lattice, lattice, 2)
    assert len(points) == 9 * 7 - 20 and [70.0, 10.0] in points.tolist()
    assert len(points_between(lattice, lattice, 1)) == 0
    scattered = np.random.default_rng(0).uniform(0.0, 1000.0, (400, 2))
    assert 400 < len(points_between(scattered, scattered, 2)) < 1600
    assert points_between(lattice, lattice[:1], 2).tolist() == [[70.0, 10.0], [20.0, 55.0], [70.0, 55.0]]


def test_the_command_reads_sines(tmp_path, dots, plain):
    scene = dots[0]
    folder = write_capture(
        tmp_path / "capture", {"p0": (0.0, 0.0, 0.0)}, scene=lambda *_: scene,
        width_px=320, height_px=256, centre_px=(160.0, 128.0),
    )  # fmt: skip
    plan = read_plan(folder.path / "plan.csv").photographs
    rows = [replace(one, order=len(plan) + one.step) for one in plain.rows()]
    write_plan(Plan((*plan, *rows)), folder.path / "plan.csv")
    for one in rows:
        save(plain.read(one), folder.path / "shots" / one.file)
    command = [*folder.command, "--no-pictures", "-o"]
    done = run(*command, tmp_path / "a.npz")
    assert done.exit_code == 2 and "targets.json" in done.stderr
    told = {"panel_px": [800, 640], "sine_periods_px": list(SINES.periods_px), "sine_phases": 8}
    (folder.path / "targets.json").write_text(json.dumps({"channels": {"inner": told}}))
    done = run(*command, tmp_path / "a.npz")
    assert done.exit_code == 0 and "158 of 158 points between dots" in done.stdout
    grid = read_grid(tmp_path / "a.npz")
    between = grid.extra["mark"] == -1
    assert len(grid) == 63 + 158 and between.sum() == 158
    seen = camera(width_px=320, height_px=256, centre_px=(160.0, 128.0))
    off = seen.pixel(grid.tangent[between]) - scene.lens(grid.pixel[between])
    assert np.sqrt(np.mean(off**2)) < 0.003
    assert np.median(grid.luminance[between]) == pytest.approx(np.median(grid.luminance[~between]), rel=0.02)
    done = run(*command, tmp_path / "b.npz", "--dense", "0")
    assert done.exit_code == 0 and "32 photographs of kind 'sine' are not read" in done.stdout
    assert len(read_grid(tmp_path / "b.npz")) == 63


@pytest.mark.parametrize(
    "text",
    ["", "[]", "{}", '{"channels": 3}', '{"channels": {"inner": {"panel_px": [1600, 1280]}}}', "nonsense"],
)
def test_a_summary_that_tells_nothing_is_one_line(tmp_path, text):
    (tmp_path / "targets.json").write_text(text)
    with pytest.raises(Exception, match=r"targets\.json"):
        read_sines(tmp_path / "targets.json")
