"""Noise and lack of fit told apart, on fields with a closed form."""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.field import fit_grid
from prewarp.fitting.lack_of_fit import MORE_DOTS, MORE_PUPILS
from prewarp.neighbours import local_differences
from tests.synthetic import PlaneImage, make_grid, pupil_lattice

NOISE_PX = 0.05
PANEL = (2560, 2560)


def report(grid):
    fields = fit_grid(grid, panel_size_px=PANEL, family="polynomial")
    return fields.reports[0], fields.summary()["channels"][0]


def capture(kind="panel", nodes=3, points=15, seed=1, noise_px=NOISE_PX):
    return make_grid(
        kind,
        noise_px=noise_px,
        seed=seed,
        points=points,
        pupils=pupil_lattice(nodes),
        channels={"inner": PlaneImage()},
        colours=("G",),
    )


@pytest.mark.parametrize("kind", ["panel", "scattered"])
def test_noise_alone_is_no_lack_of_fit(kind):
    found, machine = report(capture(kind))
    assert found.sigma_px[0] == pytest.approx(NOISE_PX, rel=0.06)
    assert found.misfit_px[0] < 0.2 * NOISE_PX
    assert found.advice == ""
    assert machine["sigma_px"]["G"] == found.sigma_px[0] and machine["misfit_px"]["G"] == found.misfit_px[0]


def test_what_repeats_from_pupil_to_pupil_asks_for_dots():
    """A ripple of four dots across the panel, the same from everywhere: 0.1 px RMS per axis."""
    grid = capture(points=21)
    ripple = 0.2 * np.sin(grid.pixel[:, :1] / 110.0) * np.sin(grid.pixel[:, 1:] / 130.0)
    found, _ = report(replace(grid, pixel=grid.pixel + ripple))
    assert found.advice == MORE_DOTS
    assert found.misfit_px[0] > 0.5 * NOISE_PX


def test_what_differs_from_pupil_to_pupil_asks_for_pupils():
    """Each pupil position of its own shift, as nothing smooth over the pupil has it: noise stays noise."""
    grid = capture(nodes=4)
    _, view = np.unique(grid.pupil_mm, axis=0, return_inverse=True)
    shift = np.random.default_rng(3).normal(0.0, 0.1, (view.max() + 1, 2))
    found, _ = report(replace(grid, pixel=grid.pixel + shift[view.ravel()]))
    assert found.advice == MORE_PUPILS
    assert found.sigma_px[0] == pytest.approx(NOISE_PX, rel=0.08)
    assert found.misfit_px[0] > 0.5 * NOISE_PX


def test_views_of_one_dot_do_not_tell():
    """Every row its own pupil position: nothing tells noise from lack of fit, and nothing is said."""
    grid = capture("scattered", points=20)
    pupil = np.random.default_rng(2).uniform(-4.0, 4.0, (len(grid), 3)) * [1.0, 1.0, 0.0]
    truth = make_grid(
        "scattered",
        noise_px=NOISE_PX,
        points=1,
        pupils=pupil[:600],
        channels={"inner": PlaneImage()},
        colours=("G",),
    )
    found, machine = report(truth)
    assert found.misfit_px == (None,) and machine["misfit_px"] == {"G": None}
    assert found.advice == ""


def test_local_differences_take_out_what_is_smooth():
    """Unit noise on a bowl and a slope: what is left has unit variance."""
    random = np.random.default_rng(5)
    pixel = random.uniform(0.0, 1.0, (3000, 2)) * PANEL
    view = np.repeat([0, 1, 2], 1000)
    x, y = (pixel / 1280.0 - 1.0).T
    bowl = 30.0 * np.stack([x * x + y, x * y - y * y]) * (1.0 + view)
    found = local_differences(pixel, view, bowl + random.normal(size=bowl.shape))
    assert found.shape[1] > 1500
    assert found.std() == pytest.approx(1.0, rel=0.05)
