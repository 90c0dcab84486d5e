"""Parts of the demo: the capture, the traced judge, the sheets."""

import dataclasses

import numpy as np
import pytest

from prewarp.demo.capture import MISSING_SHARE, NOISE_PX, OUTLIER_PX, OUTLIER_SHARE, Capture, capture_of
from prewarp.demo.figures import fit_figures
from prewarp.demo.sheet import Row, contact_sheet, with_scale
from prewarp.demo.table import table_lines
from prewarp.demo.truth import TracedOptics
from prewarp.demo.views import OVERVIEW_SHRINK, CloseUp, _shrunk_map
from prewarp.field import fit_grid
from prewarp.frames import ARCMIN_PER_RADIAN, arcmin_between
from prewarp.grids import read_grid
from prewarp.lattice import spline_through
from prewarp.module import read_module
from prewarp.resources import resource_path
from prewarp.trace import read_design


@pytest.fixture(scope="module")
def traced():
    return read_grid(resource_path("calib", "coaxial.grid.npz"))


def test_the_capture_is_what_it_says(traced):
    capture = capture_of(traced)
    assert len(capture.grid) == pytest.approx((1.0 - MISSING_SHARE) * len(traced), rel=2e-3)
    spoilt = np.isin(capture.grid.row, capture.outlier_rows)
    assert spoilt.mean() == pytest.approx(OUTLIER_SHARE, rel=0.2)
    off = capture.grid.pixel - capture.truth.pixel
    assert off[~spoilt].std() == pytest.approx(NOISE_PX, rel=0.01)
    assert np.abs(off[~spoilt].mean(axis=0)).max() < 5e-4
    length = np.linalg.norm(off[spoilt], axis=1)
    assert OUTLIER_PX[0] - 6 * NOISE_PX < length.min() and length.max() < OUTLIER_PX[1] + 6 * NOISE_PX
    np.testing.assert_array_equal(capture.grid.tangent, capture.truth.tangent)
    np.testing.assert_array_equal(capture_of(traced).grid.pixel, capture.grid.pixel)
    assert not np.array_equal(capture_of(traced, seed=1).grid.pixel, capture.grid.pixel)


def test_false_positives_are_good_points_that_the_fit_dropped(traced):
    """Of 3 spoilt and 7 good rows the fit named two of the former and two of the latter."""
    some = traced.select(channel="inner", colour="G")
    some = some.take(np.flatnonzero(np.all(np.abs(some.pixel - [1280.0, 1024.0]) < 300.0, axis=1)))
    fields = fit_grid(some, panel_size_px=(2560, 2048), family="polynomial")
    few = some.take(np.arange(10))
    (report,) = fields.reports
    named = dataclasses.replace(report, outlier_rows=tuple(few.row[[0, 1, 8, 9]].tolist()))
    figures = fit_figures(
        dataclasses.replace(fields, reports=(named,)), Capture(few, few, few.row[[0, 1, 2]])
    )
    assert (figures["outliers_put_in"], figures["outliers_named"], figures["false_positives"]) == (3, 2, 2)


def test_the_judge_finds_errors_of_the_fit_by_the_trace_alone(traced):
    """A fit bent on purpose by a known angle is found to be off by that angle."""
    module = read_module(resource_path("calib", "coaxial.module.toml"))
    optics = TracedOptics(read_design(resource_path("calib", "coaxial.design.toml")), module)
    # A quarter of the panel about its middle is enough, and quick to fit.
    near = traced.select(channel="inner", colour="G")
    near = near.take(np.flatnonzero(np.all(np.abs(near.pixel - [1280.0, 1024.0]) < 500.0, axis=1)))
    field = fit_grid(near, panel_size_px=(2560, 2048)).field("inner", "G")
    content = field.forward(np.random.default_rng(2).uniform(900.0, 1150.0, (50, 2)), pupil_mm=np.zeros(3))
    pupil = np.array([1.5, -1.0, 0.0])
    shown = optics.shown(field, content, pupil_mm=pupil, tracked_pupil_mm=pupil)
    assert arcmin_between(content, shown).max() < 0.1

    class Bent:
        """The same field, whose inverse is 10 px off to the right."""

        channel, colour, panel_size_px = field.channel, field.colour, field.panel_size_px
        forward, jacobian = field.forward, field.jacobian

        @staticmethod
        def inverse(tangent, /, *, pupil_mm):
            found = field.inverse(tangent, pupil_mm=pupil_mm)
            return type(found)(found.pixel + np.array([10.0, 0.0]), found.valid, found.iterations)

    class Blind(Bent):
        """The same field; its forward map, where the judge begins, is 3 arcmin off."""

        inverse = field.inverse

        @staticmethod
        def forward(pixel, /, *, pupil_mm):
            return field.forward(pixel, pupil_mm=pupil_mm) + 3.0 / ARCMIN_PER_RADIAN

    blind = optics.shown(Blind(), content, pupil_mm=pupil, tracked_pupil_mm=pupil)
    assert arcmin_between(shown, blind).max() < 0.01
    bent = optics.shown(Bent(), content, pupil_mm=pupil, tracked_pupil_mm=pupil)
    slope = field.jacobian(field.inverse(content, pupil_mm=pupil).pixel, pupil_mm=pupil)
    expected = arcmin_between(content, content + 10.0 * slope[:, :, 0])
    np.testing.assert_allclose(arcmin_between(shown, bent), expected, rtol=0.02)
    assert expected.min() > 5.0
    error = optics.seam_error_arcmin(
        {"a": field, "b": Bent()}, content, pupil_mm=pupil, tracked_pupil_mm=pupil
    )
    np.testing.assert_array_equal(error, arcmin_between(shown, bent))


