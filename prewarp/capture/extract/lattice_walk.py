"""Dots of a bent lattice counted outward from one of them: which step across and down each lies at.

Each dot found hands on how far its neighbours lie, so that a lattice may bend, turn and shrink on its way.
Where a gap cannot be crossed the walk begins again beyond it: islands, whose counts have nothing in common.
"""

from collections import deque
from dataclasses import dataclass

import numpy as np

from prewarp.capture.extract.near import nearest
from prewarp.checks import BoolArray, FloatArray, IntArray

# A neighbour lies within this part of a step of where it is expected.
_TOLERANCE = 0.3
# Two directions of a lattice are at least so far from parallel (sine of the angle).
_LEAST_SINE = 0.5
_STARTS = 400
_SIDES = ((0, 1), (0, -1), (1, 1), (1, -1))


@dataclass(frozen=True)
class Island:
    """Dots that hang together: `blob` (k,) places in the list, `step` (k, 2) whole steps from the first."""

    blob: IntArray
    step: IntArray


def islands_of(place: FloatArray, size: FloatArray, least: int, /) -> list[Island]:
    """Return the islands of at least `least` dots, the one with the largest dot first.

    Parameters
    ----------
    place : (n, 2) float array
        Dots in the photograph, px.
    size : (n,) float array
        How large each is beside those around it: the walk begins at the largest.
    """
    free = np.ones(len(place), dtype=bool)
    near = nearest(place, place, 9)[1]
    found: list[Island] = []
    order = np.argsort(-size, kind="stable")
    for _ in range(_STARTS):
        left = order[free[order]]
        if len(left) < least:
            break
        start = int(left[0])
        island = _walk(place, near, start, free)
        if len(island.blob) >= least:
            free[island.blob] = False
            found.append(island)
        free[start] = False
    return found


def _walk(place: FloatArray, near: IntArray, start: int, free: BoolArray) -> Island:
    basis = _first_basis(place[near[start, 1:]] - place[start])
    if basis is None:
        return Island(np.array([start]), np.zeros((1, 2), dtype=int))
    at: dict[tuple[int, int], int] = {(0, 0): start}
    taken = {start}
    waiting = deque([(start, (0, 0), basis)])
    while waiting:
        blob, step, basis = waiting.popleft()
        around = near[blob, 1:]
        offset = place[around] - place[blob]
        for axis, sign in _SIDES:
            wanted = (step[0] + sign * (axis == 0), step[1] + sign * (axis == 1))
            if wanted in at:
                continue
            expected = sign * basis[axis]
            off = np.hypot(*(offset - expected).T)
            best = int(np.argmin(off))
            other = int(around[best])
            if off[best] > _TOLERANCE * np.hypot(*expected) or other in taken or not free[other]:
                continue
            at[wanted] = other
            taken.add(other)
            mended = basis.copy()
            mended[axis] = 0.5 * (basis[axis] + sign * offset[best])
            waiting.append((other, wanted, mended))
    return Island(np.array(list(at.values())), np.array(list(at)))


def _first_basis(offset: FloatArray) -> FloatArray | None:
    """Return the shortest step (2, 2) to a neighbour, and the shortest of another direction."""
    length = np.hypot(offset[:, 0], offset[:, 1])
    first = int(np.argmin(length))
    cross = offset[first, 0] * offset[:, 1] - offset[first, 1] * offset[:, 0]
    other = np.flatnonzero(np.abs(cross) > _LEAST_SINE * length * length[first])
    if len(other) == 0:
        return None
    return offset[[first, other[np.argmin(length[other])]]]
