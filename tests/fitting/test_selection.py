"""Cross-validation judges samples that the fit has not seen; one standard error decides."""

import numpy as np

from prewarp.fitting.polynomial import fit_polynomial
from prewarp.fitting.samples import prepare_samples
from prewarp.fitting.selection import simplest_within_error


def test_samples_left_out_lie_farther_off_than_those_fitted():
    """270 samples over nine pupils, a bent map, 0.5 px of noise: every parameter fits some of it."""
    random = np.random.default_rng(8)
    axis = np.linspace(-4.0, 4.0, 3)
    pupil = np.tile(np.stack([*np.meshgrid(axis, axis), np.zeros((3, 3))], axis=-1).reshape(-1, 3), (30, 1))
    pixel = random.uniform(0.0, 600.0, (len(pupil), 2))
    exact = 1e-4 * (pixel - 300.0) * (1.0 + 1e-6 * ((pixel - 300.0) ** 2).sum(axis=1, keepdims=True))
    fit = fit_polynomial(
        prepare_samples(
            panel_size_px=(640, 640),
            pixel=pixel,
            cosine=exact + random.normal(0.0, 0.5e-4, pixel.shape) - 5e-4 * pupil[:, :2],
            reference_mm=pupil[:, :2],
            pupil_mm=pupil,
            sigma_px=np.ones(len(pupil)),
            colour=np.zeros(len(pupil), dtype=int),
            colours=1,
        )
    )
    fitted = np.sqrt(np.mean(np.sum(fit.rest_px**2, axis=0)))
    assert fit.parameters > 15
    assert fit.rms_cv_px > 1.03 * fitted


def test_a_simpler_model_is_taken_within_one_standard_error_and_not_beyond():
    """Six folds, differences of mean m and standard deviation 1: the error is 1 / sqrt(6) = 0.41."""
    spread = np.array([1.0, -1.0, 1.0, -1.0, 1.0, -1.0])
    spread /= spread.std(ddof=1)
    for mean, place in ((0.3, 0), (0.6, 1)):
        assert simplest_within_error(np.array([10.0 + spread + mean, np.full(6, 10.0)]), [3, 6]) == place
