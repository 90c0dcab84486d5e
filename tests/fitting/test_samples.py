"""What the pupil positions can decide; residuals in px."""

import numpy as np
import pytest

from prewarp.fitting.polynomial import fit_polynomial
from prewarp.fitting.residuals import in_pixels, pixel_metric
from prewarp.fitting.samples import prepare_samples
from prewarp.pupils.shown import complete_degree, spread_positions


def _samples(pupil):
    pixel = np.random.default_rng(2).uniform(0.0, 600.0, (len(pupil), 2))
    return prepare_samples(
        panel_size_px=(640, 640),
        pixel=pixel,
        cosine=pixel * 1e-4,
        reference_mm=pupil[:, :2],
        pupil_mm=pupil,
        sigma_px=np.ones(len(pupil)),
        colour=np.zeros(len(pupil), dtype=int),
        colours=1,
    )


def _positions(pupil):
    _, first = np.unique(pupil, axis=0, return_index=True)
    return spread_positions(pupil, np.full(len(pupil), -1), np.zeros((len(pupil), 2)), first)


@pytest.mark.parametrize(("nodes", "degree"), [(1, 0), (2, 1), (3, 2), (5, 4)])
def test_a_lattice_decides_one_degree_less_than_its_nodes(nodes, degree):
    axis = np.linspace(-4.0, 4.0, nodes) if nodes > 1 else np.zeros(1)
    x, y = (part.ravel() for part in np.meshgrid(axis, axis))
    pupil = np.tile(np.column_stack([x, y, np.zeros(len(x))]), (30, 1))
    samples = _samples(pupil)
    assert (
        complete_degree(_positions(pupil), centre_mm=samples.frame.centre_mm, half_mm=samples.frame.half_mm)
        == degree
    )


def test_scattered_positions_decide_more():
    pupil = np.random.default_rng(1).uniform(-4.0, 4.0, (400, 3))
    assert _samples(pupil).pupil.degree >= 5


def test_the_metric_turns_cosines_into_pixels():
    """A map that is twice as steep in x as in y, and askew: a step of the panel point is px again."""
    slope = np.array([[2e-4, 3e-5], [1e-5, 1e-4]])
    random = np.random.default_rng(4)
    axis = np.linspace(-4.0, 4.0, 3)
    pupil = np.tile(np.stack([*np.meshgrid(axis, axis), np.zeros((3, 3))], axis=-1).reshape(-1, 3), (40, 1))
    pixel = random.uniform(0.0, 600.0, (len(pupil), 2))
    samples = prepare_samples(
        panel_size_px=(640, 640),
        pixel=pixel,
        cosine=pixel @ slope.T + random.normal(0.0, 1e-6, pixel.shape),
        reference_mm=pupil[:, :2],
        pupil_mm=pupil,
        sigma_px=np.ones(len(pupil)),
        colour=np.zeros(len(pupil), dtype=int),
        colours=1,
    )
    (expansion,) = fit_polynomial(samples).expansions
    step_px = random.normal(0.0, 1.0, (2, samples.count))
    found = in_pixels(pixel_metric(samples, expansion), slope @ step_px)
    np.testing.assert_allclose(np.hypot(*found), np.hypot(*step_px), rtol=0.02)
