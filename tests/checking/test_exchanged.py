"""Photographs of two pupil positions exchanged whole, in exact traces of the coaxial demo; right ones."""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.checking import check_grid
from tests.poses import captures

LABELS = captures.pupil_lattice(2.0)


@pytest.fixture(scope="module")
def right():
    still = captures.stage_errors(25, np.random.default_rng(1), size=0.0)
    return captures.capture(still, LABELS, np.random.default_rng(1), dots=11, noise_px=0.02)


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
