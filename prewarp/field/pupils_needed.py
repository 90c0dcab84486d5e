"""How many pupil positions a fitted field needs for a wanted error: the sizes of its own terms."""

import numpy as np

from prewarp.chebyshev import exponents_of_degree
from prewarp.checks import FloatArray
from prewarp.field.border import inside_convex
from prewarp.field.captured import Captured
from prewarp.field.field import Field
from prewarp.pupils.needed import PupilsNeeded, positions_for

POINTS = 600


def pupils_needed(field: Field, captured: Captured, /, *, wanted_px: float) -> PupilsNeeded:
    """Return how many pupil positions each way a field needs for an error of `wanted_px`, RMS.

    Not known from a capture that does not show every motion, or of fewer than three positions each way: how
    fast terms fall needs two degrees.
    """
    return positions_for(term_sizes_px(field), wanted_px=wanted_px, shows_motion=captured.shows_motion)


def term_sizes_px(field: Field, /) -> FloatArray:
    """Return the RMS size of the terms of each pupil degree, (degree + 1,), px of the panel."""
    expansion, frame = field.expansion, field.expansion.frame
    random = np.random.default_rng(0)
    pixel = random.uniform(0.0, 1.0, (POINTS, 2)) * field.panel_size_px
    pixel = pixel[inside_convex(pixel, field.border_pixel, slack=0.0)]
    reference = np.array(frame.centre_mm) + random.uniform(-1.0, 1.0, (len(pixel), 2)) * frame.half_mm
    inner = expansion.panel.sums(pixel, expansion.coefficients)
    pupil = frame.values(reference, expansion.pupil_degree)
    order = exponents_of_degree(expansion.pupil_degree).sum(axis=1)
    _, slope = expansion.values_and_jacobian(pixel, reference)
    to_panel = np.linalg.inv(np.moveaxis(slope, -1, 0))
    sizes = []
    for degree in range(expansion.pupil_degree + 1):
        part = np.einsum("cjn,jn->nc", inner[:, order == degree], pupil[order == degree])
        moved = np.einsum("nij,nj->ni", to_panel, part)
        sizes.append(float(np.sqrt(np.mean(np.sum(moved * moved, axis=1)))))
    return np.array(sizes)
