"""Free poses as a difference to a known map: eight positions of the plan's choice and a unit off its design.

The truth is the trace of the unit; the known map is a fit of the design's trace. The unit's surfaces are off
by tolerances of assembly, several px on the panel; the bench is off by 0.1 mm and 1 arcmin.
"""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.capture.positions import plan_poses
from prewarp.demo.unit import built_unit
from prewarp.errors import FitError
from prewarp.field import fit_grid
from prewarp.poses import fit_free_poses, free_poses
from tests.poses import captures
from tests.poses.captures import Errors, capture, errors_px, held_out, pupil_lattice, stage_errors
from tests.poses.judging import panel_size

HALF_MM = np.array([4.0, 3.0, 2.0])
ONE = ("inner",)


def of_unit(monkeypatch):
    """Let captures and truths be those of a unit from here on."""
    module, optics = captures.design("coaxial")
    unit = built_unit(optics, 3)
    monkeypatch.setattr(captures, "design", lambda name: (module, unit))


@pytest.fixture(scope="module")
def base():
    """A fit of the design's trace: exact rays of one channel."""
    labels = pupil_lattice(0.0)
    nothing = Errors(np.zeros_like(labels), np.zeros_like(labels))
    grid = capture(nothing, labels, np.random.default_rng(0), dots=13, channels=ONE, noise_px=0.0)
    return fit_grid(grid, panel_size_px=panel_size(), family="polynomial")


def shots(count: int = 8) -> np.ndarray:
    return np.array([pose.pupil_mm for pose in plan_poses(HALF_MM, count, turn_deg=0.0)])


def bench_grid(colours=("G",), dots=13, seed=1):
    labels = shots()
    random = np.random.default_rng(seed)
    return capture(
        stage_errors(len(labels), random),
        labels,
        random,
        dots=dots,
        channels=ONE,
        colours=colours,
        noise_px=0.02,
    )


def test_eight_positions_tell_the_difference_to_a_design(base, monkeypatch):
    """Some 0.06 px RMS, an arcmin being about a px; the design alone is off by more than a px."""
    of_unit(monkeypatch)
    truth = held_out(channels=ONE, dots=9)
    assert errors_px(base, truth, remove="similarity") > 1.0
    fields, found = fit_free_poses(bench_grid(), panel_size_px=panel_size(), base=base)
    assert errors_px(fields, truth, remove="similarity") < 0.15
    assert found.difference_degree == 2
    assert fields.reports[0].model.startswith("difference to an earlier fit")
    assert fields.provenance["base"]["grid"] == base.provenance["grid"]
    assert 0.05 < found.scatter[0] < 0.2


def test_without_a_base_eight_positions_are_refused():
    wanted = (
        r"8 shots give 16 numbers a dot, enough for pupil degree 2; "
        r"free poses need degree 4, 20 numbers .*--base"
    )
    with pytest.raises(FitError, match=wanted):
        free_poses(bench_grid(dots=9), panel_size_px=panel_size())


def test_with_a_base_too_few_positions_are_refused(base):
    labels = shots(4)
    nothing = Errors(np.zeros_like(labels), np.zeros_like(labels))
    grid = capture(nothing, labels, np.random.default_rng(0), dots=9, channels=ONE)
    with pytest.raises(FitError, match=r"need degree 2, 9 numbers a dot.*Capture 8 pupil positions"):
        free_poses(grid, panel_size_px=panel_size(), base=base)


def test_a_base_must_have_what_the_grid_has(base):
    grid = bench_grid(colours=("G", "R"), dots=9)
    with pytest.raises(FitError, match="no field for channel 'inner', colour 'R'"):
        fit_grid(grid, panel_size_px=panel_size(), base=base)
    with pytest.raises(FitError, match=r"base: channel 'inner' has \(2560, 2048\) px"):
        fit_grid(bench_grid(dots=9), panel_size_px=(2600, 2100), base=base)
    with pytest.raises(FitError, match="fitted by a polynomial"):
        fit_grid(bench_grid(dots=9), panel_size_px=panel_size(), base=base, family="mesh")


def test_a_colour_shown_at_few_positions_follows_the_others():
    """Blue at 5 of 25 positions, the middle and the corners: its difference follows the pupil evenly."""
    labels = pupil_lattice(2.0)
    random = np.random.default_rng(4)
    grid = capture(
        stage_errors(25, random), labels, random, dots=11, channels=ONE, colours=("G", "B"), noise_px=0.02
    )
    x, y = np.abs(grid.pupil_mm[:, :2]).T
    few = ((x == 0.0) & (y == 0.0)) | ((x == 4.0) & (y == 3.0))
    kept = few | (grid.colour == grid.colour_names.index("G"))
    fields, _ = fit_free_poses(grid.take(np.flatnonzero(kept)), panel_size_px=panel_size())
    truth = held_out(channels=ONE, colours=("G", "B"), dots=9)
    assert errors_px(fields, truth, remove="similarity") < 0.2
    assert "few positions show the others" in fields.reports[0].model


def test_a_capture_without_one_full_colour_is_refused():
    labels = pupil_lattice(2.0)
    grid = capture(
        Errors(np.zeros_like(labels), np.zeros_like(labels)),
        labels,
        np.random.default_rng(5),
        dots=9,
        channels=ONE,
        colours=("G", "B"),
    )
    half = (grid.pupil_mm[:, 0] > 0.0) == (grid.colour == grid.colour_names.index("G"))
    with pytest.raises(FitError, match="Show one colour at all of them"):
        free_poses(replace(grid.take(np.flatnonzero(half))), panel_size_px=panel_size())
