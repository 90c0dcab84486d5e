"""Where the camera stands: what the design page asks of a capture that calibrates itself (section 8.1)."""

import numpy as np
import pytest

from prewarp.capture.positions import known_distance, places, plan_poses
from prewarp.errors import CaptureError
from prewarp.poses.shots import MOST_PUPIL_DEGREE, Shots

HALF = np.array([4.0, 3.0, 2.0])
COUNTS = (8, 9, 10, 16, 20, 25, 36, 42)


def straight(count, **values):
    return [pose for pose in plan_poses(HALF, count, **values) if not pose.is_turned]


@pytest.mark.parametrize("count", COUNTS)
def test_corners_are_kept_and_each_axis_has_five_levels(count):
    pupil = np.array([pose.pupil_mm for pose in straight(count)])
    assert len(pupil) == count == len(np.unique(pupil, axis=0))
    for corner in ((-4.0, -3.0), (4.0, -3.0), (-4.0, 3.0), (4.0, 3.0)):
        assert (pupil[:, :2] == corner).all(axis=1).sum() == 1
    assert (np.abs(pupil[:, :2]) <= HALF[:2]).all()
    assert min(len(np.unique(pupil[:, axis])) for axis in (0, 1)) >= 5
    gaps = np.linalg.norm(pupil[:, None, :2] - pupil[None, :, :2], axis=-1)[np.triu_indices(count, 1)]
    assert gaps.min() > 0.5 * np.sqrt(np.prod(2.0 * HALF[:2]) / count) * 0.5


@pytest.mark.parametrize("count", COUNTS)
def test_depth_alternates_by_two_to_four_millimetres(count):
    z = np.array([pose.pupil_mm[2] for pose in straight(count)])
    assert (np.abs(z) >= 2.0).all() and (np.abs(z) <= 4.0).all() and len(np.unique(z)) >= 4
    assert abs(int(np.sign(z).sum())) <= 2 if count != 9 else True
    # Depth goes with no motion of the camera: nothing linear in the position passes for it.
    place = np.array([pose.pupil_mm[:2] for pose in straight(count)])
    columns = np.column_stack([np.ones(count), place])
    left = z - columns @ np.linalg.lstsq(columns, z, rcond=None)[0]
    assert np.sqrt(np.mean(left**2)) > 1.5


@pytest.mark.parametrize("count", (9, 16, 25, 36))
def test_lattices_alternate_in_a_checker(count):
    side = round(np.sqrt(count))
    place, sign = places(count)
    lattice = sign.reshape(side, side).copy()
    # Every other row is walked backwards.
    lattice[1::2] = lattice[1::2, ::-1]
    row, column = np.indices((side, side))
    assert np.array_equal(lattice, np.where((row + column) % 2 == 0, 1.0, -1.0))
    steps = np.linalg.norm(np.diff(place, axis=0), axis=1)
    assert steps.max() < 1.6 * 2.0 / (side - 1)


def test_twenty_five_positions_decide_the_pupil_degree_that_free_poses_need():
    """By the rank rule of the estimator itself; eight do not, which is why they serve a difference alone."""

    def degree(count):
        labels = np.array([pose.pupil_mm for pose in straight(count)])
        return Shots(tuple(map(str, range(count))), labels, np.zeros(0, int), None).pupil_degree()

    assert degree(25) >= 4 and degree(49) == MOST_PUPIL_DEGREE
    assert degree(8) < 4


def test_six_turned_shots_stand_where_a_straight_one_does():
    poses = plan_poses(HALF, 25)
    turned = [pose for pose in poses if pose.is_turned]
    assert sorted(pose.turn_deg for pose in turned) == sorted(
        [(10.0, 0, 0), (-10.0, 0, 0), (0, 10.0, 0), (0, -10.0, 0), (0, 0, 10.0), (0, 0, -10.0)]
    )
    (place,) = {pose.pupil_mm for pose in turned}
    first = poses.index(turned[0])
    assert poses[first - 1].pupil_mm == place and poses[first : first + 6] == tuple(turned)
    assert np.hypot(*place[:2]) == min(np.hypot(*pose.pupil_mm[:2]) for pose in poses)
    assert plan_poses(HALF, 25, turn_deg=0.0) == tuple(straight(25))
    assert len({pose.name for pose in poses}) == 31


@pytest.mark.parametrize("count", [*COUNTS, 1, 2, 3, 4, 5, 7])
def test_the_same_plan_each_time(count):
    assert plan_poses(HALF, count) == plan_poses(HALF.copy(), count)
    assert len(straight(count)) == count


@pytest.mark.outside
def test_a_line_has_the_nodes_of_gauss():
    """Abramowitz and Stegun, table 25.4, n = 2: 0.5773502692; numpy has them too."""
    place, sign = places(2)
    nodes, _ = np.polynomial.legendre.leggauss(2)
    assert place[:, 0] == pytest.approx(nodes) and place[:, 1] == pytest.approx([-0.5773502692, 0.5773502692])
    assert sign.tolist() == [-1.0, 1.0]


def test_the_distance_to_measure_is_long_and_best_along_one_axis():
    assert known_distance(plan_poses(HALF, 25)) == ("p00", "p04", 8.0)
    assert known_distance(plan_poses(HALF, 1)) is None
    for count in COUNTS:
        a, b, length = known_distance(plan_poses(HALF, count))
        by_name = {pose.name: pose.pupil_mm for pose in plan_poses(HALF, count)}
        assert np.linalg.norm(np.subtract(by_name[a], by_name[b])) == pytest.approx(length) and length >= 8.0


def test_eight_positions_know_a_field_better_than_others_do():
    """A gradient field of random terms: what plans of eight leave of it, by least squares with its prior."""
    random = np.random.default_rng(4)
    exponents = np.array([(a, b) for a in range(6) for b in range(6 - a) if a + b > 0])
    size = 0.3 ** (exponents.sum(axis=1) - 1.0)

    def gradient(place):
        x, y = place.T[:, :, None]
        a, b = exponents.T
        by_x = a * x ** np.maximum(a - 1, 0) * y**b
        by_y = b * x**a * y ** np.maximum(b - 1, 0)
        return np.stack([by_x, by_y], axis=1).reshape(-1, len(exponents))

    dense = gradient(np.stack(np.meshgrid(*[np.linspace(-1, 1, 15)] * 2), axis=-1).reshape(-1, 2))

    def left(place):
        rows = gradient(place) * size
        shown = rows.T @ np.linalg.inv(rows @ rows.T + 1e-6 * np.eye(len(rows)))
        truth = size * random.standard_normal((200, len(exponents)))
        guess = (truth @ gradient(place).T) @ shown.T * size
        return np.sqrt(np.mean(((guess - truth) @ dense.T) ** 2))

    planned = left(places(8)[0])
    angle = np.arange(8) * np.pi / 4
    others = [np.column_stack([np.cos(angle), np.sin(angle)])]
    others += [random.uniform(-1, 1, (8, 2)) for _ in range(30)]
    others += [np.stack(np.meshgrid(np.linspace(-1, 1, 4), [-1, 1]), axis=-1).reshape(-1, 2)]
    assert planned < min(left(place) for place in others)


def test_what_cannot_be_planned_is_refused():
    for count in (-1, 0, 101, 1601, 1681):
        with pytest.raises(CaptureError, match="expected 1 to 100, or a square number"):
            plan_poses(HALF, count)
    with pytest.raises(CaptureError, match="the smaller first"):
        plan_poses(HALF, 9, depth_mm=(4.0, 2.0))
