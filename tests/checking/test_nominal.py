"""The nominal reach: on the other side, hardly captured, as described."""

from types import SimpleNamespace

import pytest

from prewarp.checking import check_grid, quick_check
from tests.synthetic import make_grid, pupil_lattice


@pytest.fixture(scope="module")
def outer():
    return make_grid(points=7, pupils=pupil_lattice(3), colours=("G",)).select(channel="outer")


def described(x, y=(-24.0, 24.0)):
    panel = SimpleNamespace(size_px=(2560, 2560), mirrored=False)
    channel = SimpleNamespace(name="outer", panel=panel, reach=SimpleNamespace(dir_x_deg=x, dir_y_deg=y))
    return SimpleNamespace(channels=(channel,), colours=(SimpleNamespace(name="G"),))


@pytest.mark.parametrize("x", [(-9.0, 39.0), (-5.0, 25.0)])
def test_the_reach_that_is_captured_passes(outer, x):
    assert not check_grid(outer, module=described(x)).of("reach")


@pytest.mark.parametrize("check", [check_grid, quick_check])
def test_the_other_side_is_an_error(outer, check):
    (found,) = check(outer, module=described((-39.0, 3.0))).of("reach")
    assert (found.severity, found.channel) == ("error", "outer")
    assert "taken left for right" in found.text and "Correct the nominal reach" in found.mend
    assert "Negate" not in found.mend and found.size.unit == "percent"


def test_up_for_down_is_an_error(outer):
    upper = outer.take(outer.tangent[:, 1] > 0.0)
    (found,) = check_grid(upper, module=described((-9.0, 39.0), (-24.0, 0.0))).of("reach")
    assert found.severity == "error" and "taken up for down" in found.text


def test_a_part_that_is_hardly_captured_is_a_warning(outer):
    (found,) = check_grid(outer, module=described((-80.0, 80.0), (-50.0, 50.0))).of("reach")
    assert found.severity == "warning" and "Capture the rest" in found.mend
