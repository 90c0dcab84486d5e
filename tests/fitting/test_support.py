"""Which pupil functions the captured positions show, and how those that they do not show are tied."""

import numpy as np
import pytest

from prewarp.fitting.pupil import PupilFrame
from prewarp.fitting.support import supported_columns, wave_columns
from prewarp.pupils.shown import complete_degree, motions_shown, spread_positions

AXIS = np.array([-4.0, 0.0, 4.0])
FRAME = PupilFrame((0.0, 0.0), (4.0, 4.0))
UPRIGHT = np.random.default_rng(0).uniform(-0.4, 0.4, (200, 2))


def lattice(x, y, z=(0.0,)):
    return np.array([(a, b, c) for c in z for b in y for a in x], dtype=float)


def positions_of(pupil, directions=UPRIGHT):
    """Return the positions of a capture that sees every direction from every pupil."""
    rows = np.repeat(pupil, len(directions), axis=0)
    first = np.arange(len(pupil)) * len(directions)
    return spread_positions(rows, np.full(len(rows), -1), np.tile(directions, (len(pupil), 1)), first)


def counts(table):
    """Return how many gradient columns there are of each degree."""
    return np.bincount(table.order[~table.is_curl]).tolist()


def test_three_nodes_tie_x4_and_y4_to_x2y2():
    """Of round aberration, W = (x2 + y2)^2, three nodes show x2y2 alone: the column is its whole gradient."""
    table = supported_columns(FRAME, positions_of(lattice(AXIS, AXIS)))
    assert counts(table)[:3] == [2, 3, 4]
    column = int(np.flatnonzero((table.order == 3) & ~table.is_curl)[0])
    x, y = np.random.default_rng(1).uniform(-4.0, 4.0, (2, 50))
    scalar = FRAME.values(np.stack([x, y], axis=-1), table.degree)
    found = np.stack([table.x[column] @ scalar, table.y[column] @ scalar])
    truth = np.stack([x, y]) * (x * x + y * y)
    scale = np.sum(found * truth) / np.sum(truth * truth)
    np.testing.assert_allclose(found, scale * truth, atol=1e-12)


def test_what_the_positions_do_not_show_is_left_out():
    """x4 - y4 is like x2 - y2 at three nodes: no column of degree 3 that is shown may hold it."""
    table = supported_columns(FRAME, positions_of(lattice(AXIS, AXIS)))
    values = FRAME.values(lattice(AXIS, AXIS)[:, :2], table.degree)
    for order in range(table.degree + 1):
        columns = np.flatnonzero(~table.is_curl & (table.order <= order))
        seen = np.concatenate([table.x[columns] @ values, table.y[columns] @ values], axis=1)
        assert np.linalg.matrix_rank(seen, tol=1e-3) == len(columns)


@pytest.mark.parametrize(
    ("pupil", "complete", "first"),
    [
        (lattice([0.0], [0.0]), 0, [2]),
        (lattice(np.linspace(-4, 4, 5), [0.0]), 0, [2, 2, 2, 2]),
        (lattice([0.0], np.linspace(-4, 4, 5)), 0, [2, 2, 2, 2]),
        (np.array([(a, a, 0.0) for a in np.linspace(-4, 4, 5)]), 0, [2, 2, 2, 2]),
        (lattice([-4.0, 4.0], [-4.0, 4.0]), 1, [2, 3, 2]),
        (lattice(AXIS, AXIS), 2, [2, 3, 4]),
        (lattice(np.linspace(-4, 4, 5), np.linspace(-4, 4, 5)), 4, [2, 3, 4, 5, 6]),
    ],
)
def test_functions_follow_the_positions(pupil, complete, first):
    positions = positions_of(pupil)
    assert complete_degree(positions, centre_mm=FRAME.centre_mm, half_mm=FRAME.half_mm) == complete
    assert counts(supported_columns(FRAME, positions))[: len(first)] == first


def test_depth_alone_shows_no_motion():
    """Positions above one another: rays of one direction cross z = 0 on a line that turns with it."""
    positions = positions_of(lattice([0.0], [0.0], (-2.0, 0.0, 2.0)))
    assert len(motions_shown(positions)) == 0
    assert complete_degree(positions, centre_mm=FRAME.centre_mm, half_mm=FRAME.half_mm) == 0


@pytest.mark.parametrize(
    ("pupil", "motions"),
    [
        (lattice([1.0], [2.0]), []),
        (lattice(AXIS, [1.0]), [[1.0, 0.0]]),
        (lattice([1.0], AXIS), [[0.0, 1.0]]),
        (np.array([(a, -a, 0.0) for a in AXIS]), [[np.sqrt(0.5), -np.sqrt(0.5)]]),
        (lattice(AXIS, [-0.01, 0.01]), [[1.0, 0.0]]),
        (lattice(AXIS, AXIS), [[1.0, 0.0], [0.0, 1.0]]),
    ],
)
def test_motions(pupil, motions):
    found = motions_shown(positions_of(pupil))
    assert len(found) == len(motions)
    for one, other in zip(found, motions, strict=True):
        assert abs(one @ np.array(other)) == pytest.approx(1.0, abs=1e-4)


def test_a_short_side_shows_fewer_degrees():
    """Aberrations do not know how far the stage went: five steps of 0.1 mm show no fourth power."""
    positions = positions_of(lattice(np.linspace(-4, 4, 5), np.linspace(-0.2, 0.2, 5)))
    assert complete_degree(positions, centre_mm=(0.0, 0.0), half_mm=(4.0, 0.5)) <= 2


@pytest.mark.parametrize("half_mm", [(4.0, 4.0), (4.0, 3.0)])
@pytest.mark.parametrize("order", [1, 2, 3, 4])
def test_wave_columns_are_all_gradients_of_their_degree(half_mm, order):
    frame = PupilFrame((0.5, -0.2), half_mm)
    columns = wave_columns(frame, order)
    assert len(columns) == order + 2
    table = np.array([np.concatenate([one.x, one.y]) for one in columns])
    assert np.linalg.matrix_rank(table) == order + 2
    point, step = np.array([[1.1, -0.7]]), 1e-5

    def at(column, dx, dy):
        scalar = frame.values(point + [[dx, dy]], order)[:, 0]
        return column.x @ scalar, column.y @ scalar

    for one in columns:
        by_y = (at(one, 0, step)[0] - at(one, 0, -step)[0]) / (2 * step)
        by_x = (at(one, step, 0)[1] - at(one, -step, 0)[1]) / (2 * step)
        assert by_y == pytest.approx(by_x, abs=1e-8)
        (qx, qy), (mx, my) = at(one, 0, 0), at(one, -1.2, 0)  # 1.1 and -0.1 lie alike about 0.5
        sign = 1.0 if one.parity[0] == 0 else -1.0
        assert (mx, my) == pytest.approx((-sign * qx, sign * qy), abs=1e-10)
