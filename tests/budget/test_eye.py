"""Pupil motion: published lever arms and main sequence, fixations and slip, settings refused."""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.budget.eye import EyeMotion, eye_path, slips
from prewarp.budget.saccades import NATURAL_MEAN_DEG, peak_velocity_deg_per_s
from prewarp.errors import ShapeError


@pytest.fixture(scope="module")
def path():
    return eye_path(EyeMotion(saccades="reflexive"), np.random.default_rng(4), count=4000)


@pytest.fixture(scope="module")
def natural():
    return eye_path(EyeMotion(), np.random.default_rng(4), count=20_000)


@pytest.mark.outside
def test_natural_saccades_are_as_large_as_published(natural):
    amplitude = np.hypot(*np.diff(natural.gaze_deg, axis=1))
    # Bahill, Adler and Stark 1975, from memory: 86 % of the saccades of people outdoors within 15 degrees.
    assert (amplitude < 15.0).mean() == pytest.approx(0.86, abs=0.01)
    # Malinov et al. 2000, abstract: 83 % under 15 degrees, 53 % under 5, of unrestrained people at a table.
    assert (amplitude < 15.0).mean() == pytest.approx(0.83, abs=0.06)
    assert (amplitude < 5.0).mean() == pytest.approx(0.53, abs=0.06)
    # Baloh et al. 1975, from memory: 37 + 2.7 A ms.
    np.testing.assert_allclose(1000.0 * natural.duration_s, 37.0 + 2.7 * amplitude, rtol=1e-9)


def test_natural_gaze_spreads_as_asked_and_stays_within_its_limits(natural):
    for spread in ((8.0, 6.0), (4.0, 3.0)):
        motion = EyeMotion(gaze_sd_deg=spread)
        path = eye_path(motion, np.random.default_rng(2), count=20_000)
        np.testing.assert_allclose(path.gaze_deg.std(axis=1), spread, rtol=0.1)
        assert np.all(np.abs(path.gaze_deg).max(axis=1) <= motion.gaze_limit_deg)
        # Amplitudes go with the spread.
        mean = np.hypot(*np.diff(path.gaze_deg, axis=1)).mean()
        assert mean == pytest.approx(NATURAL_MEAN_DEG * spread[0] / 8.0, rel=0.05)
    # One place hangs together with the next, and with those further on no more.
    one = natural.gaze_deg[0] / natural.gaze_deg[0].std()
    assert 0.3 < one[1:] @ one[:-1] / len(one) < 0.9 and abs(one[40:] @ one[:-40]) / len(one) < 0.05


def test_slips_of_moments_have_the_law_of_the_path_s():
    motion = EyeMotion(slip_time_s=30.0)
    slip, drift = slips(motion, np.random.default_rng(0), 50_000)
    np.testing.assert_allclose(slip.std(axis=1), motion.slip_sd_mm, rtol=0.02)
    # A step of the chain, sqrt(2 - 2 e^(-1/30)) sigma, goes on for a second here.
    expected = np.sqrt(2.0 - 2.0 * np.exp(-1.0 / 30.0)) * np.array(motion.slip_sd_mm)
    np.testing.assert_allclose(drift.std(axis=1), expected, rtol=0.02)


@pytest.mark.outside
def test_lever_arms_of_fry_and_hill():
    # Fry and Hill (1962, 1963): centres of rotation 14.7 mm (horizontal) and 12.0 mm (vertical) behind the
    # cornea; entrance pupil 3.05 mm behind it. Lateral d sin 20, axial d (1 - cos 20), worked out by hand for
    # d = 11.65 and 8.95.
    right, _, retreat = EyeMotion().pupil_mm(np.array([[20.0], [0.0]]))
    assert right[0] == pytest.approx(3.9845, abs=1e-4) and retreat[0] == pytest.approx(-0.7026, abs=1e-4)
    _, up, retreat = EyeMotion().pupil_mm(np.array([[0.0], [20.0]]))
    assert up[0] == pytest.approx(3.0611, abs=1e-4) and retreat[0] == pytest.approx(-0.5397, abs=1e-4)


def test_oblique_gaze_is_two_turns_one_carried_by_the_other():
    motion, (a, b) = EyeMotion(), np.radians([17.0, -9.0])
    horizontal, vertical = motion.lever_mm
    # In the carried frame: from the horizontal centre forward to the vertical one, then along the turned line
    # of sight.
    own = np.array([0.0, vertical * np.sin(b), horizontal - vertical + vertical * np.cos(b)])
    turn = np.array([[np.cos(a), 0.0, np.sin(a)], [0.0, 1.0, 0.0], [-np.sin(a), 0.0, np.cos(a)]])
    expected = turn @ own - [0.0, 0.0, horizontal]
    np.testing.assert_allclose(motion.pupil_mm(np.array([[17.0], [-9.0]]))[:, 0], expected, atol=1e-12)


