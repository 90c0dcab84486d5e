"""Expansions as plain arrays with a description, and back, with every size checked against every other."""

import numpy as np

from prewarp.fitting.chebyshev import ChebyshevPanel, count_of_degree
from prewarp.fitting.expansion import Expansion
from prewarp.fitting.pupil import PupilFrame

MAX_DEGREE = 40


def expansion_arrays(expansion: Expansion, /) -> tuple[dict, dict[str, np.ndarray]]:
    """Return a description for JSON and the arrays that go with it."""
    description = {
        "family": "polynomial",
        "degree": expansion.panel.degree,
        "pupil_degree": expansion.pupil_degree,
        "pupil_centre_mm": list(expansion.frame.centre_mm),
        "pupil_half_mm": list(expansion.frame.half_mm),
    }
    return description, {"coefficients": expansion.coefficients}


def expansion_from_arrays(
    description: dict, arrays: dict[str, np.ndarray], size_px: tuple[int, int], /
) -> Expansion:
    """Return the expansion; ValueError or KeyError when description and arrays do not fit together."""
    degree, pupil_degree = int(description["degree"]), int(description["pupil_degree"])
    if description["family"] != "polynomial" or not (
        0 <= degree <= MAX_DEGREE and 0 <= pupil_degree <= MAX_DEGREE
    ):
        raise ValueError(f"family {description['family']!r}, degrees {degree} and {pupil_degree}")
    centre = tuple(float(value) for value in description["pupil_centre_mm"])
    half = tuple(float(value) for value in description["pupil_half_mm"])
    if len(centre) != 2 or len(half) != 2 or not np.isfinite([*centre, *half]).all() or min(half) <= 0.0:
        raise ValueError("the pupil frame is not two finite centres and two positive halves")
    coefficients = arrays["coefficients"].astype(float)
    expected = (count_of_degree(degree), count_of_degree(pupil_degree), 2)
    if coefficients.shape != expected or not np.isfinite(coefficients).all():
        raise ValueError(f"coefficients of shape {coefficients.shape}; expected finite {expected}")
    return Expansion(ChebyshevPanel(size_px, degree), PupilFrame(centre, half), pupil_degree, coefficients)