def test_a_close_up_is_a_part_of_a_flat_picture():
    window = CloseUp(np.array([0.1, 0.2]), (100, 60), 1000.0)
    # The first pixel's corner is to the left of and above the centre.
    np.testing.assert_allclose(window.tangent_from_pixel(np.array([0.0, 0.0])), [0.05, 0.23])
    points = np.random.default_rng(0).uniform(0, 60, (20, 2))
    np.testing.assert_allclose(
        window.pixel_from_tangent(window.tangent_from_pixel(points)), points, atol=1e-9
    )


@pytest.mark.parametrize(("centre", "length"), [((0.0, 0.0), 80), ((0.0, 0.75), 100), ((0.75, 0.0), 125)])
def test_the_scale_bar_is_as_long_as_it_says(centre, length):
    """At a tangent of 0.75 a step to the side takes 1.25 times as many px above, 1.25 squared to the side."""
    window = CloseUp(np.array(centre), (200, 100), 4.0 * ARCMIN_PER_RADIAN)
    marked = with_scale(np.zeros((100, 200, 3), dtype=np.uint8), window, arcmin=20.0)
    blue = np.flatnonzero(np.all(marked[86] == (86, 180, 233), axis=-1))
    assert blue.max() - blue.min() == pytest.approx(length, abs=3)


def test_a_sheet_keeps_every_pixel():
    picture = np.random.default_rng(0).integers(0, 256, (40, 30, 3), dtype=np.uint8)
    sheet = contact_sheet("T", ["n"], ["A", "B"], [Row("1", ((picture, picture), (picture, picture)))])
    found = 0
    for x in range(sheet.shape[1] - 30):
        column = np.flatnonzero(np.all(sheet[:, x] == picture[0, 0], axis=-1))
        found += sum(np.array_equal(sheet[y : y + 40, x : x + 30], picture) for y in column)
    assert found == 4


def test_the_table_puts_modules_side_by_side():
    def module(value, needed):
        sizes = {"rms": value, "p95": 2.0 * value, "max": 5.0 * value}
        spread = {f"{name}_{unit}": size for name, size in sizes.items() for unit in ("px", "arcmin")}
        view = {"horizontal_deg": 40.0, "vertical_deg": 30.0, "diagonal_deg": 50.0}
        fit = {"residual": spread, "truth": spread, "floor_px": value}
        fit |= {"outliers_put_in": 5, "outliers_named": 4, "false_positives": 0}
        return {
            "fit": fit,
            "seam_error": {name: spread for name in ("centred", "moved_untracked", "moved_tracked")},
            "reach": {
                "field_of_view": {"inner": view, "outer": view, "joined": view},
                "overlap_at_eye_level_deg": 12.0,
                "px_per_degree": {"inner": 57.0, "outer": 56.0},
            },
            "light": {
                "before": {"step_percent": 20.0, "ripple_percent": 5.0},
                "after": {"step_percent": 0.02, "ripple_percent": 0.1},
                "kept_percent": 80.0,
            },
            "focus": {"focus_step_rms_dioptres": value, "focus_step_max_dioptres": None},
            "tracker": {
                "verdict": "no tracker needed" if needed is None else "better tracker needed",
                "needed": needed,
                "longest_latency_ms": 14.0,
                "fixed": {"at_limit_percentile_arcmin": value},
            },
        }

    need = {"latency_ms": 7.0, "accuracy_mm": 0.162}
    lines = [
        line
        for _, section in table_lines({"one": module(0.0123, None), "two": module(3.0, need)})
        for line in section
    ]
    assert all(len(line) == 3 for line in lines)
    texts = {line[0]: line[1:] for line in lines}
    for text in (
        "captured samples against the fit, px",
        "fit against the noise-free trace, arcmin",
        "pupil centred",
    ):
        assert texts[text] == ("0.0123 / 0.0246 / 0.0615", "3.00 / 6.00 / 15.0")
    assert texts["step / ripple before the match"][0] == "20.0 / 5.00"
    assert texts["joined"][0] == "40.0 x 30.0, diagonal 50.0"
    assert texts["outliers put in / of these named / false positives"][0] == "5 / 4 / 0"
    assert texts["focus step across the overlap, dioptres (RMS / max)"][0] == "0.0123 / -"
    assert texts["step / ripple after the match"][0] == "0.0200 / 0.100"
    assert texts["to stay under 1 arcmin it needs"] == (
        "no tracker needed",
        "0.162 mm at 7 ms, 14 ms at the latest",
    )


def test_a_smaller_panel_keeps_how_much_of_it_is_lit():
    """Of a colour with dark parts a view map has a third component, beside u and v: a factor on light."""
    nodes = np.random.default_rng(1).random((6, 7, 3))
    spline = spline_through(nodes, origin=np.zeros(2), step=np.ones(2))
    (smaller,) = _shrunk_map([spline])
    np.testing.assert_allclose(smaller.coefficients[..., :2] * OVERVIEW_SHRINK, spline.coefficients[..., :2])
    np.testing.assert_array_equal(smaller.coefficients[..., 2], spline.coefficients[..., 2])
