"""Outliers among samples whose residuals have long tails: judged by neighbours, near ones first."""

import numpy as np
import pytest

from prewarp.fitting.outlying import FEWEST_NEIGHBOURS, outlying, robust_weight
from prewarp.fitting.samples import prepare_samples

SIZE = (2000, 1600)
NOISE_PX = 0.05
# A smooth misfit at the left rim, as of a degree too low, px.
MISFIT_PX = 3.0


@pytest.fixture(scope="module")
def crowded_and_lone():
    """Samples, a crowd on the left, a few far apart right, and residuals (2, n), px, in their order."""
    random = np.random.default_rng(3)
    crowd = random.uniform([0.0, 0.0], [1000.0, 1600.0], (20_000, 2))
    across, down = np.meshgrid(np.linspace(1100.0, 1990.0, 8), np.linspace(10.0, 1590.0, 12))
    lone = np.stack([across.ravel(), down.ravel()], axis=-1)
    pixel = np.concatenate([crowd, lone])
    pupil = np.concatenate([random.uniform(-4.0, 4.0, (len(pixel), 2)), np.zeros((len(pixel), 1))], axis=1)
    samples = prepare_samples(
        panel_size_px=SIZE,
        pixel=pixel,
        cosine=np.zeros((len(pixel), 2)),
        reference_mm=pupil[:, :2],
        pupil_mm=pupil,
        sigma_px=np.ones(len(pixel)),
        colour=np.zeros(len(pixel), dtype=int),
        colours=1,
    )
    rest = random.normal(0.0, NOISE_PX, (2, len(pixel)))
    rest[0] += MISFIT_PX * np.exp(-samples.pixel[:, 0] / 150.0)
    return samples, rest


def test_a_smooth_misfit_is_no_outlier_nor_are_lone_samples(crowded_and_lone):
    samples, rest = crowded_and_lone
    # Five sigmas of good points are passed by four in a million; gradients of the misfit within a
    # neighbourhood add a few.
    assert outlying(samples, rest).sum() <= 10


@pytest.mark.parametrize("length_px", [3.0, 15.0])
def test_a_lone_sample_does_not_judge_itself(crowded_and_lone, length_px):
    samples, rest = crowded_and_lone
    lone = np.flatnonzero(samples.pixel[:, 0] > 1000.0)
    spoilt = lone[::17]
    assert len(spoilt) < FEWEST_NEIGHBOURS
    rest = rest.copy()
    rest[1, spoilt] += length_px
    assert outlying(samples, rest)[spoilt].all()
    assert (robust_weight(samples, rest)[spoilt] == 0.0).all()
    assert not outlying(samples, rest)[np.setdiff1d(lone, spoilt)].any()
