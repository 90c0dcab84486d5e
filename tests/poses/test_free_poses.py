"""Captures by a wrong stage, held to the exact trace; `tests.long.free_poses` is the long form.

0.1 mm and 1 arcmin per axis, 5 x 5 pupils with z alternating by +-2 mm, 0.05 px of noise, two
channel-colours a shot. The truth is what the simulated stage did and where the trace sends rays.
"""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.errors import FitError, GridError
from prewarp.field import fit_grid
from prewarp.poses import free_poses
from tests.poses.captures import Errors, capture, errors_px, held_out, pupil_lattice, stage_errors
from tests.poses.judging import Trial, panel_size, seam_error_arcmin, trial

DRAWS = (1, 2, 3)


def drawn(seed: int, depth_mm: float, **options) -> Trial:
    labels = pupil_lattice(depth_mm)
    return trial(stage_errors(25, np.random.default_rng(seed)), labels, seed, **options)


@pytest.fixture(scope="module")
def trials() -> list[Trial]:
    return [drawn(seed, 2.0, dots=15) for seed in DRAWS]


@pytest.fixture(scope="module")
def flat() -> Trial:
    return drawn(1, 0.0, dots=13)


def rms(values) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def ratio_to_exact_poses(trials) -> float:
    """Return the error of free poses over that of exact ones, all draws, shift, turn and scale removed."""
    truth = held_out(dots=11)
    free = rms([errors_px(one.free, truth, remove="similarity") for one in trials])
    return free / rms([errors_px(one.exact, truth, remove="similarity") for one in trials])


def test_free_poses_are_nearly_as_good_as_exact_ones(trials):
    """Ignored poses are some 60 times worse than exact ones."""
    assert ratio_to_exact_poses(trials) <= 1.35


def test_poses_ignored_are_far_worse():
    truth = held_out(dots=11)
    labels = pupil_lattice(2.0)
    grid = capture(stage_errors(25, np.random.default_rng(1)), labels, np.random.default_rng(1), dots=11)
    ignored = fit_grid(grid, panel_size_px=panel_size(), family="polynomial")
    assert errors_px(ignored, truth, remove="similarity") > 0.3


def test_observable_modes_are_off_by_what_is_stated(trials):
    """143 modes a draw: 150 numbers less the seven common motions."""
    scores = [one.observable_scores() for one in trials]
    assert [len(one) for one in scores] == [143] * len(DRAWS)
    assert 0.9 <= rms(np.concatenate(scores)) <= 1.15


def test_channels_join_as_with_exact_poses(trials):
    free = rms([seam_error_arcmin(one.free) for one in trials])
    exact = rms([seam_error_arcmin(one.exact) for one in trials])
    assert free <= 1.2 * exact


def test_modes_of_a_capture_with_depth(trials):
    modes = trials[0].found.modes
    assert not modes.weak
    assert [(one.name, one.count) for one in modes.lost] == [
        ("shift", 3),
        ("turn", 3),
        ("scale", 1),
        ("entrance pupil along the camera's axis", 1),
    ]
    # Means of 25 independent labels: 0.1 mm / 5 and 1 arcmin / 5.
    assert "at best to 0.02 mm" in modes.lost[0].means and "at best to 0.2 arcmin" in modes.lost[1].means
    assert sum(one.count for one in modes.observable) == 143


def test_one_plane_says_what_it_cannot_know(flat):
    """Common wavefronts are weak or lost; alternating z frees them, and they cancel in the seam."""
    modes = flat.found.modes
    unsure = sum(one.count for one in (*modes.weak, *modes.lost) if one.name == "common wavefront")
    assert unsure >= 4
    assert any("alternate z by +-2 mm" in line for line in modes.capture_next())
    assert any("absolute swim and image vergence" in line for line in modes.lines())
    assert seam_error_arcmin(flat.free) <= 2.0 * seam_error_arcmin(flat.exact)


