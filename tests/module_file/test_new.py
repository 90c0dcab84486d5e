"""New module files: they read back, every key is explained, and a grid is described as it is."""

import itertools
import tomllib
from dataclasses import replace

import numpy as np
import pytest

from prewarp.checking import check_grid
from prewarp.errors import ModuleError
from prewarp.frames import degrees_from_tangent
from prewarp.grids import read_grid
from prewarp.module import DisplayModule, read_module
from prewarp.module_file import (
    KEY_TABLES,
    LAYOUTS,
    key_rows,
    keys_as_markdown,
    module_text,
    start_module,
    suggest_module,
    summarise,
)
from prewarp.resources import resource_path
from tests.synthetic import make_grid, two_channels

EYES = (("left",), ("right",), ("left", "right"))


@pytest.mark.parametrize(
    ("eyes", "channels", "layout", "colours"),
    list(itertools.product(EYES, (1, 2), LAYOUTS, (("R", "G", "B"), ("G",)))),
)
def test_every_new_file_reads_back_as_it_was_meant(tmp_path, eyes, channels, layout, colours):
    new = start_module(eyes=eyes, channels=channels, layout=layout, colours=colours, name='a "wide" visor')
    path = tmp_path / "new.toml"
    path.write_text(module_text(new), encoding="utf-8")
    module = read_module(path)
    assert module == new.module
    assert module.eyes == eyes and len(module.channels) == channels * len(eyes)
    found = summarise(module)
    assert len(found.overlaps) == (channels - 1) * len(eyes)
    assert {tuple(size) for *_, w, h in found.overlaps for size in [(w, h)]} <= {(10.0, 30.0), (40.0, 10.0)}
    # Nothing is missing but what only a bench tells.
    assert [remark[:8] for remark in found.remarks] == ["when lin"]


def test_inner_lies_on_the_side_of_the_nose():
    module = start_module(eyes=("left", "right")).module
    assert module.channel("left_inner").reach.dir_x_deg == (-5.0, 35.0)
    assert module.channel("right_inner").reach.dir_x_deg == (-35.0, 5.0)


def test_every_key_stands_in_a_new_file_with_what_it_takes():
    text = module_text(start_module())
    for table in KEY_TABLES:
        for name, accepted, _, means in key_rows(table):
            assert means, f"{table.heading} {name}"
            lines = [line for line in text.splitlines() if line.lstrip("# ").startswith(f"{name} = ")]
            assert any(accepted in line and means in line for line in lines), name


def test_what_stands_as_a_comment_is_read_when_it_is_taken_in(tmp_path):
    text = module_text(start_module())
    lines = [
        line.removeprefix("# ") if line.startswith("# ") and ("=" in line or line.startswith("# [")) else line
        for line in text.splitlines()
    ]
    measured = iter(("[0.64, 0.33]", "[0.3, 0.6]", "[0.15, 0.06]"))
    lines = [line.replace("[x, y]", next(measured)) if "[x, y]" in line else line for line in lines]
    # Each goes with another encoding.
    lines = [line for line in lines if not line.startswith(("gamma", "table"))]
    # What nobody can give an example of is left open, and is no TOML until it is filled in.
    lines = [line for line in lines if " = ..." not in line]
    path = tmp_path / "all.toml"
    path.write_text("\n".join(lines), encoding="utf-8")
    inner = read_module(path).channel("inner")
    assert inner.panel.scan is not None and inner.chromaticity is not None
    assert len(tomllib.loads("\n".join(lines))["channel"]["inner"]["panel"]) == 7


def test_the_readme_holds_the_table_of_keys():
    readme = (resource_path("calib", "coaxial.module.toml").parent.parent / "README.md").read_text("utf-8")
    assert keys_as_markdown() in readme


