"""What a view shows, as outlines: what each channel lights from one pupil position, and from an eye box.

Never too small: what any pupil sees must be drawn, so outlines are thinned outward. Where all of a channel's
captured panel is lit they are those of what is captured, exact but for that; where part of it is dark they
are contours of how deep directions lie in what is lit.
"""

from collections.abc import Sequence
from itertools import pairwise, product

import numpy as np
from contourpy import contour_generator

from prewarp.checks import FloatArray
from prewarp.module import EyeBox
from prewarp.seam.directions import direction_lattice, tangent_from_plane_deg
from prewarp.seam.light import ChannelLight
from prewarp.seam.reach import ChannelReach

# An area of the view: loops (n, 2) of tangents, by the even-odd rule.
Area = list[FloatArray]
# How far a thinned outline may stray from its corners, degrees.
THINNED_DEG = 0.02
# Pitch of the lattice of contours, degrees; they cut a right corner by 0.35 of it at most.
_STEP_DEG = 0.4
CONTOUR_DEG = 0.15
# How much more than what is lit is shown at most, degrees, besides what an eye box adds.
MOST_BEYOND_DEG = 0.5
# Pupil positions of an eye box, each way: where all is lit, and where borders of what is lit move faster.
_NODES, _NODES_DARK = 3, 5
# Outlines of an eye box are many.
_THINNED_BOX_DEG = 0.1


def lit_areas(
    lights: Sequence[ChannelLight],
    pupil_mm: FloatArray,
    /,
    *,
    beyond_deg: float = 0.0,
    thinned_deg: float = THINNED_DEG,
) -> list[Area]:
    """Return what each channel lights from a pupil position (3,), mm, at least, and `beyond_deg` more.

    Parameters
    ----------
    lights : sequence of ChannelLight
    pupil_mm : (3,) float array
        Where it is seen from.
    beyond_deg : float
        How far outside what is lit the outlines run, degrees, besides what thinning takes.
    thinned_deg : float
        How far a thinned outline may stray from its corners, degrees.
    """
    areas: list[Area] = []
    for light in lights:
        reach = light.outline(pupil_mm)
        if not light.has_dark:
            areas.append([_grown(reach, beyond_deg, thinned_deg)])
            continue
        level = CONTOUR_DEG + thinned_deg + beyond_deg
        low, tangent = direction_lattice(
            [reach.outline], step_deg=_STEP_DEG, margin_deg=level + 2.0 * _STEP_DEG
        )
        depth = light.depth_deg(tangent, pupil_mm=pupil_mm)
        y, x = (low[axis] + _STEP_DEG * np.arange(depth.shape[1 - axis]) for axis in (1, 0))
        lines = contour_generator(x, y, depth).lines(-level)
        loops = (thinned(np.asarray(line, dtype=float)[:-1], thinned_deg) for line in lines)
        areas.append([tangent_from_plane_deg(loop) for loop in loops if len(loop) >= 3])
    return areas


def lit_areas_of_box(lights: Sequence[ChannelLight], box: EyeBox, /) -> list[Area]:
    """Return what any channel lights from any pupil position of an eye box, at least.

    Outlines from a lattice of pupil positions and from the middles of its cells; drawn wider by as much as
    the middles show beyond their cells' corners, which is more than is left between all of them.
    """
    count = _NODES_DARK if any(light.has_dark for light in lights) else _NODES
    axes = [_axis(half, count) for half in box.half_mm[:2]] + [_axis(float(box.half_mm[2]), 2)]
    nodes = np.array(list(product(*axes)))
    cells = [[ends for ends in pairwise(axis)] or [(axis[0], axis[0])] for axis in axes]
    middles, beyond = [], 0.0
    for cell in product(*cells):
        corners = np.unique(np.array(list(product(*cell))), axis=0)
        middle = corners.mean(axis=0)
        middles.append(middle)
        if len(corners) > 1:
            beyond = max(beyond, _beyond(lights, middle, corners))
    pupils = np.unique(np.concatenate([nodes, np.array(middles)]), axis=0)
    wider = {"beyond_deg": beyond, "thinned_deg": _THINNED_BOX_DEG}
    return [area for pupil in pupils for area in lit_areas(lights, pupil, **wider)]


