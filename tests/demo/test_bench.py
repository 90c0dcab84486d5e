"""The bench, small: what is taken and extracted, what is fitted and judged, which words are told.

`tests.long.capture_end_to_end` runs it whole.
"""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.capture.targets import planned_targets, write_targets
from prewarp.demo.bench import BenchSettings, captured, taking_of
from prewarp.demo.bench_judged import spread_arcmin
from prewarp.demo.bench_pairs import pairs_of_capture
from prewarp.demo.bench_pictures import without_common
from prewarp.demo.bench_table import bench_lines
from prewarp.demo.unit import built_unit
from prewarp.frames import arcmin_between
from prewarp.module import read_module
from prewarp.poses.gauge import similarity_vectors
from prewarp.resources import resource_path
from prewarp.trace import read_design, trace_channel
from tests.poses.captures import Errors, capture


@pytest.fixture(scope="module")
def display():
    """A unit of the coaxial module with panels of 640 x 512 coarse pixels: pictures are drawn faster."""
    module = read_module(resource_path("calib", "coaxial.module.toml"))
    coarse = [
        replace(one, panel=replace(one.panel, width_px=640, height_px=512, pitch_um=48.0))
        for one in module.channels
    ]
    return replace(module, channels=tuple(coarse)), built_unit(
        read_design(resource_path("calib", "coaxial.design.toml")), 5
    )


@pytest.fixture(scope="module")
def grid(display, tmp_path_factory):
    """What comes of two positions on an exact stage, 7 x 7 dots and a fifth of a megapixel."""
    module, unit = display
    usual = BenchSettings()
    camera = replace(
        usual.camera, width_px=640, height_px=320, focal_px=(400.0, 400.0), centre_px=(321.0, 159.0)
    )
    faults = replace(usual.faults, hot_pixels=3, stage_mm=0.0, turn_arcmin=0.0)
    settings = BenchSettings(positions=2, colours_at=1, dots=(7, 7), camera=camera, faults=faults)
    folder = tmp_path_factory.mktemp("bench")
    write_targets(planned_targets(module, settings.capture, dots=settings.dots), folder / "targets")
    steps = []
    taking = taking_of(folder, settings, module, unit)
    found, told = captured(taking, folder, 1, steps.append)
    assert len(steps) == len(taking.plan) + len(taking.plan.poses)
    assert told["dots_shown"] == 49 * 2 * 4 and told["rows"] == len(found) > 0.9 * told["dots_shown"]
    assert told["refused_views"] == 0
    return found


def test_dots_are_where_the_trace_says(grid, display):
    """A camera pixel is 8.6 arcmin; an aperture of 3 mm that two positions cannot take out shifts by 0.5."""
    module, unit = display
    for channel, colour in grid.pairs():
        part = grid.select(channel=channel, colour=colour)
        traced = trace_channel(
            unit.channel(channel),
            module.channel(channel).panel,
            part.tangent,
            pupil_mm=part.pupil_mm,
            wavelength_nm=module.colour(colour).wavelength_nm,
        )
        # Four arcmin are about a px of these panels.
        assert np.median(np.linalg.norm(traced.pixel - part.pixel, axis=1)) < 0.15


def test_pairs_join_dots_that_one_position_sees_side_by_side():
    labels = np.array([[-2.0, 1.0, 2.0], [3.0, 0.0, -2.0]])
    nothing = Errors(np.zeros((2, 3)), np.zeros((2, 3)))
    grid = capture(nothing, labels, np.random.default_rng(0), dots=17, noise_px=0.0)
    pairs = pairs_of_capture(grid, ("inner", "outer"), "G")
    assert len(pairs) > 20
    a, b = (pairs.row - 1, np.zeros(len(pairs), dtype=int))
    for k, row in enumerate(a):
        same = np.all(grid.pixel == pairs.pixel_b[k], axis=1) & np.all(
            grid.pupil_mm == pairs.pupil_mm[k], axis=1
        )
        (b[k],) = np.flatnonzero(same)
        assert np.array_equal(grid.pixel[row], pairs.pixel_a[k])
    apart = arcmin_between(grid.tangent[a], grid.tangent[b])
    np.testing.assert_allclose(np.hypot(*pairs.step_arcmin.T), apart, rtol=1e-6, atol=1e-9)
    assert apart.max() <= 60.0
    channel = np.array(grid.channel_names)
    assert set(channel[grid.channel[a]]) == {"inner"} and set(channel[grid.channel[b]]) == {"outer"}


