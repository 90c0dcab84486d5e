"""The tracker budget: how accurate and how fast an eye tracker must be for the seam to hold.

Reading order: `eye` (how the pupil moves), `tracker`, `surface` (the seam error as a polynomial of pupil and
tracked pupil), `residual` (what stays when the tracker is right), `scene`, `simulate` (Monte Carlo),
`frontier`, `budget`.
"""

from prewarp.budget.budget import Budget, tracker_budget
from prewarp.budget.eye import EyeMotion
from prewarp.budget.frontier import Frontier
from prewarp.budget.of_eye import seam_budget
from prewarp.budget.residual import lookup_residual
from prewarp.budget.scene import BudgetScene, Limit
from prewarp.budget.simulate import Simulation, simulate
from prewarp.budget.surface import SeamSurface, seam_surface
from prewarp.tracker import Tracker

__all__ = [
    "Budget",
    "BudgetScene",
    "EyeMotion",
    "Frontier",
    "Limit",
    "SeamSurface",
    "Simulation",
    "Tracker",
    "lookup_residual",
    "seam_budget",
    "seam_surface",
    "simulate",
    "tracker_budget",
]
