"""Where a map shows directions, in double precision: for measuring what an eye sees.

A device never asks this of its maps, and what it would find with 32 bits (`PreparedMap.panel_from_direction`)
is the same to some 0.001 px. Newton's method with the slopes of the Chebyshev sums themselves.
"""

from functools import lru_cache

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import NDArray

from prewarp.chebyshev import exponents_of_degree, values_1d
from prewarp.checks import FloatArray, IntArray, as_pixel, as_tangent
from prewarp.lookup.device import DONE, FARTHEST, INVERSE_STEPS, LONGEST_STEP, PreparedMap, Status
from prewarp.lookup.tables import Family

# After a step as long as this, in half panels, what is left is of its square: some 1e-4 px.
_LAST_STEP = 3e-4


def panel_near(
    own: PreparedMap, tangent: FloatArray, near: FloatArray, /
) -> tuple[FloatArray, NDArray[np.int64]]:
    """Return panel points (n, 2), px, and the `Status` (n,) of each, for directions (n, 2).

    `near` (n, 2): panel points, px, with which to begin.
    """
    chain = _chain(own)
    if any(one.family != Family.CHEBYSHEV for one in chain):
        pixel, status = own.panel_from_direction(tangent, near=near)
        return pixel.astype(float), status
    table, goal = _sums_along(chain), as_tangent(tangent).T
    half = 0.5 * np.array(own.panel_size_px, dtype=float)
    place = (as_pixel(near) / half - 1.0).T
    status = np.full(goal.shape[1], Status.NOT_CONVERGED, dtype=np.int64)
    active = np.arange(goal.shape[1])
    for _ in range(INVERSE_STEPS):
        if not active.size:
            break
        move = _step(table, place[:, active], goal[:, active])
        moved = np.clip(place[:, active] + move, -float(FARTHEST), float(FARTHEST))
        known = np.isfinite(moved).all(axis=0)
        place[:, active[known]] = moved[:, known]
        done = known & np.all(np.abs(move) <= _LAST_STEP, axis=0)
        status[active[done]] = Status.OK
        active = active[known & ~done]
    outside = (status == Status.OK) & np.any(np.abs(place) > 1.0 + float(DONE), axis=0)
    status[outside] = Status.OFF_PANEL
    return (place.T + 1.0) * half, status


def _chain(own: PreparedMap) -> list[PreparedMap]:
    return [own] if own.base is None else [own, *_chain(own.base)]


@lru_cache(maxsize=8)
def _places(degree: int) -> tuple[IntArray, IntArray]:
    exponents = exponents_of_degree(degree)
    return exponents[:, 0], exponents[:, 1]


def _sums_along(chain: list[PreparedMap]) -> FloatArray:
    """Return coefficients (6, j, i) of T_i(s) T_j(t): of a map and its bases together, tx and ty, then of the
    slopes of both by s and by t.
    """
    terms = max(one.columns for one in chain)
    table = np.zeros((2, terms, terms))
    for one in chain:
        i, j = _places(one.columns - 1)
        table[:, j, i] += one.coefficients
    slopes = np.zeros((2, 2, terms, terms))
    slopes[0, :, :, : terms - 1] = chebyshev.chebder(table, axis=2)
    slopes[1, :, : terms - 1] = chebyshev.chebder(table, axis=1)
    return np.concatenate([table, *slopes])


def _step(table: FloatArray, place: FloatArray, goal: FloatArray) -> FloatArray:
    """Return the step (2, n) towards where a map shows `goal` (2, n) from `place` (2, n), each cut off."""
    terms = table.shape[1]
    in_s, in_t = (values_1d(one, terms - 1) for one in place)
    along = (table.reshape(-1, terms) @ in_s).reshape(len(table), terms, -1)
    x, y, x_by_s, y_by_s, x_by_t, y_by_t = np.einsum("kjn,jn->kn", along, in_t)
    right, down = goal[0] - x, goal[1] - y
    with np.errstate(all="ignore"):
        determinant = x_by_s * y_by_t - x_by_t * y_by_s
        move = np.stack([right * y_by_t - x_by_t * down, x_by_s * down - right * y_by_s]) / determinant
    longest = float(LONGEST_STEP)
    return np.asarray(np.clip(move, -longest, longest))
