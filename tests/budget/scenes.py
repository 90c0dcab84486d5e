"""Seams in closed form for the budget: planes at two distances, so seam error is linear in pupil error."""

import numpy as np

from prewarp.budget import BudgetScene, EyeMotion, seam_surface
from prewarp.module import EyeBox
from tests.closed_form import two_channels

BOX = EyeBox(6.0, 5.0, 2.0)
STILL = EyeMotion(gaze_sd_deg=(0.0, 0.0), slip_sd_mm=(0.0, 0.0, 0.0))
AHEAD = np.zeros((1, 2))
# Planes at 1.5 m and 3 m are a third of a dioptre apart: a third of a mrad per mm, 1.14592 arcmin.
ARCMIN_PER_MM = 1000.0 / 3000.0 * 180.0 * 60.0 / np.pi / 1000.0


def linear_scene(tangent=AHEAD, *, motion=STILL, box=BOX, distance_m=(1.5, 3.0), **residual):
    left, right = two_channels(distance_m=distance_m)
    return BudgetScene(seam_surface(left, right, tangent, eye_box=box), motion, **residual)
