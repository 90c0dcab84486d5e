"""Ghosts seen apart from the dots that they mirror: how strong, how far off, and where others must lie."""

from dataclasses import dataclass

import numpy as np

from prewarp.capture.extract.consensus import Consensus
from prewarp.capture.extract.finding import Blobs
from prewarp.capture.extract.near import nearest
from prewarp.capture.extract.reading import Readings
from prewarp.checks import FloatArray, IntArray

_MOST_LIGHT = 0.5
_LEAST = 12
NEIGHBOURS, MOST_LANDING = 24, 4


@dataclass(frozen=True)
class Ghosts:
    """Ghosts of n named dots seen as places of their own: `of` (k,) whose mark, `offset` (k, 2) px from it,
    `strength` (k,) relative to its light; `field` (3, 2) offset as a plane over the photograph, or None.
    """

    of: IntArray
    offset: FloatArray
    strength: FloatArray
    field: FloatArray | None


def find_ghosts(
    blobs: Blobs,
    readings: Readings,
    used: IntArray,
    blob: IntArray,
    mark: IntArray,
    found: Consensus,
    panel: FloatArray,
) -> Ghosts:
    """Return places that spell the name of a dot that stands elsewhere, by far less light."""
    order = np.argsort(used)
    at = np.minimum(np.searchsorted(used[order], readings.word), len(used) - 1)
    named = np.where((readings.word >= 0) & (used[order][at] == readings.word), order[at], -1)
    own = np.full(len(panel), -1)
    own[mark] = np.arange(len(mark))
    ghost = np.setdiff1d(np.flatnonzero(named >= 0), blob)
    ghost = ghost[own[named[ghost]] >= 0]
    of = own[named[ghost]]
    strength = readings.light[ghost] / np.maximum(readings.light[blob[of]], 1e-9)
    weak = strength < _MOST_LIGHT
    ghost, of, strength = ghost[weak], of[weak], strength[weak]
    offset = blobs.place[ghost] - blobs.place[blob[of]]
    return Ghosts(mark[of], offset, strength, _plane(blobs.place[blob[of]], offset, found.spacing_px))


def _plane(place: FloatArray, offset: FloatArray, spacing: float) -> FloatArray | None:
    """Return the offset of ghosts as a plane over the photograph, where most of them lie on one."""
    if len(place) < _LEAST:
        return None
    design = np.concatenate([np.ones((len(place), 1)), place / 1000.0], axis=1)
    weight = np.ones(len(place))
    found = np.zeros((3, 2))
    start = np.median(offset, axis=0)
    for step in range(8):
        left = offset - (start if step == 0 else design @ found)
        far = np.hypot(left[:, 0], left[:, 1])
        weight = 1.0 / (1.0 + (far / max(2.0 * float(np.median(far)), 0.1)) ** 2)
        root = np.sqrt(weight)[:, None]
        found = np.linalg.lstsq(design * root, offset * root, rcond=None)[0]
    left = np.hypot(*(offset - design @ found).T)
    return found if np.mean(left < 0.25 * spacing) > 0.6 else None


def marks_around(
    ghosts: Ghosts, place: FloatArray, expected: FloatArray, own: IntArray, half: int
) -> IntArray:
    """Return the marks (n, 28) whose light may fall on dots: the nearest 24, and those whose ghosts land
    there.

    `place` (n, 2) of dots, `own` (n,) their marks, `expected` (m, 2) places of all marks, by the map.
    """
    result = np.full((len(place), NEIGHBOURS + MOST_LANDING), -1)
    count = min(NEIGHBOURS + 1, len(expected))
    near = nearest(expected, place, count)[1]
    result[:, : count - 1] = _without(near, own)
    if ghosts.field is not None:
        design = np.concatenate([np.ones((len(expected), 1)), expected / 1000.0], axis=1)
        count = min(MOST_LANDING, len(expected))
        distance, near = nearest(expected + design @ ghosts.field, place, count)
        fine = (distance < 1.5 * half) & (near != own[:, None])
        result[:, NEIGHBOURS : NEIGHBOURS + count] = np.where(fine, near, -1)
    return result


def _without(near: IntArray, own: IntArray) -> IntArray:
    """Return rows (n, k - 1) without each row's own number, or without its last where it is not there."""
    keep = near != own[:, None]
    keep[keep.all(axis=1), -1] = False
    rest: IntArray = near[keep].reshape(len(near), -1)
    return rest
