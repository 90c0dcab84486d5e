"""Photographs of two pupil positions exchanged whole, in exact traces of the coaxial demo; right ones."""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.checking import check_grid
from prewarp.checking.exchanged import find_exchange
from tests.poses import captures

LABELS = captures.pupil_lattice(2.0)


@pytest.fixture(scope="module")
def right():
    still = captures.stage_errors(25, np.random.default_rng(1), size=0.0)
    return captures.capture(still, LABELS, np.random.default_rng(1), dots=11, noise_px=0.02)


@pytest.mark.parametrize(("second", "told"), [(-1.0, True), (1.0, False), (0.0, False)])
def test_only_opposite_shifts_are_an_exchange(second, told):
    """A lattice of 4 x 4 positions, two of them off by 3 px."""
    x, y = np.meshgrid(np.linspace(-1.0, 1.0, 4), np.linspace(-1.0, 1.0, 4))
    terms = np.stack([np.ones(16), x.ravel(), y.ravel()], axis=1)
    shift = 0.02 * np.random.default_rng(1).standard_normal((16, 2))
    shift[5] += [3.0, 0.0]
    shift[6] += [3.0 * second, 0.0]
    found = find_exchange(np.arange(16), shift, terms, least_px=0.2)
    assert (found is not None) == told
    assert found is None or sorted(found.groups) == [5, 6]


def test_neighbours_that_were_exchanged_are_told(right):
    """3 mm apart each hides the other from a test of single shots."""
    pupil = right.pupil_mm.copy()
    one, two = ((right.pupil_mm == LABELS[place]).all(axis=1) for place in (6, 8))
    pupil[one], pupil[two] = LABELS[8], LABELS[6]
    (found,) = [
        told for told in check_grid(replace(right, pupil_mm=pupil)).findings if told.severity != "remark"
    ]
    assert found.kind == "shot" and "look exchanged" in found.text
    assert set(found.rows) == set(right.row[one | two].tolist())


def test_right_ones_are_not(right):
    assert not [told for told in check_grid(right).findings if told.severity != "remark"]
