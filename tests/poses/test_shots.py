"""Which rows are one shot, and what is refused."""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.errors import FitError, GridError
from prewarp.grids import Grid, grid_from_samples
from prewarp.poses.shots import shots_of


def lattice(across: tuple[int, int] = (5, 5), dots: int = 16, **extra) -> Grid:
    """Return a grid of so many pupil labels and dots a shot; directions and panel points mean nothing."""
    x, y = (axis.ravel() for axis in np.meshgrid(*(np.linspace(-4.0, 4.0, n) for n in across)))
    pupil = np.repeat(np.stack([x, y, 0 * x], axis=-1), dots, axis=0)
    random = np.random.default_rng(1)
    count = len(pupil)
    return grid_from_samples(
        channel="inner",
        colour="G",
        pupil_mm=pupil,
        tangent=random.uniform(-0.2, 0.2, (count, 2)),
        pixel=random.uniform(0.0, 500.0, (count, 2)),
        extra=extra,
    )


def test_one_pupil_label_is_one_shot():
    grid = lattice()
    shots = shots_of(grid)
    assert len(shots) == 25 and shots.pupil_degree() == 4
    np.testing.assert_array_equal(shots.label_mm[shots.of_row], grid.pupil_mm)


def test_the_pose_column_tells_shots_apart():
    """Two shots at one label are two, each with its own pose; names are kept as written."""
    pose = np.array([f"k{k // 15}" for k in range(25 * 30)])
    shots = shots_of(lattice(dots=30, pose=pose))
    assert len(shots) == 50 and "k49" in shots.names
    assert len(np.unique(shots.label_mm, axis=0)) == 25


def test_rows_that_are_no_numbers_have_no_shot():
    grid = lattice()
    pixel = grid.pixel.copy()
    pixel[3] = np.nan
    shots = shots_of(replace(grid, pixel=pixel))
    assert shots.of_row[3] == -1 and (np.delete(shots.of_row, 3) >= 0).all()


@pytest.mark.parametrize(
    ("pose", "words"),
    [
        (np.where(np.arange(400) == 6, "", "a"), "row 7: no pose"),
        (np.where(np.arange(400) == 6, np.nan, 1.0), "row 7: no pose"),
        (np.arange(400) // 32, "another pupil position than the first row of pose 0 has"),
    ],
)
def test_wrong_poses_name_rows(pose, words):
    with pytest.raises(GridError, match=words):
        shots_of(lattice(pose=pose))


def test_pupil_degree_three_is_refused():
    """A field of pupil degree 3 took what it lacked for turns of 2 arcmin."""
    with pytest.raises(FitError, match="enough for pupil degree 3; free poses need degree 4"):
        shots_of(lattice((4, 4)))
    with pytest.raises(FitError, match="enough for pupil degree 2"):
        shots_of(lattice((9, 3)))


def test_a_shot_of_few_rows_is_named():
    with pytest.raises(FitError, match=r"shot at \(-4, -4, 0\) mm has 11 finite rows; expected at least 12"):
        shots_of(lattice().take(np.arange(5, 400)))


def test_a_misspelt_pose_column_is_not_passed_over():
    with pytest.raises(GridError, match="column 'Pose'; expected 'pose'"):
        shots_of(lattice(Pose=np.arange(400) // 16))
