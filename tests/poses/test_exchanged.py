"""Photographs of two positions exchanged, by a stage off by 0.1 mm and an arcmin: free poses tell."""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.poses import free_poses
from prewarp.poses.exchanged import exchanged_shots
from tests.poses import captures

# Depth of the capture, and two labels of 5 x 5; the last beyond a corner.
CASES = [(2.0, (6, 8)), (0.0, (6, 7)), (2.0, (0, 1))]


@pytest.mark.parametrize(("depth_mm", "which"), CASES)
def test_exact_traces_with_two_exchanged_are_told(depth_mm, which):
    labels = captures.pupil_lattice(depth_mm)
    random = np.random.default_rng(0)
    grid = captures.capture(captures.stage_errors(25, random), labels, random, dots=13)
    pupil = grid.pupil_mm.copy()
    one, other = ((grid.pupil_mm == labels[k]).all(axis=1) for k in which)
    pupil[one], pupil[other] = labels[which[1]], labels[which[0]]
    sizes = {one.name: one.panel.size_px for one in captures.design("coaxial")[0].channels}
    found = free_poses(replace(grid, pupil_mm=pupil), panel_size_px=sizes)
    (pair,) = found.exchanged
    at = [found.shots.label_mm[found.shots.names.index(name)] for name in pair]
    assert {tuple(label) for label in at} == {tuple(labels[k]) for k in which}
    assert sum("look exchanged" in line for line in found.lines()) == 1
    assert found.as_dict()["exchanged"] == [list(pair)]


def test_a_slip_onto_a_label_or_beside_one_is_no_exchange():
    label = np.array([[x, y, 0.0] for y in (-2.0, 0.0, 2.0) for x in (-2.0, 0.0, 2.0)])
    offset = np.zeros_like(label)
    offset[0] = label[1] - label[0]  # the other did not slip
    assert exchanged_shots(label, offset, [0]) == []
    offset[1] = [0.0, 1.2, 0.3]  # slipped, to nobody's place: which photograph it is remains
    assert exchanged_shots(label, offset, [0, 1]) == [(0, 1)]
    offset[1] = label[0] - label[1]
    assert exchanged_shots(label, offset, [0, 1]) == [(0, 1)]
    offset[1] = label[4] - label[1]  # two slips in a row
    assert exchanged_shots(label, offset, [0, 1]) == []
    offset[0] = 0.5 * (label[1] - label[0])
    assert exchanged_shots(label, offset, [0, 1]) == []
