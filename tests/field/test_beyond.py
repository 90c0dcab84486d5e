"""Rows outside what was captured: predicted, marked, less sure; how many pupils a field needs."""

import numpy as np
import pytest

from prewarp.field import compare_grid, fit_grid, prediction_sigma
from prewarp.field.beyond import beyond_sigma_px
from prewarp.field.pupils_needed import pupils_needed, term_sizes_px
from tests.synthetic import PlaneImage, make_grid, pupil_lattice

PANEL = (2560, 2560)
# Near and turned, so that pupil terms of higher degree can be seen.
NEAR = {"inner": PlaneImage(distance_m=0.1, yaw_deg=15.0)}


# As near as displays are set.
USUAL = {"inner": PlaneImage(distance_m=0.5, yaw_deg=15.0)}


def grid_of(pupils, *, points=13, kind="panel", channels=NEAR):
    return make_grid(kind, points=points, pupils=pupils, channels=channels, colours=("G",))


def fit(pupils, **more):
    return fit_grid(grid_of(pupils, **more), panel_size_px=PANEL, family="polynomial")


@pytest.fixture(scope="module")
def square():
    """A fit of 5 x 5 pupils, 2 mm apart."""
    return fit(pupil_lattice(5))


LINE = np.array([(x, 0.0, 0.0) for x in np.linspace(-4.0, 4.0, 5)])
CAPTURES = {"square": pupil_lattice(5), "line": LINE, "one": pupil_lattice(1)}


@pytest.mark.parametrize("name", CAPTURES)
def test_rows_up_to_one_spacing_outside_are_predicted_and_marked(square, name):
    channels = USUAL if name == "one" else NEAR
    fields = square if name == "square" else fit(CAPTURES[name], channels=channels)
    random = np.random.default_rng(1)
    across = random.uniform(4.2, 6.0, 12) if name == "square" else random.uniform(0.3, 2.0, 12)
    pupils = np.column_stack([random.uniform(-4.0, 4.0, 12) * (name != "one"), across, np.zeros(12)])
    comparison = compare_grid(fields, grid_of(pupils, points=7, kind="scattered", channels=channels))
    assert not comparison.lost.any()
    assert not comparison.inside.any()
    error, said = comparison.error_px, comparison.sigma_px
    assert np.sqrt(np.mean(error**2)) < 2.0 * np.sqrt(np.mean(said**2))
    assert np.all(said > 0.0)


def test_directions_one_dot_outside_are_predicted_and_marked():
    grid = grid_of(pupil_lattice(3), points=17)
    rim = np.abs(grid.pixel - 1280.0).max(axis=1) > 1100.0
    comparison = compare_grid(fit_grid(grid.take(~rim), panel_size_px=PANEL, family="polynomial"), grid)
    assert not comparison.lost.any()
    assert comparison.inside[~rim].all()
    # What one pupil sees at the rim another sees a little further in.
    assert 0.5 < (~comparison.inside[rim]).mean() < 1.0


def test_inside_nothing_is_added_where_every_function_is_shown(square):
    fields = square
    comparison = compare_grid(fields, grid_of(pupil_lattice(4, 3.0), points=5))
    assert comparison.inside.all()
    assert 0.0 < np.max(comparison.sigma_px) < 0.1


def test_sigma_grows_outside(square):
    """Of 3 x 3 positions the fit has all functions: the next degree counts. Of 5 x 5 it has less than all."""
    pixel, tangent = np.full((3, 2), 1280.0), np.tile(np.tan(np.radians([15.0, 0.0])), (3, 1))
    pupils = np.array([(x, 0.0, 0.0) for x in (4.0, 4.5, 5.0)])
    few = fit(pupil_lattice(3))
    for fields in (square, few):
        beyond = beyond_sigma_px(fields, "inner", "G", tangent, pixel, pupil_mm=pupils)
        known = prediction_sigma(fields, "inner", "G", pixel, pupil_mm=pupils)
        whole = np.hypot(known, beyond)
        assert whole[0] < whole[1] < whole[2]
    assert beyond[0] < beyond[1] < beyond[2]


def test_pupils_off_the_plane_are_inside_where_their_rays_are(square):
    """A capture at z = 0 alone, rows at z = 6 mm: rays that cross the captured square count as inside."""
    fields = square
    truth = grid_of(np.array([(0.5, -1.0, 6.0), (3.9, 0.0, 6.0)]), points=9)
    comparison = compare_grid(fields, truth)
    reference = truth.pupil_mm[:, :2] - truth.pupil_mm[:, 2:] * truth.tangent
    np.testing.assert_array_equal(comparison.inside, np.abs(reference).max(axis=1) <= 4.0 + 1e-6)
    assert 0.5 < comparison.inside.mean() < 1.0


@pytest.mark.parametrize("wanted_px", [0.02, 0.3])
def test_so_many_pupils_leave_the_wanted_error(square, wanted_px):
    fields = square
    needed = pupils_needed(fields.field("inner", "G"), fields.captured["inner"], wanted_px=wanted_px)
    assert needed.nodes is not None and needed.left_px <= wanted_px < needed.fewer_px
    truth = grid_of(np.random.default_rng(3).uniform(-4.0, 4.0, (9, 3)) * [1.0, 1.0, 0.0], points=7)
    found = compare_grid(fit(pupil_lattice(needed.nodes)), truth).as_dict()["all"]["rms_px"]
    assert found <= wanted_px
    assert f"{needed.nodes} x {needed.nodes}" in needed.text()


def test_terms_are_those_of_the_closed_form(square):
    """The linear term of a plane at 0.1 m: 4 mm of pupil turn rays by 40 mrad, 120 px."""
    terms = term_sizes_px(square.field("inner", "G"))
    assert terms[1] == pytest.approx(120.0 * np.sqrt(2.0 / 3.0), rel=0.15)
    assert terms[1] > terms[2] > terms[3]


@pytest.mark.parametrize("name", ["line", "one"])
def test_few_pupils_do_not_tell_how_many_are_needed(name):
    fields = fit(CAPTURES[name])
    needed = pupils_needed(fields.field("inner", "G"), fields.captured["inner"], wanted_px=0.1)
    assert needed.nodes is None and needed.as_dict()["positions_each_way"] is None
    assert "not known: needs three or more pupil positions each way" in needed.text()
