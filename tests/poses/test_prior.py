"""The prior of poses and its scales: against scipy's normal density, and on captures by several stages."""

from itertools import product

import numpy as np
import pytest
from scipy.stats import Covariance, multivariate_normal

from prewarp.poses import free_poses
from prewarp.poses.gauge import orthonormal, similarity_vectors, wavefront_vectors
from prewarp.poses.prior import HARDLY_LESS, SCALES, posterior
from tests.poses.captures import (
    ARCMIN,
    SIGMA_MM,
    SIGMA_RAD,
    Errors,
    capture,
    held_out,
    pupil_lattice,
    stage_errors,
)
from tests.poses.judging import Trial, panel_size, trial

UNIT = np.tile([SIGMA_MM] * 3 + [SIGMA_RAD] * 3, 9)


def rms(values) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def patterns():
    """Return common motions and wavefronts of 9 shots, per stated sigma."""
    labels = pupil_lattice(2.0, 3)
    common = orthonormal(similarity_vectors(labels), UNIT)
    waves = wavefront_vectors(labels, 3) / UNIT
    return common, orthonormal(waves - (waves @ common.T) @ common, np.ones(len(UNIT)))


def measured(random, scale, *, noise=0.02):
    """Return rows (n, 54) that know nothing of common motions, and what they measure of poses at a scale."""
    common, _ = patterns()
    rows = random.normal(size=(400, len(UNIT))) / (np.sqrt(400.0) * noise)
    rows -= (rows @ common.T) @ common
    return rows, rows @ (scale * random.normal(size=len(UNIT))) + random.normal(size=400)


def test_posterior_of_the_stated_prior_is_that_of_ridge_regression():
    random = np.random.default_rng(1)
    rows, seen = measured(random, 1.0)
    weight = random.uniform(0.3, 1.0, len(UNIT))
    found = posterior(rows.T @ rows, rows.T @ seen, weight, *patterns(), narrowed=False)
    both = np.concatenate([rows, np.diag(np.sqrt(weight))])
    padded = np.concatenate([seen, np.zeros(len(UNIT))])
    np.testing.assert_allclose(found.mean, np.linalg.lstsq(both, padded, rcond=None)[0], atol=1e-8)
    np.testing.assert_allclose(found.covariance, np.linalg.inv(both.T @ both), atol=1e-8)
    assert found.scales == (1.0, 1.0)


@pytest.mark.parametrize("scale", [1.0, 0.3, 0.1])
def test_scales_are_the_upper_end_of_those_that_a_normal_density_allows(scale):
    """All 216 combinations by scipy's density of what was measured, J K J' + 1."""
    common, waves = patterns()
    rows, seen = measured(np.random.default_rng(2), scale)
    is_turn = np.arange(len(UNIT)) % 6 >= 3
    rest = np.eye(len(UNIT)) - common.T @ common - waves.T @ waves
    found = posterior(rows.T @ rows, rows.T @ seen, np.ones(len(UNIT)), common, waves)
    likely, density = [], {}
    for offsets, turns, wave in product(SCALES, repeat=3):
        own = rest * np.where(is_turn, turns, offsets) ** 2 @ rest
        inner = common.T @ common + wave**2 * waves.T @ waves + own
        covariance = rows @ inner @ rows.T + np.eye(len(rows))
        by_root = Covariance.from_cholesky(np.linalg.cholesky(covariance))
        density[offsets, turns, wave] = multivariate_normal(cov=by_root).logpdf(seen)
    best = max(density.values())
    likely = np.array([one for one, value in density.items() if value >= best - HARDLY_LESS])
    single = likely[:, :2].max()
    assert found.scales == (single, max(single, likely[:, 2].max()))
    assert single >= 0.7 * scale


def test_an_exact_capture_is_found_exact():
    """Error over that of exact poses; the stated sigma alone lets in 1.34 (`tests.long.pose_bounds`)."""
    nothing, labels = Errors(np.zeros((25, 3)), np.zeros((25, 3))), pupil_lattice(2.0)
    one = trial(nothing, labels, 1, dots=15)
    assert one.ratio(held_out(dots=11)) <= 1.15
    assert max(one.found.scales) <= 0.125
    assert any("better than stated" in line for line in one.found.lines())


def found_of(errors, labels, **options):
    grid = capture(errors, labels, np.random.default_rng(1), dots=13, **options)
    return free_poses(grid, panel_size_px=panel_size())


@pytest.mark.parametrize(("offsets", "turns"), [(0.1, 0.1), (1.0, 0.0), (0.0, 1.0), (0.3, 0.3)])
def test_sigma_holds_where_the_stage_is_better_than_stated(offsets, turns):
    """13 x 13 directions, nearly the same for all shots: such a lattice carries no degree of 13."""
    labels, draws = pupil_lattice(2.0), []
    for seed in (2, 3):
        errors = stage_errors(25, np.random.default_rng(100 + seed))
        errors.offset_mm[:] *= offsets
        errors.turn_rad[:] *= turns
        grid = capture(errors, labels, np.random.default_rng(seed), dots=13)
        found = free_poses(grid, panel_size_px=panel_size())
        assert found.model.degree < 13
        draws.append(Trial(None, None, found, errors, labels).observable_scores())
    assert 0.8 <= rms(np.concatenate(draws)) <= 1.15


def test_one_slip_among_exact_shots_is_named_and_found():
    labels, errors = pupil_lattice(2.0), Errors(np.zeros((25, 3)), np.zeros((25, 3)))
    errors.turn_rad[7] += [0.0, 10.0 * ARCMIN, 0.0]
    found = found_of(errors, labels)
    (slip,) = found.slips
    assert slip.pupil_mm == tuple(labels[7]) and slip.length == pytest.approx(10.0, abs=0.3)


def test_a_bent_rail_in_one_plane_is_not_claimed_straight():
    """Turns that follow x^2, all else exact: no dot tells them, so their sigma stays as stated."""
    labels, errors = pupil_lattice(0.0), Errors(np.zeros((25, 3)), np.zeros((25, 3)))
    errors.turn_rad[:, 1] = 2.0 * ARCMIN * (labels[:, 0] / 4.0) ** 2
    found = found_of(errors, labels)
    assert max(found.scales) < 1.0
    unsure = sum(
        one.count for one in (*found.modes.weak, *found.modes.lost) if one.name == "common wavefront"
    )
    assert unsure >= 4
    scores = Trial(None, None, found, errors, labels).observable_scores()
    assert rms(scores) <= 1.5