def test_a_unit_is_off_its_design_and_the_same_each_time(display):
    _, unit = display
    design = read_design(resource_path("calib", "coaxial.design.toml"))
    again = built_unit(design, 5)
    assert again == unit and built_unit(design, 6) != unit
    moved = [
        np.subtract(one.decentre_mm, own.decentre_mm)
        for channel, exact in zip(unit.channels, design.channels, strict=True)
        for one, own in zip(channel.surfaces, exact.surfaces, strict=True)
    ]
    assert 0.01 < np.std(moved) < 0.2


def test_common_motions_are_taken_out_of_offsets():
    random = np.random.default_rng(1)
    place = random.normal(size=(12, 3))
    common = random.normal(size=7) @ similarity_vectors(place).reshape(7, 12, 6)[:, :, :3].reshape(7, -1)
    np.testing.assert_allclose(without_common(common.reshape(12, 3), place), 0.0, atol=1e-12)
    own = random.normal(size=(12, 3))
    left = without_common(own, place)
    np.testing.assert_allclose(without_common(own + common.reshape(12, 3), place), left, atol=1e-12)
    assert np.linalg.norm(left) > 0.5 * np.linalg.norm(own)


def test_spread_of_errors_leaves_out_what_is_lost():
    said = spread_arcmin(np.array([3.0, np.nan, 4.0]))
    assert said["count"] == 2 and said["rms_arcmin"] == pytest.approx(np.sqrt(12.5))
    assert spread_arcmin(np.array([np.nan])) == {
        "count": 0,
        **dict.fromkeys(("median_arcmin", "rms_arcmin", "p95_arcmin", "max_arcmin")),
    }


def test_lines_hold_every_figure_and_say_dash_for_what_is_not_known():
    spread = {"count": 3, "median_arcmin": 0.1, "rms_arcmin": 0.11, "p95_arcmin": 0.2, "max_arcmin": 0.3}
    light = {"step_percent": 1.5, "ripple_percent": 2.5}
    lines = bench_lines(
        {
            "capture": {"positions": 8, "photographs": 300, "stage_mm": 0.1, "turn_arcmin": 1.0},
            "extract": {"dots_shown": 100, "rows": 99, "sigma_px_median": 0.01, "ghost": None},
            "poses": {"found_mm": 0.11, "found_arcmin": 0.9},
            "fit": {"noise_px": 0.02, "floor_px": 0.004},
            "judged": {"map": spread, "map_raw": spread, "seam_of_package": spread},
            "light": {"before": light, "after": light},
            "register": {
                "pairs": 70,
                "mismatch_before_rms_arcmin": 0.03,
                "mismatch_after_rms_arcmin": 0.02,
            },
            "package": {"bytes": 1000, "checks": 40},
        }
    )
    text = "\n".join(" ".join(line) for _, section in lines for line in section)
    for one in (
        "8 / 300",
        "100 / 99",
        "0.100 / 0.200 / 0.300",
        "1.50 / 2.50",
        "1000 / 40",
        "70 / 0.0300 / 0.0200",
    ):
        assert one in text
    assert "ghost found, median of dots, % -" in text


def test_fewer_than_25_positions_need_a_known_map():
    assert BenchSettings().needs_base and BenchSettings(positions=24).needs_base
    assert not BenchSettings(positions=25).needs_base
