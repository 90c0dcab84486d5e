"""How high a polynomial the dots of a panel carry: between dots it must not swing further than noise does.

On a lattice of n columns the n-th power of u is a sum of lower ones at every dot: such a column is free
between the dots, and no dot that is left out shows it, since it lies in the same columns. Powers just below
are held at the dots and swing between them (Runge).

Of a lattice of directions every view has panel points of its own. What moves with the pupil as the dots do is
a polynomial of panel and pupil together, so views do not fill each other's gaps: each is asked alone. Of few
positions it is not: there are too few functions of the pupil to follow the dots, and all are asked together.
"""

import numpy as np
from scipy import linalg
from scipy.spatial import cKDTree

from prewarp.checks import FloatArray
from prewarp.fitting.chebyshev import ChebyshevPanel, exponents_up_to
from prewarp.fitting.samples import Samples

# Variance of a fitted place between dots, in those of one dot's place, up to which a degree is carried.
MOST_VARIANCE = 16.0
# More panel points than these are never so few columns or rows that a degree that is tried is not carried.
MANY_DOTS = 4096
# Views of a lattice of directions that are asked; cells, in parts of a dot's distance, in which directions of
# such a lattice fall again and again, also where shots are turned a little.
_VIEWS = 5
# A lattice of directions needs so many positions, and dots in a view, to be asked view by view.
_FEWEST_POSITIONS, _FEWEST_DOTS = 16, 16
_CELLS_A_DOT = 8.0
_NEIGHBOURS = 8
_SINGULAR = 1e-9


def degree_carried(samples: Samples, highest: int, /) -> int:
    """Return the highest degree, up to `highest`, that the panel points of samples carry."""
    if samples.count <= MANY_DOTS * samples.views and _shares_directions(samples):
        views = _views(samples)
    elif samples.dots <= MANY_DOTS:
        views = [samples.dot_pixel]
    else:
        return highest
    panel = samples.panel_basis(highest)
    variance = np.median([variance_between(one, panel) for one in views], axis=0)
    carried = np.flatnonzero(variance <= MOST_VARIANCE)
    return max(int(carried[-1]) if len(carried) else 0, 1)


def _shares_directions(samples: Samples) -> bool:
    """Return whether directions repeat from view to view, and panel points do not."""
    if samples.shares_dots:
        return False
    own = samples.colour == samples.colour[0]
    cosine, view = samples.cosine[own], samples.view[own]
    positions = len(np.unique(view))
    a_view = len(cosine) / positions
    if positions < _FEWEST_POSITIONS or a_view < _FEWEST_DOTS:
        return False
    distance = np.sqrt(np.prod(np.ptp(cosine, axis=0)) / a_view)
    # Directions along one line are no lattice.
    if distance == 0.0:
        return False
    cells = np.unique(np.floor(cosine * (_CELLS_A_DOT / distance)), axis=0)
    # Scattered ones fill nearly as many cells as there are rays.
    return 3 * len(cells) <= len(cosine)


def _views(samples: Samples) -> list[FloatArray]:
    """Return the panel points (n, 2) px of some views of the first colour, spread over all."""
    own = np.flatnonzero(samples.colour == samples.colour[0])
    view, size = np.unique(samples.view[own], return_counts=True)
    whole = view[size >= np.median(size)]
    chosen = whole[np.unique(np.linspace(0, len(whole) - 1, _VIEWS).astype(int))]
    return [samples.pixel[own[samples.view[own] == one]] for one in chosen]


def variance_between(pixel: FloatArray, panel: ChebyshevPanel, /) -> FloatArray:
    """Return the largest variance between dots (n, 2) px of polynomials of each degree 0 to that of `panel`.

    Halfway between each dot and its nearest others, for unit variance of the dots: phi' (P'P)^-1 phi, P the
    functions at the dots and phi in between. Infinite where the dots leave a function free.
    """
    order = exponents_up_to(panel.count - 1).sum(axis=1)[: panel.count]
    count = min(_NEIGHBOURS + 1, len(pixel))
    near = cKDTree(pixel).query(pixel, k=np.arange(2, count + 1))[1]
    pairs = np.stack([np.broadcast_to(np.arange(len(pixel))[:, None], near.shape), near], axis=-1)
    # Most are each other's nearest: each pair once.
    codes = np.unique(np.sort(pairs.reshape(-1, 2), axis=1) @ np.array([len(pixel), 1]))
    halfway = (pixel[codes // len(pixel)] + pixel[codes % len(pixel)]) / 2.0
    at_dots, between = panel.values(pixel).T, panel.values(halfway)
    triangle = np.asarray(linalg.qr(at_dots[:, : len(pixel)], mode="r")[0])[: min(at_dots.shape)]
    size = np.abs(np.diagonal(triangle))
    free = np.flatnonzero(size <= _SINGULAR * size.max())
    usable = int(free[0]) if len(free) else len(size)
    solved = linalg.solve_triangular(triangle[:usable, :usable], between[:usable], trans="T")
    summed = np.cumsum(solved**2, axis=0).max(axis=1)
    last = [np.count_nonzero(order <= degree) for degree in range(panel.degree + 1)]
    return np.array([summed[end - 1] if end <= usable else np.inf for end in last])
