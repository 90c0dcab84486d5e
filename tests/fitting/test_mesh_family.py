"""The mesh family on a panel with waves and a bump that no affordable polynomial follows."""

import dataclasses

import numpy as np
import pytest

from prewarp.field import FieldSet, compare_grid, fit_grid
from tests.synthetic import make_grid, pupil_lattice, two_channels

PANEL = (2560, 2560)
INNER = {"inner": two_channels()["inner"]}


def _uneven(grid):
    """Return the grid of a panel with pixels up to a pixel off their places: waves, and a bump of 160 px."""
    pixel = grid.pixel.copy()
    for _ in range(30):
        u, v = pixel.T / 2560.0
        waves = np.sin(9 * np.pi * u) * np.cos(7 * np.pi * v)
        bump = np.exp(-((u - 0.6) ** 2 + (v - 0.4) ** 2) / 0.004)
        pixel = grid.pixel - np.stack([waves, bump], axis=-1)
    return dataclasses.replace(grid, pixel=pixel)


@pytest.fixture(scope="module")
def uneven():
    """A noisy capture, and the truth at other panel points and pupils."""
    capture = make_grid("panel", noise_px=0.05, points=33, pupils=pupil_lattice(3), channels=INNER, seed=1)
    pupils = np.random.default_rng(3).uniform([-4, -4, 0], [4, 4, 0], (6, 3))
    return _uneven(capture), _uneven(make_grid("scattered", points=20, pupils=pupils, channels=INNER, seed=2))


@pytest.fixture(scope="module")
def mesh_fit(uneven):
    return fit_grid(uneven[0], panel_size_px=PANEL)


def test_auto_takes_a_mesh_and_reaches_its_floor(uneven, mesh_fit):
    (report,) = mesh_fit.reports
    assert report.model.startswith("mesh of 24 x 24 cells")
    figures = compare_grid(mesh_fit, uneven[1]).as_dict()["inside"]
    assert figures["lost"] == 0
    assert figures["rms_px"] <= 1.2 * report.floor_px
    assert np.all(np.abs(np.array(report.sigma_px) - 0.05) < 0.003)
    assert len(report.outlier_rows) <= 0.002 * report.samples


def test_a_polynomial_alone_is_much_worse(uneven):
    fit = fit_grid(uneven[0], panel_size_px=PANEL, family="polynomial")
    assert compare_grid(fit, uneven[1]).as_dict()["inside"]["rms_px"] > 0.3


def test_a_mesh_is_saved_and_read_back(mesh_fit, tmp_path):
    mesh_fit.save(tmp_path / "fit.npz")
    back = FieldSet.load(tmp_path / "fit.npz")
    pixel, pupil = np.array([[300.0, 400.0], [2000.0, 1500.0]]), [1.0, 2.0, 1.5]
    for colour in back.colours:
        field, same = mesh_fit.field("inner", colour), back.field("inner", colour)
        tangent = field.forward(pixel, pupil_mm=pupil)
        np.testing.assert_array_equal(same.forward(pixel, pupil_mm=pupil), tangent)
        np.testing.assert_allclose(same.inverse(tangent, pupil_mm=pupil).pixel, pixel, atol=1e-6)
        lattice = field.forward_lattice([300.0, 2000.0], [400.0, 1500.0], pupil_mm=pupil)
        np.testing.assert_allclose(lattice[[0, 1], [0, 1]], tangent, atol=1e-12)


def test_certainty_of_a_mesh_is_about_the_error(uneven, mesh_fit):
    comparison = compare_grid(mesh_fit, uneven[1])
    ratio = (comparison.error_px / comparison.sigma_px)[comparison.inside]
    assert 0.85 < np.sqrt(np.mean(ratio**2)) < 1.2
    assert np.mean(ratio < 2.0) > 0.9


def test_a_smooth_field_stays_a_polynomial():
    capture = make_grid("panel", noise_px=0.05, points=17, pupils=pupil_lattice(3), channels=INNER, seed=4)
    fit = fit_grid(capture, panel_size_px=PANEL)
    assert fit.reports[0].model.startswith("polynomial")


def test_a_mesh_asked_for_on_a_smooth_field_is_no_rougher_than_a_quarter_of_the_noise():
    capture = make_grid(
        "direction", noise_px=0.05, points=17, pupils=pupil_lattice(3), channels=INNER, seed=4
    )
    truth = make_grid("direction", points=12, pupils=pupil_lattice(2, 3.0), channels=INNER)
    fit = fit_grid(capture, panel_size_px=PANEL, family="mesh")
    assert fit.reports[0].model.startswith("mesh")
    assert compare_grid(fit, truth).as_dict()["inside"]["rms_px"] <= 0.25 * 0.05 * np.sqrt(2.0)
