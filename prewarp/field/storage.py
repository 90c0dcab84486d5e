"""Expansions as plain arrays with a description, and back, with every size checked against every other."""

import numpy as np

from prewarp.chebyshev import count_of_degree
from prewarp.fitting.chebyshev import ChebyshevPanel
from prewarp.fitting.expansion import Expansion
from prewarp.fitting.pupil import PupilFrame
from prewarp.fitting.splines import MeshPanel, SplinePanel

MAX_DEGREE = 40
MAX_CELLS = 256


def expansion_arrays(expansion: Expansion, /) -> tuple[dict, dict[str, np.ndarray]]:
    """Return a description for JSON and the arrays that go with it."""
    is_mesh = isinstance(expansion.panel, MeshPanel)
    trend = expansion.panel.trend if is_mesh else expansion.panel
    description = {
        "family": "mesh" if is_mesh else "polynomial",
        "degree": trend.degree,
        "panel_half_px": list(trend.half),
        "pupil_degree": expansion.pupil_degree,
        "pupil_centre_mm": list(expansion.frame.centre_mm),
        "pupil_half_mm": list(expansion.frame.half_mm),
    }
    if is_mesh:
        description["cells"] = list(expansion.panel.spline.cells)
    return description, {"coefficients": expansion.coefficients}


def expansion_from_arrays(
    description: dict, arrays: dict[str, np.ndarray], size_px: tuple[int, int], /
) -> Expansion:
    """Return the expansion; ValueError or KeyError when description and arrays do not fit together."""
    degree, pupil_degree = int(description["degree"]), int(description["pupil_degree"])
    family = description["family"]
    if family not in ("polynomial", "mesh") or not (
        0 <= degree <= MAX_DEGREE and 0 <= pupil_degree <= MAX_DEGREE
    ):
        raise ValueError(f"family {family!r}, degrees {degree} and {pupil_degree}")
    centre = tuple(float(value) for value in description["pupil_centre_mm"])
    half = tuple(float(value) for value in description["pupil_half_mm"])
    covered = tuple(float(value) for value in description["panel_half_px"])
    if (len(centre), len(half), len(covered)) != (2, 2, 2):
        raise ValueError("the frames of panel and pupil are not two numbers each")
    if not np.isfinite([*centre, *half, *covered]).all() or min(*half, *covered) <= 0.0:
        raise ValueError("the frames of panel and pupil are not finite with positive halves")
    panel: ChebyshevPanel | MeshPanel = ChebyshevPanel(size_px, degree, covered)
    if family == "mesh":
        cells_u, cells_v = (int(count) for count in description["cells"])
        if not (1 <= cells_u <= MAX_CELLS and 1 <= cells_v <= MAX_CELLS):
            raise ValueError(f"a mesh of {cells_u} x {cells_v} cells")
        panel = MeshPanel(panel, SplinePanel(size_px, (cells_u, cells_v)))
    coefficients = arrays["coefficients"].astype(float)
    expected = (panel.count, count_of_degree(pupil_degree), 2)
    if coefficients.shape != expected or not np.isfinite(coefficients).all():
        raise ValueError(f"coefficients of shape {coefficients.shape}; expected finite {expected}")
    return Expansion(panel, PupilFrame(centre, half), pupil_degree, coefficients)
