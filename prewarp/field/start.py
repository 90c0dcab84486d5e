"""Start values for the inverse: a polynomial in direction cosines and pupil, fitted to the field itself."""

from dataclasses import dataclass

import numpy as np
from scipy import linalg

from prewarp.chebyshev import nodes_1d, values_2d
from prewarp.checks import FloatArray, extent
from prewarp.field.border import inside_convex
from prewarp.fitting.chebyshev import ChebyshevPanel
from prewarp.fitting.expansion import Expansion, pupil_sum
from prewarp.points import lattice_points

DEGREE = 9
PUPIL_DEGREE = 3
NODES = 25
PUPIL_NODES = 4
RIDGE = 1e-11
# Nodes lie this far beyond the border at most, as a share of its longer side.
SLACK = 0.02


@dataclass(frozen=True)
class StartMap:
    """Panel point as a polynomial in (qx, qy, x, y): coefficients (panel functions, pupil functions, 2), px.

    `centre`, `half` (2,): direction cosines are normalised to (q - centre) / half.
    """

    centre: FloatArray
    half: FloatArray
    expansion: Expansion

    def pixel(self, cosine: FloatArray, reference_mm: FloatArray, /) -> FloatArray:
        """Return start panel points (n, 2), px; directions far outside the fitted region go to its edge."""
        scaled = np.clip((cosine - self.centre) / self.half, -1.1, 1.1)
        x, y = self.expansion.frame.normalised(np.asarray(reference_mm))
        pupil = values_2d(np.clip(x, -1.2, 1.2), np.clip(y, -1.2, 1.2), PUPIL_DEGREE)
        panel = (scaled + 1.0) * np.array(self.expansion.panel.size_px) / 2.0
        return pupil_sum(self.expansion.panel.sums(panel, self.expansion.coefficients), pupil).T


def fit_start_map(expansion: Expansion, border_pixel: FloatArray, /) -> StartMap:
    """Fit the start map on Chebyshev nodes of the panel within its border (k, 2) px, and of the pupil.

    The pupil functions go with panel functions of a total degree that falls with theirs, as in the field
    itself.
    """
    nodes = 1.02 * nodes_1d(NODES)
    low, high = extent(border_pixel)
    panel = (low + high) / 2.0 + lattice_points(nodes, nodes) * (high - low) / 2.0
    # Outside the border the field is no more than a guess, and may fold.
    panel = panel[inside_convex(panel, border_pixel, slack=SLACK * float(np.max(high - low)))]
    pupil_nodes = nodes_1d(PUPIL_NODES)
    x, y = np.repeat(lattice_points(pupil_nodes, pupil_nodes), len(panel), axis=0).T
    pixel = np.tile(panel, (PUPIL_NODES**2, 1))
    frame = expansion.frame
    reference = np.stack([x, y], axis=-1) * np.array(frame.half_mm) + np.array(frame.centre_mm)
    cosine = expansion.values(pixel, reference).T
    low, high = extent(cosine)
    centre, half = (low + high) / 2.0, (high - low) / 2.0
    scaled = (cosine - centre) / half
    base = values_2d(scaled[:, 0], scaled[:, 1], DEGREE)
    pupil = values_2d(x, y, PUPIL_DEGREE)
    basis = ChebyshevPanel(expansion.panel.size_px, DEGREE)
    pairs = [
        (i, j)
        for i, a in enumerate(_orders(base.shape[0]))
        for j, b in enumerate(_orders(pupil.shape[0]))
        if a + 2 * b <= DEGREE
    ]
    first, second = np.array(pairs).T
    design = (base[first] * pupil[second]).T
    # Normal equations lose half the digits; a start value needs three.
    size = np.linalg.norm(design, axis=0)
    design /= size
    gram = design.T @ design
    gram[np.diag_indices_from(gram)] += RIDGE
    solution = linalg.cho_solve(linalg.cho_factor(gram), design.T @ pixel) / size[:, None]
    coefficients = np.zeros((base.shape[0], pupil.shape[0], 2))
    coefficients[first, second] = solution
    return StartMap(centre, half, Expansion(basis, frame, PUPIL_DEGREE, coefficients))


def _orders(count: int) -> list[int]:
    """Return the total degree of each function of a graded basis."""
    return [degree for degree in range(count) for _ in range(degree + 1)][:count]
