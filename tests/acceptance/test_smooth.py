"""Lengths that 95 % of steps stay under, of steps in closed form: what is told, and how sure it is."""

import numpy as np
import pytest
from scipy.stats import qmc

from prewarp.acceptance.smooth import Points, Smooth

BOX_MM = np.array([[-3.0, -2.0, 0.0], [3.0, 2.0, 0.0]])
PANEL_PX = np.array([320.0, 240.0])
TWO = np.array([[-1.7, -1.2, 0.0], [1.7, 1.2, 0.0]])
NOISE = 0.05


def smooth(step_of, pupils, dots=13):
    """Return what is told apart of steps `step_of(place from -1 to 1, pupil)`, with noise."""
    axes = [np.linspace(0.02, 0.98, dots) * length for length in PANEL_PX]
    lattice = np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)
    place = np.tile(lattice, (len(pupils), 1))
    pupil, shot = np.repeat(pupils, len(lattice), axis=0), np.repeat(np.arange(len(pupils)), len(lattice))
    noise = NOISE * np.random.default_rng(5).standard_normal(place.shape)
    step = step_of(2.0 * place / PANEL_PX - 1.0, pupil) + noise
    there = qmc.Halton(4, scramble=False).random(4096)
    reference = BOX_MM[0, :2] + (BOX_MM[1] - BOX_MM[0])[:2] * there[:, 2:]
    points = Points(PANEL_PX * there[:, :2], reference, np.arange(4096) // 512)
    return Smooth(step, place, pupil[:, :2], shot, BOX_MM, points)


def shifted(place, pupil):
    """A shift of 6 px; with the pupil a twentieth as much changes, by a pattern over the panel."""
    return np.array([6.0, 0.0]) + 0.3 * place * pupil[:, :1] / BOX_MM[1, 0]


def test_a_shift_from_two_positions_is_not_taken_for_a_sign_of_change():
    """What changes with the pupil has sizes of its own over the panel, and a second degree an eighth of the
    first: by one law for all degrees, or a second as large as the first, sigma was twice as large.
    """
    told = smooth(shifted, TWO).told(NOISE, 0.1)
    # The 95th percentile of a product of two even laws.
    place, pupil = np.random.default_rng(1).uniform(-1.0, 1.0, (2, 100_000))
    wanted = np.quantile(6.0 + 0.3 * place * pupil, 0.95)
    assert told.value == pytest.approx(wanted, abs=2.0 * told.sigma)
    assert 0.03 < told.sigma < 0.1


def test_points_at_which_a_length_is_read_off_leave_something_open():
    """Steps that rise steeply to the rim: so many points tell the length only so well."""
    found = smooth(lambda place, pupil: 4.0 * place**3, np.array([*TWO, -TWO[0] * [1, -1, 1], [0, 0, 0]]))
    told = found.told(NOISE, 0.1)
    dense = np.stack(np.meshgrid(*[(np.arange(400) + 0.5) / 200.0 - 1.0] * 2), axis=-1).reshape(-1, 2)
    wanted = np.quantile(np.linalg.norm(4.0 * dense**3, axis=1), 0.95)
    assert 0.001 * wanted < told.read_off < 0.05 * wanted
    assert told.value == pytest.approx(wanted, abs=3.0 * told.sigma)
