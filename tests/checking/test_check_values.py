"""Single values, the module description, and the result as text and data."""

import json
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from prewarp.checking import check_grid
from prewarp.grids import grid_from_samples
from tests.synthetic import make_grid, pupil_lattice


@pytest.fixture(scope="module")
def clean():
    return make_grid(points=7, pupils=pupil_lattice(3))


def with_pixel(grid, rows, value):
    pixel = grid.pixel.copy()
    pixel[rows] = value
    return replace(grid, pixel=pixel)


def test_nan_and_infinities_are_named_by_column_and_row(clean):
    (found,) = check_grid(with_pixel(clean, [4, 9], (np.nan, 5.0))).of("nan")
    assert found.rows == (5, 10) and "panel_u_px" in found.text
    assert {f.text.split()[0] for f in check_grid(with_pixel(clean, 3, np.inf)).of("nan")} == {
        "panel_u_px",
        "panel_v_px",
    }


def test_out_of_range_values(clean):
    (found,) = check_grid(with_pixel(clean, 7, (3000.0, 100.0)), panel_size_px=(2560, 2560)).of("range")
    assert found.rows == (8,) and "off the panel of 2560 x 2560 px" in found.text
    pupil = clean.pupil_mm.copy()
    pupil[3, 2] = 40.0
    assert check_grid(replace(clean, pupil_mm=pupil)).of("range", "error")[0].rows == (4,)
    direction = clean.direction_deg.copy()
    direction[11, 0] = 120.0
    tangent = clean.tangent.copy()
    tangent[11, 0] = np.nan
    found = check_grid(replace(clean, direction_deg=direction, tangent=tangent)).of("range", "error")[0]
    assert found.rows == (12,) and "120 degrees" in found.text
    sigma = np.full(len(clean), 0.1)
    sigma[5] = 0.0
    assert check_grid(replace(clean, sigma_px=sigma)).of("range", "error")[0].rows == (6,)


def test_swapped_columns_on_an_oblong_panel(clean):
    swapped = replace(clean, pixel=clean.pixel * [0.4, 1.0])
    assert check_grid(swapped, panel_size_px=(1024, 2560)).passed
    turned = replace(swapped, pixel=swapped.pixel[:, ::-1])
    found = check_grid(turned, panel_size_px=(1024, 2560)).of("axis", "error")
    assert [one.channel for one in found] == ["inner", "outer"]
    assert all("swap panel_u_px and panel_v_px" in one.mend for one in found)


def test_misspelt_optional_column(clean):
    found = check_grid(replace(clean, extra={"luminence": np.ones(len(clean))})).of("column", "remark")
    assert "'luminance'" in found[0].mend


def description(inner=(-39, 9), outer=(-9, 39), names=("inner", "outer")):
    panel = SimpleNamespace(size_px=(2560, 2560), mirrored=False)
    channels = [
        SimpleNamespace(name=n, panel=panel, reach=SimpleNamespace(dir_x_deg=x, dir_y_deg=(-24, 24)))
        for n, x in zip(names, (inner, outer), strict=True)
    ]
    return SimpleNamespace(channels=channels, colours=[SimpleNamespace(name=c) for c in "RGB"])


def test_nominal_reach_tells_swapped_channels(clean):
    assert check_grid(clean, module=description()).passed
    found = check_grid(replace(clean, channel_names=("outer", "inner")), module=description()).of(
        "channel", "error"
    )
    assert {(f.channel, f.mend.split("'")[1]) for f in found} == {("outer", "inner"), ("inner", "outer")}
    found = check_grid(clean, module=description(names=("innner", "outer"))).of("channel", "error")
    assert "no channel of this name" in found[0].text


def test_unusable_grids_give_findings_not_exceptions():
    random = np.random.default_rng(0)
    for count in (1, 11, 12, 40):
        for pixel in (np.ones((count, 2)), random.uniform(0, 100, (count, 2)), np.full((count, 2), np.nan)):
            grid = grid_from_samples(
                channel="a",
                colour="G",
                pupil_mm=(0, 0, 0),
                tangent=random.normal(size=(count, 2)),
                pixel=pixel,
            )
            result = check_grid(grid, panel_size_px=(100, 100), pupil_degree=2)
            assert not result.passed
            json.dumps(result.as_dict(), allow_nan=False)


def test_result_as_text_and_data(clean):
    result = check_grid(with_pixel(clean, np.arange(8), (np.nan, 1.0)))
    data = json.loads(json.dumps(result.as_dict(), allow_nan=False))
    assert data["samples"] == len(clean) and data["passed"] is True and data["warnings"] >= 1
    assert data["findings"][0]["rows"] == list(range(1, 9)) and data["findings"][0]["row_count"] == 8
    lines = result.lines()
    assert lines[0].startswith(f"synthetic panel: {len(clean)} samples; 0 errors")
    assert any("rows 1, 2, 3, 4, 5 and 3 more: panel_u_px is not a finite number" in line for line in lines)
    assert "noise_px" in data["figures"]
