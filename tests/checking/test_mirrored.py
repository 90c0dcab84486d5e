"""Mirror images: declared, proven by the pupil, not known; no mend mirrors a picture that is right."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from prewarp.checking import check_grid, quick_check
from prewarp.errors import ModuleError
from prewarp.module import read_module
from tests.synthetic import make_grid, pupil_lattice, two_channels

SIZE = (2560, 2560)


def pair(**outer):
    channels = two_channels()
    return channels | {"outer": replace(channels["outer"], **outer)}


def one_mirrored(**grid):
    return make_grid(points=9, channels=pair(u_backwards=True), colours=("G",), **grid)


def module(inner=False, outer=True, colours="G"):
    def channel(name, mirrored, x):
        reach = SimpleNamespace(dir_x_deg=x, dir_y_deg=(-24, 24))
        return SimpleNamespace(name=name, panel=SimpleNamespace(size_px=SIZE, mirrored=mirrored), reach=reach)

    channels = (channel("inner", inner, (-39, 9)), channel("outer", outer, (-9, 39)))
    return SimpleNamespace(channels=channels, colours=[SimpleNamespace(name=c) for c in colours])


def told(result, *severities):
    return [f for f in result.findings if f.severity in severities]


def test_declared_is_accepted_without_a_word():
    grid = one_mirrored(pupils=pupil_lattice(3))
    for result in (check_grid(grid, module=module()), quick_check(grid, module=module())):
        assert not result.of("axis") and result.passed


@pytest.mark.parametrize("declared", [(False, False), (True, True), (True, False)])
def test_another_declaration_is_an_error(declared):
    grid = one_mirrored(pupils=pupil_lattice(3))
    found = check_grid(grid, module=module(*declared)).of("axis", "error")
    truth = {"inner": False, "outer": True}
    wrong = [name for name, said in zip(truth, declared, strict=True) if said != truth[name]]
    assert [f.channel for f in found] == wrong
    assert all("mirrored" in f.mend and "Negate" not in f.mend for f in found)


def test_with_no_module_the_pupil_proves_it():
    grid = one_mirrored(pupils=pupil_lattice(3))
    for result in (check_grid(grid), quick_check(grid)):
        (found,) = result.of("axis")
        assert (found.severity, found.channel) == ("remark", "outer") and result.passed
        assert "0.67 and 0.67 dioptres" in found.text


@pytest.mark.parametrize("case", [{"pupils": pupil_lattice(1)}, {"distance_m": 1e4}])
def test_what_nothing_proves_is_not_known(case):
    far = {
        name: replace(one, distance_m=case.get("distance_m", 1.5))
        for name, one in pair(u_backwards=True).items()
    }
    grid = make_grid(points=9, channels=far, colours=("G",), pupils=case.get("pupils", pupil_lattice(3)))
    (found,) = check_grid(grid).of("axis")
    assert found.severity == "warning" and "not known: needs pupil" in found.text
    assert "Negate" not in found.mend and "width - u" not in found.mend


@pytest.mark.parametrize(
    ("negate", "mirrored", "declared", "mend"),
    [
        ("eye", False, None, "Negate eye_x_mm."),
        ("eye", True, True, "Negate eye_x_mm."),
        ("direction", False, False, "Negate dir_x_deg."),
        ("direction", True, True, "Negate dir_x_deg."),
        (
            "eye",
            True,
            None,
            "Negate eye_x_mm if optics or mounting mirror the picture, dir_x_deg if they do not.",
        ),
    ],
)
def test_the_sign_that_is_mended_leaves_the_picture_as_it_is(negate, mirrored, declared, mend):
    channels = {"a": replace(two_channels()["outer"], yaw_deg=0.0, u_backwards=mirrored)}
    grid = make_grid(points=9, channels=channels, colours=("G",), pupils=pupil_lattice(3))
    flip = np.array([-1.0, 1.0])
    if negate == "eye":
        grid = replace(grid, pupil_mm=grid.pupil_mm * [-1.0, 1.0, 1.0])
    else:
        grid = replace(grid, tangent=grid.tangent * flip, direction_deg=None)
    described = None
    if declared is not None:
        reach = SimpleNamespace(dir_x_deg=(-24, 24), dir_y_deg=(-24, 24))
        panel = SimpleNamespace(size_px=SIZE, mirrored=declared)
        described = SimpleNamespace(
            channels=(SimpleNamespace(name="a", panel=panel, reach=reach),),
            colours=(SimpleNamespace(name="G"),),
        )
    mends = [f.mend for f in check_grid(grid, module=described).of("axis") if "dioptres (x and y)" in f.text]
    assert mends == [mend]


def test_the_key_is_read_and_checked(tmp_path):
    from pathlib import Path

    text = (Path(__file__).parents[2] / "calib/coaxial.module.toml").read_text(encoding="utf-8")
    path = tmp_path / "visor.toml"
    assert [c.panel.mirrored for c in read_module("calib/coaxial.module.toml").channels] == [False, False]
    path.write_text(
        text.replace("[channel.inner.panel]\n", "[channel.inner.panel]\nmirrored = true\n"), "utf-8"
    )
    assert [c.panel.mirrored for c in read_module(path).channels] == [True, False]
    path.write_text(
        text.replace("[channel.inner.panel]\n", '[channel.inner.panel]\nmirrored = "yes"\n'), "utf-8"
    )
    with pytest.raises(ModuleError, match=r"channel.inner.panel.mirrored"):
        read_module(path)
