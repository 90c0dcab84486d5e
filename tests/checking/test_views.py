"""Fewer than five pupil positions: what single views show is found, what they cannot show is not blamed."""

import numpy as np
import pytest

from prewarp.checking import check_grid
from tests.long.check_draws import KINDS, draw, judge, right_draw, told_of, with_angles
from tests.support import one_in
from tests.synthetic import make_grid

# The traced designs have 300 rows a view, of which a polynomial follows many a cluster of 24.
DENSE = KINDS[:4]
SQUARE = np.array([(x, y, 0.0) for x in (-4.0, 4.0) for y in (-4.0, 4.0)])


@pytest.mark.parametrize(
    ("fault", "kind", "positions"),
    [("cluster", kind, 1 + place % 3) for place, kind in enumerate(DENSE)]
    + [("patch", kind, 1 + place % 3) for place, kind in enumerate(KINDS)],
)
def test_points_that_moved_or_scatter_beside_others_are_found(fault, kind, positions):
    made = draw(fault, kind, KINDS.index(kind), positions)
    result = check_grid(made.grid)
    assert judge(made, result) == ""
    (told,) = result.of("few_positions")
    assert told.severity == "remark" and not told.rows and told.size.value == positions
    assert "whether a shot is off as a whole" in told.text


@pytest.mark.parametrize(("kind", "fault"), one_in(2, KINDS, ["shot", "stage", "angles"]))
def test_what_views_cannot_show_is_not_blamed(fault, kind):
    seed = KINDS.index(kind)
    positions = 1 + seed % 3
    if fault == "angles":
        grid, _ = with_angles(kind, seed, positions)
    else:
        grid = draw(fault, kind, seed, positions).grid
    assert told_of(grid) == []


@pytest.mark.parametrize("kind", KINDS)
def test_right_views_are_left_in_peace(kind):
    assert right_draw(kind, True, 7)[1] == []


def test_angles_of_a_goniometer_show_from_four_positions_and_not_from_a_line():
    for pupils, known in ((SQUARE, True), (SQUARE[:3], True), (SQUARE[:2], False)):
        grid = make_grid(points=17, pupils=pupils, colours=("G",), noise_px=0.05)
        (told,) = check_grid(grid).of("few_positions")
        assert ("projected ones or those of a goniometer" in told.text) != known
        assert (" on a line" in told.text) != known


def test_enough_positions_get_no_such_remark():
    pupils = np.vstack([SQUARE, [[0.0, 0.0, 0.0]]])
    assert not check_grid(make_grid(points=11, pupils=pupils, colours=("G",))).of("few_positions")
