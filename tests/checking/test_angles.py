"""Azimuth and elevation of a goniometer written as projected angles: found, named, mended by what is said."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from prewarp.checking import check_grid
from prewarp.checking.affine import common_frame
from prewarp.checking.angles import GONIOMETERS, tangent_from_goniometer
from prewarp.checking.curl_share import curl_shares
from prewarp.checking.samples import samples_from_grid
from prewarp.checking.surface import fit_surface
from prewarp.frames import arcmin_between, unit_from_tangent
from tests.synthetic import make_grid, pupil_lattice


@pytest.fixture(scope="module")
def clean():
    return make_grid(noise_px=0.05, points=13, pupils=pupil_lattice(5), colours=("G",), seed=2)


def goniometer_deg(tangent, inner):
    """Return the two angles of a goniometer that looks along tangents (n, 2), degrees.

    `inner` 1: the instrument turns about the vertical axis first (azimuth), then tips up in that plane.
    """
    x, y, z = unit_from_tangent(tangent).T
    if inner == 1:
        return np.degrees(np.stack([np.arctan2(x, z), np.arcsin(y)], axis=-1))
    return np.degrees(np.stack([np.arcsin(x), np.arctan2(y, z)], axis=-1))


@pytest.mark.parametrize("inner", [0, 1])
def test_the_cause_is_named_with_its_size(clean, inner):
    angles = goniometer_deg(clean.tangent, inner)
    result = check_grid(replace(clean, tangent=np.tan(np.radians(angles)), direction_deg=None))
    (found,) = result.of("angles", "error")
    assert not result.of("curl") and not result.of("shot") and not result.of("patch")
    worst = arcmin_between(np.tan(np.radians(angles)), clean.tangent).max() / 60.0
    assert found.size.value == pytest.approx(worst, rel=0.02) and found.size.unit == "degrees" and worst > 1.5
    assert ("azimuth and elevation" in found.text) == (inner == 1)


@pytest.mark.parametrize("inner", [0, 1])
def test_the_formula_is_that_of_the_rotations(inner):
    true = np.random.default_rng(1).uniform(-0.7, 0.7, (50, 2))
    written = np.tan(np.radians(goniometer_deg(true, inner)))
    np.testing.assert_allclose(tangent_from_goniometer(written, inner=inner), true, atol=1e-12)


def test_projected_angles_and_another_curl_are_not_named_so(clean):
    assert not check_grid(clean).of("angles")
    a = np.radians(3.0)
    turn = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]])
    result = check_grid(replace(clean, pupil_mm=clean.pupil_mm @ turn))
    assert not result.of("angles") and result.of("curl")


def written_by(grid, inner, rows=None):
    """Return the grid with angles of a goniometer in some rows, all by default."""
    angles = np.tan(np.radians(goniometer_deg(grid.tangent, inner)))
    rows = np.ones(len(grid), dtype=bool) if rows is None else rows
    return replace(grid, tangent=np.where(rows[:, None], angles, grid.tangent), direction_deg=None)


@pytest.fixture(scope="module")
def noisy():
    return make_grid(noise_px=0.6, points=13, pupils=pupil_lattice(5), colours=("G",), seed=4)


@pytest.mark.parametrize("inner", [0, 1])
def test_noise_in_which_the_mean_curl_drowns_hides_no_angles(noisy, inner):
    result = check_grid(written_by(noisy, inner))
    (found,) = result.of("angles", "error")
    assert ("azimuth and elevation" in found.text) == (inner == 1)
    curl, explained = (
        result.figures[name]["inner/G"] for name in ("curl_arcmin_per_mm", "curl_noise_arcmin_per_mm")
    )
    assert curl < 4.0 * explained  # not what names it
    assert not check_grid(noisy).of("angles")


def test_one_channel_captured_so_is_named(clean):
    own = clean.channel == clean.channel_names.index("outer")
    (found,) = check_grid(written_by(clean, 1, own)).of("angles")
    assert found.channel == "outer" and found.row_count == own.sum()


@pytest.mark.parametrize(("truth", "turn_arcmin"), [(0.0, 2.0), (1.0, 0.0)])
def test_the_share_is_as_sure_as_its_sigma_says(truth, turn_arcmin):
    """Noise, turns of the camera at every shot, a roll of the camera and turned pupil axes."""
    errors = []
    for seed in range(12):
        grid = make_grid(noise_px=0.3, points=13, pupils=pupil_lattice(5), colours=("G",), seed=seed)
        random = np.random.default_rng(100 + seed)
        turns = np.radians(turn_arcmin / 60.0) * random.standard_normal((25, 3))
        turns += [0.0, 0.0, np.radians(0.5)]
        _, shot = np.unique(grid.pupil_mm, axis=0, return_inverse=True)
        seen = Rotation.from_rotvec(turns[shot.reshape(-1)]).apply(unit_from_tangent(grid.tangent))
        grid = replace(grid, tangent=seen[:, :2] / seen[:, 2:], direction_deg=None)
        axes = Rotation.from_rotvec([0.0, 0.0, np.radians(2.0)])
        grid = replace(grid, pupil_mm=axes.apply(grid.pupil_mm))
        samples = samples_from_grid(written_by(grid, 1) if truth else grid)
        good, frame = np.ones(len(grid), dtype=bool), common_frame(samples)
        for pair in samples.pairs.tolist():
            surface = fit_surface(samples, frame, pair, good, 3000.0, 169)
            share = curl_shares(samples, surface, good, GONIOMETERS)[0]
            errors.append((share.value - truth) / share.sigma)
            assert share.sigma < 0.2  # tells all from nothing at 5 sigma
    assert 0.5 < np.sqrt(np.mean(np.square(errors))) < 1.25
    assert abs(np.mean(errors)) < 0.6


def share_of(grid):
    """Return the share of the first goniometer's angles in the curl of a grid of one channel and colour."""
    samples, good = samples_from_grid(grid), np.ones(len(grid), dtype=bool)
    (pair, *_) = samples.pairs.tolist()
    return curl_shares(
        samples, fit_surface(samples, common_frame(samples), pair, good, 3000.0, 169), good, GONIOMETERS
    )[0]


