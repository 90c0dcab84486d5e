"""Expansions and lit regions as plain arrays with a description, and back: every size checked against the
others.
"""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from prewarp.chebyshev import count_of_degree
from prewarp.checks import FloatArray
from prewarp.errors import ShapeError
from prewarp.field.lit import LitRegion
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


def lit_arrays(
    regions: Sequence[LitRegion], /
) -> tuple[list[dict[str, object]], dict[str, NDArray[np.generic]]]:
    """Return a description of each region for JSON and the arrays that go with them."""
    description: list[dict[str, object]] = [
        {
            "spacing_px": lit.spacing_px,
            "pupil_centre_mm": list(lit.frame.centre_mm),
            "pupil_half_mm": list(lit.frame.half_mm),
        }
        for lit in regions
    ]
    arrays: dict[str, NDArray[np.generic]] = {}
    for place, lit in enumerate(regions):
        arrays[f"lit{place}_exponents"] = lit.exponents.astype(np.uint8)
        arrays[f"lit{place}_coefficients"] = lit.coefficients
    return description, arrays


def lit_from_arrays(
    description: Sequence[Mapping[str, Any]],
    arrays: Mapping[str, NDArray[np.generic]],
    size_px: tuple[int, int],
    /,
) -> tuple[LitRegion, ...]:
    """Return the lit regions; ValueError or KeyError when description and arrays do not fit together."""
    regions = []
    for place, one in enumerate(description):
        centre, half = (
            (float(x), float(y)) for x, y in (one[name] for name in ("pupil_centre_mm", "pupil_half_mm"))
        )
        if not np.isfinite([*centre, *half]).all() or min(half) <= 0.0:
            raise ValueError("the frame of a lit region is not finite with positive halves")
        try:
            region = LitRegion(
                size_px,
                PupilFrame(centre, half),
                arrays[f"lit{place}_exponents"].astype(int),
                arrays[f"lit{place}_coefficients"].astype(float),
                float(one["spacing_px"]),
            )
        except ShapeError as cause:
            raise ValueError(str(cause)) from cause
        regions.append(region)
    return tuple(regions)
