"""Fits of few pupil positions, against a published eyepiece traced by optiland (`test_outside`)."""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.chebyshev import values_2d
from prewarp.field import compare_grid, fit_grid
from tests.fitting.test_outside import PANEL, _eyepiece_grid

pytestmark = pytest.mark.outside
ANGLE_DEG, HALF_MM = 22.0, 4.0
# Any script of twenty lines gets so far; a fit has to do much better.
SHARE_OF_SCRIPT = 0.5


def eyepiece(tangent, pupil):
    return _eyepiece_grid(tangent, pupil).select(colour="G")


def capture(x, y, dots=11):
    angle = np.tan(np.radians(np.linspace(-ANGLE_DEG, ANGLE_DEG, dots)))
    y, x, ty, tx = (axis.ravel() for axis in np.meshgrid(y, x, angle, angle, indexing="ij"))
    return eyepiece(np.stack([tx, ty], axis=-1), np.column_stack([x, y, np.zeros(len(x))]))


def held_out(half_x=HALF_MM, half_y=HALF_MM, count=1500):
    random = np.random.default_rng(11)
    tangent = np.tan(np.radians(random.uniform(-ANGLE_DEG, ANGLE_DEG, (count, 2))))
    pupil = random.uniform(-1.0, 1.0, (count, 3)) * [half_x, half_y, 0.0]
    return eyepiece(tangent, pupil)


def script_error_px(grid, truth):
    """Return the RMS error of the plain way: degree 7 for each pupil position, parabolas between them."""
    nodes = np.unique(grid.pupil_mm[:, 0])
    scale = np.tan(np.radians(ANGLE_DEG))
    wanted = values_2d(*(truth.tangent / scale).T, 7)
    predicted = np.zeros_like(truth.pixel)
    for x in nodes:
        for y in nodes:
            rows = np.all(grid.pupil_mm[:, :2] == [x, y], axis=1)
            basis = values_2d(*(grid.tangent[rows] / scale).T, 7)
            solution = np.linalg.lstsq(basis.T, grid.pixel[rows], rcond=None)[0]
            share = np.ones(len(truth))
            for axis, here in ((0, x), (1, y)):
                for other in nodes[nodes != here]:
                    share *= (truth.pupil_mm[:, axis] - other) / (here - other)
            predicted += share[:, None] * (wanted.T @ solution)
    return float(np.sqrt(np.mean(np.sum((predicted - truth.pixel) ** 2, axis=1))))


def error_px(fields, truth):
    return compare_grid(fields, truth).as_dict()["all"]["rms_px"]


def test_three_by_three_pupils_are_far_better_than_a_script():
    nodes = np.linspace(-HALF_MM, HALF_MM, 3)
    grid, truth = capture(nodes, nodes), held_out()
    script = script_error_px(grid, truth)
    noisy = replace(grid, pixel=grid.pixel + np.random.default_rng(1).normal(0.0, 0.05, grid.pixel.shape))
    exact, rough = (fit_grid(one, panel_size_px=PANEL) for one in (grid, noisy))
    assert script > 0.05
    assert error_px(exact, truth) < 0.1 * SHARE_OF_SCRIPT * script
    assert error_px(rough, truth) < SHARE_OF_SCRIPT * script
    fitted = exact.captured["inner"].pupil_functions
    assert fitted[:3] == ((2, 2), (3, 3), (4, 4)) and fitted[3][0] < fitted[3][1]
    assert "x4 + y4 to x2y2" in exact.captured["inner"].ties_text()


def test_a_line_of_pupils_shows_motion_along_it():
    grid, truth = capture(np.linspace(-HALF_MM, HALF_MM, 5), [0.0]), held_out(half_y=0.0)
    fields = fit_grid(grid, panel_size_px=PANEL)
    one = fit_grid(capture([0.0], [0.0]), panel_size_px=PANEL)
    assert error_px(fields, truth) < 0.02
    assert error_px(one, truth) > 1.0
    assert fields.captured["inner"].motion_text() == "motion of the pupil along x alone"
    assert not one.captured["inner"].motions.size


@pytest.mark.parametrize(("nodes", "most"), [(3, 2.0), (2, 4.0)])
def test_what_is_tied_is_off_by_about_as_much_as_is_said(nodes, most):
    """The 1-sigma of functions that no position shows is of the error's size; wider with fewer positions.

    It was 2.5 and 8 times as large. A 1-sigma of one draw may be less than the error too.
    """
    axis = np.linspace(-HALF_MM, HALF_MM, nodes)
    comparison = compare_grid(fit_grid(capture(axis, axis), panel_size_px=PANEL), held_out())
    error = np.sqrt(np.mean(comparison.error_px**2))
    said = np.sqrt(np.mean(comparison.sigma_px**2))
    assert comparison.inside.all()
    assert error / 1.5 < said < most * error
