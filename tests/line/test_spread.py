"""Statistics of earlier units against a model whose covariances are known, means over lines drawn by lot."""

from dataclasses import dataclass

import numpy as np
import pytest

from prewarp.line.spread import Spread, left_out, motion_excess, pattern_excess, principal, spread_of

COUNT, SIZE, NEW, LINES = 60, 150, 1000, 12
# 1-sigma of the true directions, and of the noise of a coordinate of a fit.
SIGMAS, NOISE = 3.0 * 0.77 ** np.arange(32), 0.002
# From 60 units a claim is right to 15 to 20 % (1-sigma over such lines); its mean over twelve lines to 5 %.
MEAN = 0.12


@dataclass(frozen=True)
class Line:
    """Fits of earlier units, what is known of them, new units without noise and fits of these, beside the
    mean; two patterns, the first of which is like the largest true direction.
    """

    fits: np.ndarray
    spread: Spread
    units: np.ndarray
    new: np.ndarray
    patterns: np.ndarray

    def amounts(self):
        """Return amounts of the patterns in new units by generalised least squares, and their covariance."""
        known = self.spread
        covariance = (known.directions * known.variance) @ known.directions.T + NOISE**2 * np.eye(SIZE)
        solved = np.linalg.solve(covariance, self.patterns)
        claimed = np.linalg.inv(self.patterns.T @ solved)
        return self.new @ solved @ claimed, claimed


@pytest.fixture(scope="module")
def lines():
    """Return lines of units."""
    made = []
    for seed in range(LINES):
        random = np.random.default_rng([3, seed])
        directions, _ = np.linalg.qr(random.normal(size=(SIZE, len(SIGMAS))))
        units = (random.normal(size=(COUNT + NEW, len(SIGMAS))) * SIGMAS) @ directions.T
        fits = units + NOISE * random.normal(size=units.shape)
        spread = spread_of(fits[:COUNT], np.zeros(SIZE, dtype=int), 1, NOISE**2)
        patterns = random.normal(size=(SIZE, 2)) / np.sqrt(SIZE)
        patterns[:, 0] += directions[:, 0]
        others = units[COUNT:] - spread.mean, fits[COUNT:] - spread.mean
        made.append(Line(fits[:COUNT], spread, *others, patterns))
    return made


def root_mean(values):
    return np.sqrt(np.mean(values, axis=0))


def test_directions_are_those_of_the_singular_values(lines):
    """Against numpy's decomposition, which shares nothing with the sums of products here."""
    fits = lines[0].fits
    mean, directions = principal(fits, 5)
    _, _, rows = np.linalg.svd(fits - fits.mean(axis=0), full_matrices=False)
    assert np.allclose(mean, fits.mean(axis=0))
    assert np.allclose(np.abs(directions.T @ rows[:5].T), np.eye(5), atol=1e-6)


def test_every_unit_is_left_out_once():
    for count in (7, 60, 133):
        assert sorted(np.concatenate(left_out(count)).tolist()) == list(range(count))


def test_new_units_have_the_energy_that_is_said(lines):
    """By the sample's own variances they would have far more."""
    said, own = [], []
    for line in lines:
        along = (line.units @ line.spread.directions) ** 2
        said.append(np.mean(along / (line.spread.variance + NOISE**2)))
        sample = (line.fits - line.spread.mean) @ line.spread.directions
        own.append(np.mean(along / np.var(sample, axis=0)))
    assert np.mean(said) == pytest.approx(1.0, abs=MEAN)
    assert np.mean(own) > 1.2


def test_what_directions_leave_of_new_units_is_said(lines):
    ratios = []
    for line in lines:
        along = line.units @ line.spread.directions
        rest = np.sum((line.units - along @ line.spread.directions.T) ** 2, axis=1)
        ratios.append(np.mean(rest) / (SIZE * line.spread.rest[0]))
    assert root_mean(ratios) == pytest.approx(1.0, abs=MEAN + 0.03)


def test_motions_that_units_share_are_known_as_well_as_is_said(lines):
    """Without the excess better would be said: 32 directions are not known well from 60 units."""
    bare, said = [], []
    for line in lines:
        floor, own = NOISE**2, np.zeros((2, 2))
        excess = motion_excess([line.fits], [line.spread], [line.patterns], [floor], own)
        found, claimed = line.amounts()
        seen = np.mean(found**2, axis=0)
        bare.append(seen / np.diag(claimed))
        said.append(seen / np.diag(claimed + excess))
    assert root_mean(said) == pytest.approx(1.0, abs=MEAN)
    assert np.all(root_mean(bare) > 1.25)


def test_what_earlier_captures_were_off_by_is_no_excess(lines):
    line, floor = lines[0], NOISE**2
    whole = motion_excess([line.fits], [line.spread], [line.patterns], [floor], np.zeros((2, 2)))
    less = motion_excess([line.fits], [line.spread], [line.patterns], [floor], 0.5 * whole)
    assert less == pytest.approx(0.5 * whole, rel=1e-6)
    none = motion_excess([line.fits], [line.spread], [line.patterns], [floor], 2.0 * whole)
    assert np.abs(none).max() < 1e-12


def test_patterns_scatter_in_new_units_as_is_said(lines):
    ratios = []
    for line in lines:
        own = []
        excess = pattern_excess(line.fits, line.spread, line.patterns, NOISE**2)
        for k in range(2):
            alone = Line(line.fits, line.spread, line.units, line.new, line.patterns[:, k : k + 1])
            found, claimed = alone.amounts()
            own.append(np.mean(found**2) / (claimed[0, 0] + excess[k]))
        ratios.append(own)
    assert root_mean(ratios) == pytest.approx(1.0, abs=MEAN)
