"""A few of the draws of `tests.long.check_draws`: each fault once in each kind of grid, and right grids."""

import json
from types import SimpleNamespace

import numpy as np
import pytest

from prewarp.checking import check_grid
from prewarp.checking.moved import _significance
from tests.long.check_draws import KINDS, SIZES, draw, exact, extra, judge, right
from tests.support import one_in


@pytest.mark.parametrize(("kind", "fault"), one_in(2, KINDS, SIZES))
def test_a_planted_fault_is_one_finding(fault, kind):
    made = draw(fault, kind, 6 + KINDS.index(kind))
    result = check_grid(made.grid)
    assert judge(made, result) == ""
    assert extra(result) == 0


@pytest.mark.parametrize("kind", KINDS)
def test_a_right_grid_is_left_in_peace(kind):
    grid, _ = right(kind, 1)
    assert [f.line() for f in check_grid(grid).findings if f.severity != "remark"] == []


def test_every_finding_has_its_keys():
    data = check_grid(draw("cluster", "panel", 0).grid).as_dict()
    assert json.loads(json.dumps(data, allow_nan=False)) == data
    keys = {"severity", "kind", "channel", "color", "rows", "row_count", "text", "mend"}
    assert all(set(f) == keys | {"pupil_mm", "region", "size"} for f in data["findings"])
    (patch,) = [f for f in data["findings"] if f["kind"] == "patch"]
    assert len(patch["pupil_mm"]) == 3 and set(patch["region"]) == {"u_px", "v_px"}
    assert patch["size"]["unit"] == "px" and patch["size"]["value"] == pytest.approx(3.0, rel=0.3)


def test_a_hole_is_told_apart_from_points_missing_at_random():
    grid = exact("panel")
    there = np.random.default_rng(0).random(len(grid)) > 0.02
    corner = (grid.pupil_mm == grid.pupil_mm[0]).all(axis=1) & (grid.channel == 0)
    corner &= (np.abs(grid.pixel - 1280.0) < 450.0).all(axis=1)
    result = check_grid(grid.take(there & ~corner))
    hole, lone = result.of("lattice", "warning"), result.of("lattice", "remark")
    assert len(hole) == len(lone) == 1 and not result.of("outlier")
    assert hole[0].size.value == pytest.approx(corner.sum(), abs=3) and hole[0].size.unit == "points"
    assert hole[0].pupil_mm == tuple(grid.pupil_mm[0]) and hole[0].region is not None
    assert lone[0].size.value == pytest.approx(2.0, abs=0.5)


def test_what_the_model_misses_grows_toward_the_corners_of_the_eye_box():
    """As the leverage of a position does: there a deviation must be larger to stand out of what is missed."""
    others, freedom = np.full((2, 4), 50.0), np.full(4, 10.0)
    leverage = np.array([[0.0] * 4, [0.8] * 4])
    found = SimpleNamespace(others=others, freedom=freedom, leverage=leverage, squared=np.full((2, 4), 90.0))
    ratio, _ = _significance(found, (2, 2), 1.0)
    # A mean square of 5 where noise gives 1: 4 are missed, at the corner 4 / 0.2^2.
    np.testing.assert_allclose(ratio[0], 90.0 / 5.0)
    np.testing.assert_allclose(ratio[1], 90.0 / 101.0)