@pytest.mark.parametrize("name", ["coaxial", "folded"])
def test_a_grid_is_described_as_it_is(tmp_path, name):
    grid = read_grid(resource_path("calib", f"{name}.grid.npz"))
    written = read_module(resource_path("calib", f"{name}.module.toml"))
    new = (
        suggest_module(grid, panel_px=written.channels[0].panel.size_px)
        if name == "coaxial"
        else (suggest_module(grid))
    )
    path = tmp_path / "new.toml"
    path.write_text(module_text(new), encoding="utf-8")
    module = read_module(path)
    assert module == new.module and module.channel_names == grid.channel_names
    assert module.colours == written.colours and module.eyes == ("right",)
    assert module.eye_box == written.eye_box
    # Content holds every direction of the grid, whichever pupil saw it.
    content = module.content.pixel_from_tangent(grid.tangent)
    assert np.all((content > 0.0) & (content < np.array(module.content.size_px)))
    for channel in module.channels:
        # What is suggested lies within what was seen from the centre, and holds what the file promises.
        seen = grid.select(channel=channel.name)
        seen = degrees_from_tangent(seen.tangent[np.all(np.abs(seen.pupil_mm) < 1e-9, axis=1)])
        declared = written.channel(channel.name).reach
        for axis, ends in enumerate((channel.reach.dir_x_deg, channel.reach.dir_y_deg)):
            low, high = (declared.dir_x_deg, declared.dir_y_deg)[axis]
            assert seen[:, axis].min() - 0.05 <= ends[0] <= low + 1.0
            assert high - 1.0 <= ends[1] <= seen[:, axis].max() + 0.05
        assert channel.panel.mirrored == written.channel(channel.name).panel.mirrored


def test_a_suggested_file_passes_the_check_of_its_grid(tmp_path):
    grid = make_grid("panel", noise_px=0.02, seed=3, points=11, channels=two_channels())
    module = suggest_module(grid).module
    assert check_grid(grid, module=module).passed
    turned = replace(grid, pixel=grid.pixel * [-1.0, 1.0] + [2560.0, 0.0])
    found = suggest_module(turned).module
    assert [one.panel.mirrored for one in found.channels] == [True, True]
    assert not any(one.panel.mirrored for one in module.channels)


def test_a_mean_fineness_is_that_of_the_closed_form():
    """An image without distortion: panel px per unit tangent are its focal length."""
    grid = make_grid("panel", points=11, channels=two_channels(size_px=(640, 480), focal_px=720.0))
    content = suggest_module(grid).module.content
    assert content.focal_px == pytest.approx(720.0, rel=0.1)


def test_a_wrong_point_does_not_size_the_display():
    grid = make_grid("panel", points=11, channels=two_channels())
    tangent = grid.tangent.copy()
    tangent[7], tangent[-7] = (-9.0, 0.0), (0.0, 9.0)
    good = suggest_module(grid).module
    found = suggest_module(replace(grid, tangent=tangent, direction_deg=None)).module
    for one, other in zip(found.channels, good.channels, strict=True):
        np.testing.assert_allclose(one.reach.dir_x_deg, other.reach.dir_x_deg, atol=1.0)
        np.testing.assert_allclose(one.reach.dir_y_deg, other.reach.dir_y_deg, atol=1.0)
    assert found.content.field_x_deg <= 1.25 * good.content.field_x_deg + 2.0


def renamed(grid, *names):
    return replace(grid, channel_names=names)


def test_eyes_by_name_or_as_told():
    grid = make_grid("panel", points=7, channels=two_channels())
    both = suggest_module(renamed(grid, "left_main", "right_main")).module
    assert both.eyes == ("left", "right") and both.channel("left_main").eye == "left"
    assert suggest_module(renamed(grid, "left_main", "right_main"), eyes=("left",)).module.eyes == ("left",)
    assert suggest_module(grid).module.eyes == ("right",)
    with pytest.raises(ModuleError, match="channel 'inner' does not tell its eye; .*'left_inner'"):
        suggest_module(grid, eyes=("left", "right"))


def test_bad_grids_are_refused_with_a_mend():
    grid = make_grid("panel", points=7, channels=two_channels())
    with pytest.raises(ModuleError, match=r"off a panel of 640 x 480; .*Correct --panel"):
        suggest_module(grid, panel_px=(640, 480))
    few = grid.take(np.flatnonzero(grid.channel == 0)[:2])
    with pytest.raises(ModuleError, match="has 2 samples at the pupil position nearest"):
        suggest_module(few)
    with pytest.raises(ModuleError, match="cannot be described: name is 'in ner'"):
        suggest_module(renamed(grid, "in ner", "outer"))
    with pytest.raises(ModuleError, match="channels is 3; expected 1 or 2"):
        start_module(channels=3)
    with pytest.raises(ModuleError, match="layout is 'round'; expected one of"):
        start_module(layout="round")


def test_remarks_say_what_does_not_go_together():
    module: DisplayModule = start_module().module
    inner, outer = module.channels
    apart = replace(outer, reach=replace(outer.reach, dir_x_deg=(8.0, 48.0)))
    remarks = summarise(replace(module, channels=(inner, apart))).remarks
    assert any("no two channels overlap" in remark for remark in remarks)
    assert any("does not cover the whole reach of outer" in remark for remark in remarks)