@pytest.mark.outside
def test_peak_velocities_of_the_main_sequence():
    # Means of 100 healthy people (abstract of PMC6143243): horizontal 5/15/30 deg 213/352/455, vertical
    # 5/10/20 deg 208/303/391.
    horizontal = peak_velocity_deg_per_s(np.array([[5.0, -15.0, 30.0], [0.0, 0.0, 0.0]]))
    np.testing.assert_allclose(horizontal, [213.0, 352.0, 455.0])
    vertical = peak_velocity_deg_per_s(np.array([[0.0, 0.0, 0.0], [5.0, 10.0, -20.0]]))
    np.testing.assert_allclose(vertical, [208.0, 303.0, 391.0])
    # Baloh et al., Neurology 25 (1975) 1065, from memory: V = 551 (1 - exp(-A / 14)); within a fifth from 10
    # degrees up.
    amplitude = np.array([10.0, 15.0, 20.0, 30.0])
    ours = peak_velocity_deg_per_s(np.stack([amplitude, 0.0 * amplitude]))
    np.testing.assert_allclose(ours, 551.0 * (1.0 - np.exp(-amplitude / 14.0)), rtol=0.2)


@pytest.mark.outside
def test_saccades_last_as_long_as_published(path):
    # Baloh et al. 1975, from memory: 37 + 2.7 A ms; ours follow from peak velocity and a minimum-jerk course.
    amplitude = np.hypot(*np.diff(path.gaze_deg, axis=1))
    some = (amplitude > 8.0) & (amplitude < 25.0)
    np.testing.assert_allclose(1000.0 * path.duration_s[some], 37.0 + 2.7 * amplitude[some], rtol=0.25)


def test_the_path_moves_as_fast_as_the_main_sequence_says(path):
    place = int(np.argmax(np.abs(np.diff(path.gaze_deg[0]))))
    still = EyeMotion(slip_sd_mm=(0.0, 0.0, 0.0), lever_mm=(10.0, 10.0))
    own = replace(path, motion=still, slip_mm=np.zeros_like(path.slip_mm))
    time = path.saccade_s[place] + np.linspace(0.0, path.duration_s[place], 4001)
    pupil = own.pupil_mm(time) + [[0.0], [0.0], [10.0]]
    unit = pupil / np.linalg.norm(pupil, axis=0)
    speed = np.degrees(np.arccos(np.clip(np.sum(unit[:, 1:] * unit[:, :-1], axis=0), -1.0, 1.0))) / np.diff(
        time
    )
    step = np.diff(path.gaze_deg, axis=1)[:, [place]]
    # Azimuth and elevation are no great circle: a few per cent.
    assert speed[500:-500].max() == pytest.approx(peak_velocity_deg_per_s(step)[0], rel=0.06)


def test_before_and_after_a_saccade_the_eye_rests(path):
    own = replace(path, slip_mm=np.zeros_like(path.slip_mm))
    before = own.pupil_mm(path.saccade_s[:50] - 1e-6)
    np.testing.assert_allclose(before, path.motion.pupil_mm(path.gaze_deg[:, :50]), atol=1e-9)
    after = own.pupil_mm(path.start_s[1:51] + 1e-6)
    np.testing.assert_allclose(after, path.motion.pupil_mm(path.gaze_deg[:, 1:51]), atol=1e-9)


def test_gaze_and_slip_spread_as_asked():
    # Gaze: the variance of a normal law cut at 2.5 sigmas is 1 - 2 a phi(a) / (2 Phi(a) - 1) = 0.9113 of the
    # whole.
    motion = EyeMotion(saccades="reflexive", slip_time_s=1.0)
    path = eye_path(motion, np.random.default_rng(1), count=40_000)
    np.testing.assert_allclose(path.gaze_deg.std(axis=1) / motion.gaze_sd_deg, np.sqrt(0.9113), rtol=0.02)
    assert np.all(np.abs(path.gaze_deg).max(axis=1) <= motion.gaze_limit_deg)
    np.testing.assert_allclose(path.slip_mm.std(axis=1), motion.slip_sd_mm, rtol=0.05)
    lag = path.slip_mm[0, 30:] @ path.slip_mm[0, :-30] / (path.slip_mm[0] @ path.slip_mm[0])
    assert lag == pytest.approx(np.exp(-1.0), abs=0.05)


def test_an_eye_that_never_moves_stays_centred():
    still = EyeMotion(gaze_sd_deg=(0.0, 0.0), slip_sd_mm=(0.0, 0.0, 0.0))
    path = eye_path(still, np.random.default_rng(0), count=50)
    np.testing.assert_array_equal(path.pupil_mm(np.linspace(0.0, path.length_s, 1000)), 0.0)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"gaze_sd_deg": (5.0,)}, r"gaze_sd_deg is \(5.0,\) \(1 entries\); expected a list of 2 numbers"),
        ({"saccades": "slow"}, "saccades is 'slow' .not known.; expected one of 'natural', 'reflexive'"),
        ({"slip_time_s": 0.0}, "slip_time_s is 0.0 .out of range.; expected a number from 1"),
        ({"lever_mm": (np.nan, 9.0)}, "lever_mm is"),
    ],
)
def test_settings_out_of_range_are_refused(change, message):
    with pytest.raises(ShapeError, match=message):
        EyeMotion(**change)