def thinned(loop: FloatArray, tolerance: float, /) -> FloatArray:
    """Return corners of a loop (n, 2); none that is left out is further than `tolerance` from its chord.

    Douglas and Peucker (1973), between the corner farthest left and the one farthest from that.
    """
    start = int(np.argmin(loop[:, 0]))
    loop = np.roll(loop, -start, axis=0)
    far = int(np.argmax(np.hypot(*(loop - loop[0]).T)))
    closed = np.concatenate([loop, loop[:1]])
    kept = np.zeros(len(closed), dtype=bool)
    kept[[0, far, -1]] = True
    open_ends = [(0, far), (far, len(loop))]
    while open_ends:
        first, last = open_ends.pop()
        if last - first < 2:
            continue
        away = _distances(closed[first + 1 : last], closed[first], closed[last])
        worst = int(np.argmax(away))
        if away[worst] > tolerance:
            middle = first + 1 + worst
            kept[middle] = True
            open_ends += [(first, middle), (middle, last)]
    result: FloatArray = closed[:-1][kept[:-1]]
    return result


def _distances(points: FloatArray, first: FloatArray, last: FloatArray) -> FloatArray:
    """Return the distances of points (n, 2) from a segment."""
    along = last - first
    length = float(along @ along)
    share = np.clip((points - first) @ along / length, 0.0, 1.0) if length > 0.0 else np.zeros(len(points))
    return np.asarray(np.hypot(*(points - first - share[:, None] * along).T))


def _grown(reach: ChannelReach, beyond_deg: float, thinned_deg: float) -> FloatArray:
    """Return a reach's outline with few corners, scaled about its middle so that it holds the whole.

    Corners that stay are corners of the whole: between two of them either outline is straight from corner to
    corner as seen from the middle, so it is enough that no corner of the whole lies outside.
    """
    whole = reach.outline - reach.middle
    few = thinned(whole, np.radians(thinned_deg))
    radius, thin = np.hypot(*whole.T), _radius_of(few, np.arctan2(whole[:, 1], whole[:, 0]))
    # A tangent grows faster than its angle, by 1 / cos^2 at most; sides move out by a share of their
    # distance.
    slope = 1.0 + float(np.sum(reach.outline**2, axis=1).max())
    along = np.roll(few, -1, axis=0) - few
    distance = np.abs(few[:, 0] * along[:, 1] - few[:, 1] * along[:, 0]) / np.hypot(*along.T)
    factor = float((radius / thin).max()) + np.radians(beyond_deg) * slope / float(distance.min())
    return np.asarray(reach.middle + few * factor)


def _radius_of(loop: FloatArray, angle: FloatArray) -> FloatArray:
    """Return the radius of a star-shaped loop (n, 2) about the origin at angles (m,)."""
    at = np.arctan2(loop[:, 1], loop[:, 0])
    order = np.argsort(at)
    at, corner = at[order], loop[order]
    start = np.searchsorted(at, angle, side="right") - 1
    here, there = corner[start], corner[(start + 1) % len(corner)]
    way, along = np.stack([np.cos(angle), np.sin(angle)], axis=-1), there - here
    across = way[:, 0] * along[:, 1] - way[:, 1] * along[:, 0]
    return np.asarray((here[:, 0] * along[:, 1] - here[:, 1] * along[:, 0]) / across)


def _axis(half: float, count: int) -> list[float]:
    return np.linspace(-half, half, count).tolist() if half > 0.0 else [0.0]


def _beyond(lights: Sequence[ChannelLight], middle: FloatArray, corners: FloatArray) -> float:
    """Return how far what is lit from a cell's middle reaches beyond what is from its corners, degrees."""
    loops = [loop for area in lit_areas(lights, middle) for loop in area]
    if not loops:
        return 0.0
    border = np.concatenate(loops)
    own, others = (
        np.max([light.depth_deg(border, pupil_mm=pupil) for light in lights for pupil in pupils], axis=0)
        for pupils in ([middle], corners)
    )
    return float(np.clip(own - others, 0.0, None).max(initial=0.0))
