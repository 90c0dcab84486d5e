"""Expansions as plain arrays with a description, and back, with every size checked against every other."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from prewarp.chebyshev import count_of_degree
from prewarp.checks import FloatArray
from prewarp.fitting.chebyshev import ChebyshevPanel
from prewarp.fitting.expansion import Expansion, PanelBasis
from prewarp.fitting.pupil import PupilFrame
from prewarp.fitting.splines import MeshPanel, SplinePanel

MAX_DEGREE = 40
MAX_CELLS = 256


def expansion_arrays(expansion: Expansion, /) -> tuple[dict[str, object], dict[str, FloatArray]]:
    """Return a description for JSON and the arrays that go with it."""
    panel = expansion.panel
    trend = panel.trend if isinstance(panel, MeshPanel) else panel
    assert isinstance(trend, ChebyshevPanel)  # there are two kinds of panel basis
    description: dict[str, object] = {
        "family": "mesh" if isinstance(panel, MeshPanel) else "polynomial",
        "degree": trend.degree,
        "panel_half_px": list(trend.half),
        "pupil_degree": expansion.pupil_degree,
        "pupil_centre_mm": list(expansion.frame.centre_mm),
        "pupil_half_mm": list(expansion.frame.half_mm),
    }
    if isinstance(panel, MeshPanel):
        description["cells"] = list(panel.spline.cells)
    return description, {"coefficients": expansion.coefficients}


def expansion_from_arrays(
    description: Mapping[str, Any], arrays: Mapping[str, NDArray[np.generic]], size_px: tuple[int, int], /
) -> Expansion:
    """Return the expansion; ValueError or KeyError when description and arrays do not fit together."""
    degree, pupil_degree = int(description["degree"]), int(description["pupil_degree"])
    family = description["family"]
    if family not in ("polynomial", "mesh") or not (
        0 <= degree <= MAX_DEGREE and 0 <= pupil_degree <= MAX_DEGREE
    ):
        raise ValueError(f"family {family!r}, degrees {degree} and {pupil_degree}")
    names = ("pupil_centre_mm", "pupil_half_mm", "panel_half_px")
    centre, half, covered = ((float(x), float(y)) for x, y in (description[name] for name in names))
    if not np.isfinite([*centre, *half, *covered]).all() or min(*half, *covered) <= 0.0:
        raise ValueError("the frames of panel and pupil are not finite with positive halves")
    trend = ChebyshevPanel(size_px, degree, covered)
    panel: PanelBasis = trend
    if family == "mesh":
        cells_u, cells_v = (int(count) for count in description["cells"])
        if not (1 <= cells_u <= MAX_CELLS and 1 <= cells_v <= MAX_CELLS):
            raise ValueError(f"a mesh of {cells_u} x {cells_v} cells")
        panel = MeshPanel(trend, SplinePanel(size_px, (cells_u, cells_v)))
    coefficients = arrays["coefficients"].astype(float)
    expected = (panel.count, count_of_degree(pupil_degree), 2)
    if coefficients.shape != expected or not np.isfinite(coefficients).all():
        raise ValueError(f"coefficients of shape {coefficients.shape}; expected finite {expected}")
    return Expansion(panel, PupilFrame(centre, half), pupil_degree, coefficients)