def test_a_slip_is_named_and_the_others_stay_good():
    labels = pupil_lattice(2.0)
    errors = stage_errors(25, np.random.default_rng(6))
    errors.offset_mm[7] += [1.0, 0.0, 0.0]
    grid = capture(errors, labels, np.random.default_rng(6), dots=13)
    found = free_poses(grid, panel_size_px=panel_size())
    (slip,) = found.slips
    assert slip.pupil_mm == tuple(labels[7]) and slip.unit == "mm"
    assert slip.length == pytest.approx(np.linalg.norm(errors.offset_mm[7]), abs=0.1)
    scores = Trial(None, None, found, errors, labels).observable_scores()
    assert 0.85 <= rms(scores) <= 1.2


def test_no_slip_is_named_without_one(trials):
    assert not any(one.found.slips for one in trials)


def test_bad_points_do_not_move_poses():
    """0.5 per cent of points 5 to 20 px off: poses as without them within their sigma."""
    labels, random = pupil_lattice(2.0), np.random.default_rng(8)
    errors = stage_errors(25, random)
    grid = capture(errors, labels, np.random.default_rng(1), dots=13)
    bad = random.random(len(grid)) < 0.005
    angle = random.uniform(0.0, 2.0 * np.pi, len(grid))
    off = np.stack([np.cos(angle), np.sin(angle)], axis=-1) * random.uniform(5.0, 20.0, (len(grid), 1))
    spoilt = replace(grid, pixel=grid.pixel + np.where(bad[:, None], off, 0.0))
    found = free_poses(spoilt, panel_size_px=panel_size())
    scores = Trial(None, None, found, errors, labels).observable_scores()
    assert 0.85 <= rms(scores) <= 1.2
    assert max(found.noise_px.values()) < 0.056


def test_an_entrance_pupil_off_along_the_axis_shows_where_the_camera_turns():
    """Cameras turned by 15 degrees at every second shot: d_k = R_k o is no common shift any more."""
    labels = pupil_lattice(2.0)
    grid = capture(Errors(np.zeros((25, 3)), np.zeros((25, 3))), labels, np.random.default_rng(2), dots=9)
    shot = np.array([int(np.argmin(np.linalg.norm(labels - one, axis=1))) for one in grid.pupil_mm])
    yaw = np.where(shot % 2 == 0, 15.0, -15.0)
    turned = free_poses(replace(grid, extra={"yaw_deg": yaw}), panel_size_px=panel_size())
    names = [one.name for one in turned.modes.observable]
    assert "entrance pupil along the camera's axis" in names


def test_moved_grid_holds_the_rays(trials):
    """Moved rows keep panel points; directions turn by what was found, pupils move by it."""
    found, labels = trials[0].found, trials[0].labels
    grid = capture(trials[0].errors, labels, np.random.default_rng(DRAWS[0]), dots=15)
    moved = found.moved(grid)
    np.testing.assert_array_equal(moved.pixel, grid.pixel)
    step = moved.pupil_mm - grid.pupil_mm
    np.testing.assert_allclose(step, found.poses.offset_mm[found.shots.of_row], atol=1e-12)
    with pytest.raises(FitError, match="the poses are of a grid of"):
        found.moved(grid.take(np.arange(100)))


@pytest.mark.parametrize("change", [{"stage_mm": 0.0}, {"turn_arcmin": float("nan")}])
def test_absurd_priors_are_refused(change):
    grid = capture(
        Errors(np.zeros((25, 3)), np.zeros((25, 3))), pupil_lattice(2.0), np.random.default_rng(2), dots=5
    )
    with pytest.raises(FitError, match=next(iter(change))):
        free_poses(grid, panel_size_px=panel_size(), **change)


def test_too_few_points_are_refused():
    """7 x 7 pupils decide pupil degree 6, which asks for more columns than 12 points a shot can bear."""
    nothing = Errors(np.zeros((49, 3)), np.zeros((49, 3)))
    grid = capture(nothing, pupil_lattice(2.0, 7), np.random.default_rng(2), dots=4, channels=("inner",))
    grid = grid.take(np.arange(len(grid)) % 16 < 12)
    with pytest.raises(FitError, match="in a channel and colour; free poses of 49 shots need"):
        free_poses(grid, panel_size_px=panel_size())


def test_bad_grids_are_refused_first():
    grid = capture(
        Errors(np.zeros((25, 3)), np.zeros((25, 3))), pupil_lattice(2.0), np.random.default_rng(2), dots=5
    )
    with pytest.raises(GridError, match="off the panel"):
        free_poses(grid, panel_size_px=(640, 480))
