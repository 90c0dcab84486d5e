"""Fewer than nine pupil positions, as a plan has them beside an earlier fit: right ones are not blamed."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from prewarp.capture.camera import turned_by
from prewarp.capture.dots import dot_lattice
from prewarp.capture.photograph.optics import OpticsOfDesign
from prewarp.capture.positions import plan_poses
from prewarp.checking import check_grid
from prewarp.grids import grid_from_samples
from tests.poses.captures import design, stage_errors

NOISE_PX = 0.005


@pytest.fixture(scope="module")
def module():
    return design("coaxial")[0]


def photographed(module, seed, moved_px=None):
    """Return the grid of 8 positions of the plan's choice by a usual stage, 17 x 17 dots; one photograph
    shows the middle dot `moved_px` off.
    """
    random = np.random.default_rng(seed)
    poses = plan_poses(np.array(module.eye_box.half_mm), 8, turn_deg=0.0)
    labels = np.array([one.pupil_mm for one in poses])
    errors = stage_errors(8, random)
    back = Rotation.from_rotvec(errors.turn_rad).as_matrix().transpose(0, 2, 1)
    optics = OpticsOfDesign(design("coaxial")[1], module)
    parts = []
    for channel in module.channels:
        dots = dot_lattice(channel.panel.size_px, (17, 17)).places
        shown = np.broadcast_to(dots, (8, *dots.shape)) + NOISE_PX * random.standard_normal((8, *dots.shape))
        if moved_px is not None and channel.name == "inner":
            near = np.hypot(*(dots - [1280.0, 1024.0]).T) < 60.0
            shown[3, near, 0] += moved_px
        place = (labels + errors.offset_mm)[:, None]
        seen = turned_by(optics(channel.name, "G").direction(shown, place), back[:, None])
        fine = np.isfinite(seen[..., 0])
        parts.append(
            {
                "channel": np.full(fine.sum(), channel.name),
                "pupil_mm": np.broadcast_to(labels[:, None], (*fine.shape, 3))[fine],
                "tangent": seen[fine],
                "pixel": np.broadcast_to(dots, (*fine.shape, 2))[fine],
            }
        )
    return grid_from_samples(colour="G", **{k: np.concatenate([one[k] for one in parts]) for k in parts[0]})


@pytest.mark.parametrize("seed", [1, 3])
def test_what_few_positions_do_not_show_is_no_fault(module, seed):
    result = check_grid(photographed(module, seed), module=module)
    assert [one.text for one in result.findings if one.severity != "remark"] == []


def test_a_dot_that_is_off_is_found_all_the_same(module):
    grid = photographed(module, 1, moved_px=2.0)
    (told,) = [one for one in check_grid(grid, module=module).findings if one.severity != "remark"]
    (row,) = told.rows
    assert np.hypot(*(grid.pixel[row - 1] - [1280.0, 1024.0])) < 60.0
