"""Samples and their nearest others: what a suspect is held against, and what dots of one view scatter."""

import numpy as np
from scipy.spatial import cKDTree

from prewarp.checks import FloatArray, IntArray

# Dots per colour of which neighbours are looked at, at most, whole views each.
MOST_DOTS = 2500
NEIGHBOURS = 20
# Residuals count where the quadric at the dot is no wilder than this: dots well inside.
MOST_GAIN = 1.0
# The same of polynomials of degree 4: they go by what neighbours further out say.
_MOST_GAIN_HIGHER = 8.0
# Fewer differences do not tell a scatter.
FEWEST_DOTS = 30
# Keeps neighbours on one line solvable.
RIDGE = 1e-9


def nearest_others(place: FloatArray, suspect: IntArray, count: int, /) -> IntArray:
    """Return the numbers (s, k) of the points nearest to each suspect (s,) among places (n, axes).

    k is `count`, or n - 1 where that is less. A repeat of a suspect may come before it: what is left out is
    the suspect's own number.
    """
    _, near = cKDTree(place).query(place[suspect], k=min(count + 1, len(place)))
    near = np.asarray(near)
    own = near == suspect[:, None]
    own[~own.any(axis=1), -1] = True
    result: IntArray = near[~own].reshape(len(suspect), -1)
    return result


def local_differences(
    pixel: FloatArray, view: IntArray, rest_px: FloatArray, /, *, degree: int = 2
) -> FloatArray:
    """Return what residuals differ by from a quadric through their neighbours' of the same view, (2, m).

    Scaled so that noise of unit variance gives unit variance. Of a few views, dots well inside alone. With
    `degree` 4 a polynomial of that degree takes the quadric's place.

    Parameters
    ----------
    pixel : (n, 2) float array
        Panel points, px.
    view : (n,) int array
        Equal for samples of one pupil position.
    rest_px : (2, n) float array
        Residuals, px.
    """
    order = np.argsort(view, kind="stable")
    edges = np.flatnonzero(np.diff(view[order], prepend=-1, append=-1))
    views = [order[low:high] for low, high in zip(edges[:-1], edges[1:], strict=True)]
    views = [rows for rows in views if len(rows) > NEIGHBOURS]
    # Views spread over all of them, as many as make up enough dots.
    wanted = max(1, MOST_DOTS // max(len(views[0]), 1)) if views else 0
    found = []
    for rows in views[:: max(1, len(views) // max(wanted, 1))]:
        points = pixel[rows]
        found_near = cKDTree(points).query(points, k=NEIGHBOURS + 1)
        distance, near = np.asarray(found_near[0]), np.asarray(found_near[1], dtype=np.int64)
        offset = (points[near[:, 1:]] - points[:, None]) / distance[:, -1:, None]
        x, y = ([offset[..., axis] ** power for power in range(degree + 1)] for axis in range(2))
        powers = [(i - j, j) for i in range(degree + 1) for j in range(i + 1)]
        basis = np.stack([x[i] * y[j] for i, j in powers], axis=-1)
        # The polynomial's value at the dot is the first coefficient: a weighted sum of the neighbours.
        normal = np.swapaxes(basis, 1, 2) @ basis
        terms = len(powers)
        normal[:, np.arange(terms), np.arange(terms)] += RIDGE
        first = np.linalg.solve(normal, np.broadcast_to(np.eye(terms)[:, :1], (len(rows), terms, 1)))
        weights = (basis @ first)[..., 0]
        gain = np.sum(weights**2, axis=1)
        inside = gain <= (MOST_GAIN if degree == 2 else _MOST_GAIN_HIGHER)
        rest = rest_px[:, rows]
        smooth = np.einsum("nk,cnk->cn", weights, rest[:, near[:, 1:]])
        found.append(((rest - smooth) / np.sqrt(1.0 + gain))[:, inside])
    return np.concatenate(found, axis=1) if found else np.zeros((2, 0))


def nearest_rows(place: FloatArray, wanted: FloatArray, /) -> IntArray:
    """Return which of places (n, axes) is nearest to each wanted one (k, axes), (k,)."""
    return np.asarray(cKDTree(place).query(wanted)[1], dtype=np.int64)
