"""Whether dots named by place may be off by a whole pitch: the rim of the lattice, and the light, say so.

Moved by a pitch a lattice lies on itself but for its rim: where its last row was there is none. So a dot seen
there cannot have come from further out. Where the rim is not in view, light is left: what dims single dots in
one colour (dust, an uneven panel) dims them in another.
"""

import numpy as np

from prewarp.capture.extract.near import nearest, spacing_of
from prewarp.capture.extract.smooth import best_map
from prewarp.checks import FloatArray, IntArray

SURE, OFF, OPEN = "sure", "off", "open"
_NEAR = 1.0 / 3.0
# Of the last row's dots that must be there, or be there only a step further; and so many at least.
_RIM_SHARE, _LEAST_RIM = 0.5, 3
# Roughness of light by one place over that by another.
_ROUGHER = 1.3
_LEAST_COMMON, _TREND_DEGREE = 30, 3


def whole_pitch(
    seen: FloatArray,
    seen_light: FloatArray,
    expected: FloatArray,
    panel: FloatArray,
    light: FloatArray,
    lattice: FloatArray,
    spacing_px: float,
    /,
) -> str:
    """Return SURE, OFF (another place by a pitch suits better) or OPEN (nothing tells).

    Parameters
    ----------
    seen : (n, 2) float array
        Dots of the colour without codes, px.
    seen_light : (n,) float array
        Their light.
    expected : (m, 2) float array
        Where the marks of the coded colour lie, moved as a whole onto them, px.
    panel : (m, 2) float array
        These marks on the panel, px.
    light : (m,) float array
        Their light in the coded colour.
    lattice : (k, 2) float array
        All marks of the panel, in view or not, px.
    spacing_px : float
        Of dots in the photograph.
    """
    verdict = SURE
    here = _found(seen, expected, spacing_px)
    for step in _steps(panel):
        # Marks and their neighbours by one step, -1 where the lattice ends.
        ahead, behind = _neighbour(panel, step, panel), _neighbour(panel, -step, panel)
        beyond = np.where(behind >= 0, behind, 0)
        known = (ahead >= 0) | (behind >= 0)
        place = np.where(
            (ahead >= 0)[:, None], expected[np.maximum(ahead, 0)], 2.0 * expected - expected[beyond]
        )
        there = np.where(known, _found(seen, place, spacing_px), -1)
        last = _neighbour(lattice, -step, panel) < 0
        if np.count_nonzero(here[last] >= 0) >= max(_LEAST_RIM, _RIM_SHARE * np.count_nonzero(last)):
            continue
        more = np.count_nonzero(there >= 0) - np.count_nonzero((here >= 0) & known)
        if more >= max(_LEAST_RIM, _RIM_SHARE * np.count_nonzero(last)):
            return OFF
        rougher = _roughness(here, seen_light, light, expected) / max(
            _roughness(there, seen_light, light, expected), 1e-12
        )
        if rougher > _ROUGHER:
            return OFF
        if rougher > 1.0 / _ROUGHER:
            verdict = OPEN
    return verdict


def _found(seen: FloatArray, place: FloatArray, spacing_px: float) -> IntArray:
    """Return the dot at each place, -1 where there is none."""
    distance, near = (one[:, 0] for one in nearest(seen, place))
    found: IntArray = np.where(distance < _NEAR * spacing_px, near, -1)
    return found


def _steps(panel: FloatArray) -> FloatArray:
    """Return steps (8, 2) from a dot to those around it, panel px: of the one nearest to the middle."""
    middle = int(np.argmin(np.linalg.norm(panel - np.median(panel, axis=0), axis=1)))
    near = nearest(panel, panel[middle : middle + 1], 9)[1][0, 1:]
    steps: FloatArray = panel[near] - panel[middle]
    return steps


def _neighbour(panel: FloatArray, step: FloatArray, of: FloatArray) -> IntArray:
    """Return for each mark `of` (n, 2) the one of `panel` a step away, -1 where there is none."""
    distance, near = (one[:, 0] for one in nearest(panel, of + step))
    found: IntArray = np.where(distance < 0.25 * spacing_of(panel), near, -1)
    return found


def _roughness(dot: IntArray, seen_light: FloatArray, light: FloatArray, place: FloatArray) -> float:
    """Return the spread of the ratio of light in both colours about what changes evenly, as a logarithm."""
    both = np.flatnonzero((dot >= 0) & (light > 0.0))
    both = both[seen_light[dot[both]] > 0.0]
    if len(both) < _LEAST_COMMON:
        return 1.0
    ratio = np.log(seen_light[dot[both]] / light[both])
    trend = best_map(place[both], np.stack([ratio] * 2, axis=1), _TREND_DEGREE)
    rest = ratio - trend(place[both])[:, 0]
    return float(np.sqrt(np.mean(np.clip(rest, -1.0, 1.0) ** 2)))
