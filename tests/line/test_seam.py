"""Seam error and focus step of units, held to the report's own figures and to what the unit is."""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.budget import Tracker, seam_budget
from prewarp.errors import ModuleError
from prewarp.eye import assemble_eye
from prewarp.focus.step import focus_step
from prewarp.frames import arcmin_between
from prewarp.grids import read_grid
from prewarp.limits import Limits
from prewarp.line.moved import MovedFields
from prewarp.line.package import fields_of
from prewarp.line.rows import PosePrior
from prewarp.line.run import run_line, units_of
from prewarp.line.seam import FOCUS, SEAM, SeamJudge, eyes_of, seam_moments
from prewarp.line.solve import solved
from prewarp.line.unit import LineSettings, UnitWork
from prewarp.quality.units_table import read_units
from prewarp.trace import departures


@pytest.fixture(scope="module")
def judge(line, optics):
    return SeamJudge.of(line[0], optics[0], Tracker())


def test_figures_of_a_unit_that_is_known_are_those_of_the_report(line, optics, judge):
    """`seam_budget` and `focus_step` of the unit's traced field; here slopes of tolerances alone."""
    family, module = line[0], optics[0]
    exact = 2.0 * np.random.default_rng(4).normal(size=family.count)
    eye = assemble_eye(fields_of(MovedFields(family), exact, {}), module)
    (overlap,) = eye.overlaps()
    found = judge.figures(exact, 1e-12 * np.eye(family.count))
    budget = seam_budget(eye, overlap, samples=100_000)
    assert found[SEAM].value == pytest.approx(budget.tracked.percentile_arcmin(95.0), rel=0.03)
    assert found[SEAM].sigma < 0.02 * found[SEAM].value
    step = focus_step(eye.fields, overlap.channels, overlap.tangent).step_dioptres
    assert found[FOCUS].value == pytest.approx(np.nanmax(np.abs(step)), rel=0.02)
    nominal = judge.figures(np.zeros(family.count), 1e-12 * np.eye(family.count))
    assert abs(nominal[FOCUS].value - found[FOCUS].value) > 0.02 * found[FOCUS].value


def test_a_unit_found_from_two_positions_shows_the_seam_that_is_said(line, optics, judge):
    """What its maps show through optics that are what they were drawn to be, at moments of the eye."""
    family, path, grids = line
    (eye,) = eyes_of(family, optics[0])
    (overlap,) = eye.overlaps()
    direction, true, tracked, _ = seam_moments(eye, overlap, Tracker())
    order = departures(family.design)
    places = [order.index(one) for own in family.channels.values() for one in own.departures]
    work = UnitWork(family, LineSettings())
    for number in (1, 2):
        views, shots = work.views(read_grid(grids / f"U{number}.npz"))
        found = solved(family, views, shots, PosePrior())
        mean = found.mean[: family.count]
        drawn = np.random.default_rng([11, number]).normal(size=len(order))[places]
        said, is_so = (fields_of(MovedFields(family), one, {}) for one in (mean, drawn))
        shown = []
        for name in overlap.channels:
            pixel = said.field(name, "G").inverse(direction, pupil_mm=tracked).pixel
            shown.append(is_so.field(name, "G").forward(pixel, pupil_mm=true))
        seam = float(np.nanpercentile(arcmin_between(*shown), 95.0))
        step = np.nanmax(np.abs(focus_step(is_so, overlap.channels, overlap.tangent).step_dioptres))
        figures = judge.figures(mean, found.covariance[: family.count, : family.count])
        for name, wanted in ((SEAM, seam), (FOCUS, float(step))):
            assert abs(figures[name].value - wanted) < 3.0 * figures[name].sigma
            assert figures[name].sigma < 0.05 * wanted


def test_what_tolerances_alone_say_is_not_known_of_a_unit(line, judge):
    count = line[0].count
    prior = judge.figures(np.zeros(count), np.eye(count))
    assert all("more camera positions" in one.needs and np.isnan(one.value) for one in prior.values())


def test_the_table_holds_the_figures_that_are_known_and_judges_them(line, optics, tmp_path):
    _, path, grids = line
    module = replace(optics[0], limits=Limits(seam_error_p95_arcmin=0.1, focus_step_dioptres=5.0))
    settings = LineSettings(limits=module.limits, display=module)
    run_line(path, units_of([grids / "U1.npz", grids / "U2.npz"]), tmp_path / "line", settings, workers=1)
    for name in ("units.csv", "units.parquet"):
        units = read_units(tmp_path / "line" / name)
        value, sigma = units.figure(SEAM)
        assert np.all(value > 1.0) and np.all((sigma > 0.0) & (sigma < 0.05 * value))
        assert np.all(units.figure(FOCUS)[0] > 0.1)
        assert units.status == ("fail", "fail")
        assert all("seam_error_p95_arcmin" in one and "focus" not in one for one in units.reason)
    work = UnitWork(line[0], replace(settings, limits=Limits(seam_error_p95_arcmin=9.0)))
    assert work.row("U1", grids / "U1.npz").status == "pass"
    work.seam = SeamJudge((), (), 0.0, np.zeros((line[0].count, 2)))
    row = work.row("U1", grids / "U1.npz")
    assert SEAM not in row.numbers and "seam_error_p95_arcmin not known: needs directions" in row.reason
    assert row.status == "fail within uncertainty"
    other = replace(module, colours=(replace(module.colours[0], name="X"),))
    with pytest.raises(ModuleError):
        run_line(path, units_of([grids]), tmp_path / "no", replace(settings, display=other), workers=1)
    assert not (tmp_path / "no").exists()