def test_rays_from_other_depths_cross_the_middle_plane_where_true_directions_say():
    """Shots 3 mm before and behind the middle: by rays of the angles as written it was 0.83."""
    depth = np.where(np.arange(25) % 2, 3.0, -3.0)[:, None] * [0.0, 0.0, 1.0]
    grid = make_grid(noise_px=0.05, points=13, pupils=pupil_lattice(5) + depth, colours=("G",), seed=0)
    found = share_of(written_by(grid, 1))
    assert found.value == pytest.approx(1.0, abs=0.07) and found.sigma < 0.03


def test_turns_of_shots_are_no_noise_of_dots():
    """Turns of 2 arcmin, some 8 times the noise of a dot, leave a share hardly less sure."""
    grid = make_grid(noise_px=0.3, points=13, pupils=pupil_lattice(5), colours=("G",), seed=0)
    turns = np.radians(2.0 / 60.0) * np.random.default_rng(100).standard_normal((25, 3))
    shot = np.unique(grid.pupil_mm, axis=0, return_inverse=True)[1].reshape(-1)
    seen = Rotation.from_rotvec(turns[shot]).apply(unit_from_tangent(grid.tangent))
    turned = replace(grid, tangent=seen[:, :2] / seen[:, 2:], direction_deg=None)
    assert share_of(turned).sigma < 1.6 * share_of(grid).sigma


def test_few_positions_across_say_nothing():
    grid = make_grid(points=33, pupils=pupil_lattice(3)[3:6], colours=("G",), seed=1)
    assert not check_grid(written_by(grid, 1)).of("angles")
