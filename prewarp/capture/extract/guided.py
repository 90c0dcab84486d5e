"""Dots whose names cannot be read because other light lies on them: looked for where the map expects them."""

import numpy as np

from prewarp.capture.extract.consensus import WEAKEST, Consensus
from prewarp.capture.extract.near import nearest
from prewarp.checks import BoolArray, FloatArray, IntArray

_NEAR = 0.25
_OTHERS = 3
_CERTAIN = 10.0


def add_expected(
    found: Consensus,
    place: FloatArray,
    light: FloatArray,
    there: BoolArray,
    panel: FloatArray,
    lit: BoolArray,
    pitch: float,
) -> tuple[IntArray, IntArray]:
    """Return places and marks (k,), more than `found` has, whose own code is sure in the light of the place.

    A place counts for a mark within a quarter of the spacing of where the map expects it. Its light in the
    code frames is explained by the mark's own code, an even part, and up to three other codes that suit best.
    """
    assert found.map is not None
    missing = np.setdiff1d(np.arange(len(panel)), found.mark)
    free = np.setdiff1d(np.arange(len(place)), found.blob)
    if len(missing) == 0 or len(free) == 0:
        return found.blob, found.mark
    expected = found.map(panel)
    distance, closest = (one[:, 0] for one in nearest(place[free], expected[missing]))
    tolerance = _NEAR * found.map.spacing(panel[missing], pitch)
    # Beyond the dots that were found the map is a guess.
    hull = nearest(panel[found.mark], panel[missing])[0][:, 0] < 2.5 * pitch
    near = (distance < tolerance) & hull
    blob, mark = free[closest[near]], missing[near]
    if len(blob) == 0:
        return found.blob, found.mark
    frames = np.flatnonzero(there)
    around = nearest(panel[found.mark], panel[mark], 12)[1]
    strength = np.median(_lit_light(light[found.blob][:, frames], lit[found.mark][:, frames])[around], axis=1)
    sure = [
        _is_sure(light[b, frames], lit[m, frames], lit[:, frames], least * WEAKEST)
        for b, m, least in zip(blob, mark, strength, strict=True)
    ]
    return np.concatenate([found.blob, blob[sure]]), np.concatenate([found.mark, mark[sure]])


def _lit_light(light: FloatArray, lit: BoolArray) -> FloatArray:
    """Return light (n,) of dots: the mean of lit frames over that of dark ones."""
    on = np.sum(light * lit, axis=1) / np.maximum(lit.sum(axis=1), 1)
    off = np.sum(light * ~lit, axis=1) / np.maximum((~lit).sum(axis=1), 1)
    result: FloatArray = on - off
    return result


def _is_sure(light: FloatArray, own: BoolArray, codes: BoolArray, least: float) -> bool:
    """Return whether a mark's own code is sure in light (frames,)."""
    columns = [np.ones(len(light)), own.astype(float)]
    for _ in range(_OTHERS):
        design = np.stack(columns, axis=1)
        left = light - design @ np.linalg.lstsq(design, light, rcond=None)[0]
        basis = np.linalg.qr(design)[0]
        new = codes.T.astype(float)
        new = new - basis @ (basis.T @ new)
        size = np.sum(new * new, axis=0)
        along = new.T @ left
        score = np.where((size > 0.2) & (along > 0), along**2 / np.maximum(size, 1e-9), 0.0)
        best = int(np.argmax(score))
        if score[best] < 0.5 * np.sum(left**2):
            break
        columns.append(codes[best].astype(float))
    design = np.stack(columns, axis=1)
    freedom = len(light) - design.shape[1]
    normal = design.T @ design
    if freedom < 3 or np.linalg.cond(normal) > 1e4:
        return False
    found = np.linalg.solve(normal, design.T @ light)
    left = light - design @ found
    sigma = np.sqrt(np.sum(left**2) / freedom * np.linalg.inv(normal)[1, 1])
    return bool(found[1] > _CERTAIN * sigma and found[1] > least)
