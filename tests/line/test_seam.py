"""Seam error and focus step of units, held to the report's own figures and to what the unit is."""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.budget import Tracker, seam_budget
from prewarp.errors import ModuleError
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


def seam_shown(said, is_so, overlap, moments):
    """Return the 95th percentile, arcmin, of what maps that say one thing show through what is so."""
    direction, true, tracked, _ = moments
    shown = []
    for name in overlap.channels:
        pixel = said.field(name, "G").inverse(direction, pupil_mm=tracked).pixel
        shown.append(is_so.field(name, "G").forward(pixel, pupil_mm=true))
    return float(np.nanpercentile(arcmin_between(*shown), 95.0))


def test_figures_of_a_unit_that_is_known_are_those_of_the_report(line, optics, judge):
    """`seam_budget` of the nominal unit within what their moments leave; of one at two sigma what its traced
    field shows, and its `focus_step`: here there are slopes of tolerances alone.
    """
    family, module = line[0], optics[0]
    known, nothing = 1e-12 * np.eye(family.count), np.zeros(family.count)
    (eye,) = eyes_of(family, module)
    (overlap,) = eye.overlaps()
    nominal = judge.figures(nothing, known)
    budget = seam_budget(eye, overlap, samples=100_000).tracked
    low, high = budget.interval_arcmin(95.0)
    off = nominal[SEAM].value - budget.percentile_arcmin(95.0)
    assert nominal[SEAM].sigma < 0.02 * nominal[SEAM].value
    # Of a unit that is known what so few moments leave, and nothing else.
    assert nominal[SEAM].sigma == pytest.approx(judge.simulated * nominal[SEAM].value, rel=1e-3)
    assert judge.simulated > 1e-3
    assert abs(off) < 2.5 * np.hypot(nominal[SEAM].sigma, 0.25 * (high - low))
    exact = 2.0 * np.random.default_rng(4).normal(size=family.count)
    found = judge.figures(exact, known)
    fields = fields_of(MovedFields(family), exact, {})
    shown = seam_shown(fields, fields, overlap, seam_moments(eye, overlap, Tracker()))
    assert found[SEAM].value == pytest.approx(shown, rel=0.01)
    step = focus_step(fields, overlap.channels, overlap.tangent).step_dioptres
    assert found[FOCUS].value == pytest.approx(np.nanmax(np.abs(step)), rel=0.02)
    for name in (SEAM, FOCUS):
        assert abs(nominal[name].value - found[name].value) > 0.04 * found[name].value


def test_a_unit_found_from_two_positions_shows_the_seam_that_is_said(line, optics, judge):
    """What its maps show through optics that are what they were drawn to be, at moments of the eye."""
    family, path, grids = line
    (eye,) = eyes_of(family, optics[0])
    (overlap,) = eye.overlaps()
    moments = seam_moments(eye, overlap, Tracker())
    order = departures(family.design)
    places = [order.index(one) for own in family.channels.values() for one in own.optics.departures]
    work = UnitWork(family, LineSettings())
    for number in (1, 2):
        views, shots = work.views(read_grid(grids / f"U{number}.npz"))
        found = solved(family, views, shots, PosePrior())
        mean = found.mean[: family.count]
        drawn = np.random.default_rng([11, number]).normal(size=len(order))[places]
        said, is_so = (fields_of(MovedFields(family), one, {}) for one in (mean, drawn))
        seam = seam_shown(said, is_so, overlap, moments)
        step = np.nanmax(np.abs(focus_step(is_so, overlap.channels, overlap.tangent).step_dioptres))
        figures = judge.figures(mean, found.covariance[: family.count, : family.count])
        for name, wanted in ((SEAM, seam), (FOCUS, float(step))):
            assert abs(figures[name].value - wanted) < 3.0 * figures[name].sigma
            assert figures[name].sigma < 0.05 * wanted


def test_what_is_not_sure_of_a_unit_is_seen_though_its_maps_do_not_know_of_it(line, optics, judge):
    """Sigma of the seam is the spread over units that may be meant, through maps of the one that is known."""
    family, random = line[0], np.random.default_rng(6)
    (eye,) = eyes_of(family, optics[0])
    (overlap,) = eye.overlaps()
    moments, nothing = seam_moments(eye, overlap, Tracker()), np.zeros(family.count)
    said = fields_of(MovedFields(family), nothing, {})
    shown = [
        seam_shown(
            said, fields_of(MovedFields(family), 0.2 * random.normal(size=family.count), {}), overlap, moments
        )
        for _ in range(8)
    ]
    found = judge.figures(nothing, 0.04 * np.eye(family.count))[SEAM]
    # Of eight the spread is sure to a quarter.
    assert 0.5 < np.std(shown, ddof=1) / found.sigma < 1.8
    assert found.value == pytest.approx(np.mean(shown), abs=1.5 * found.sigma)


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
