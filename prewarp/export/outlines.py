"""Areas bounded by outlines: their union as loops, and triangles that cover them without overlap or gap.

A sweep: levels of y pass through every corner and every crossing of outlines, so between two levels no side
begins, ends or crosses another. What lies inside is told there from left to right, side by side.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from prewarp.checks import FloatArray, IntArray

# Points nearer to each other than this, in x or in y, are one: in tangents 0.003 arcmin, and well above the
# steps of 32-bit floats, so that no triangle turns over when it is stored as those.
MERGED = 1e-6


@dataclass(frozen=True, eq=False)
class Sweep:
    """Levels (k,) of y, the points of each level (x rising), and between each two levels the sides there.

    `sides[k]` (m, 3): numbers of the points at level k and at level k + 1, and the group of the outline, from
    left to right.
    """

    levels: FloatArray
    points: tuple[FloatArray, ...]
    sides: tuple[IntArray, ...]


def sweep(groups: Sequence[Sequence[FloatArray]], /) -> Sweep:
    """Sweep over outlines (n, 2) each, in groups: a point is inside a group by the even-odd rule."""
    start = np.concatenate([loop for group in groups for loop in group])
    end = np.concatenate([np.roll(loop, -1, axis=0) for group in groups for loop in group])
    owner = np.concatenate(
        [np.full(len(loop), number) for number, group in enumerate(groups) for loop in group]
    )
    levels = _merged(np.concatenate([start[:, 1], _crossings(start, end)]))
    # Corners go to their level, so that a side's share of a level's height is exact.
    low, high = _nearest(levels, start[:, 1]), _nearest(levels, end[:, 1])
    rising = np.where(low < high, 1, -1)
    used = low != high
    first, last = (
        np.where((rising > 0)[:, None], start, end)[used],
        np.where((rising > 0)[:, None], end, start)[used],
    )
    bottom, top = np.minimum(low, high)[used], np.maximum(low, high)[used]
    owner = owner[used]

    def at(chosen: IntArray, level: int) -> FloatArray:
        share = (levels[level] - levels[bottom[chosen]]) / (levels[top[chosen]] - levels[bottom[chosen]])
        result: FloatArray = first[chosen, 0] * (1.0 - share) + last[chosen, 0] * share
        return result

    active = [np.flatnonzero((bottom <= k) & (top > k)) for k in range(len(levels) - 1)]
    reaching = [np.flatnonzero((bottom <= k) & (top >= k)) for k in range(len(levels))]
    points = tuple(_merged(at(chosen, k)) for k, chosen in enumerate(reaching))
    sides = []
    for k, chosen in enumerate(active):
        below, above = _nearest(points[k], at(chosen, k)), _nearest(points[k + 1], at(chosen, k + 1))
        order = np.argsort(points[k][below] + points[k + 1][above], kind="stable")
        # Sides that cross by less than `MERGED` are taken to touch.
        row = np.maximum.accumulate(np.stack([below, above], axis=-1)[order], axis=0)
        sides.append(np.column_stack([row, owner[chosen][order]]))
    return Sweep(levels, points, tuple(sides))


def strips(
    swept: Sweep, is_inside: Callable[[set[int]], bool] = bool, /
) -> list[tuple[int, IntArray, IntArray]]:
    """Return (level, left side, right side) of every piece of an area; sides as in `Sweep`.

    `is_inside` tells from the groups that a place is in whether it belongs to the area; any one will do if
    it is not given.
    """
    found = []
    for level, sides in enumerate(swept.sides):
        inside: set[int] = set()
        left: IntArray | None = None
        for side in sides:
            inside ^= {int(side[2])}
            if left is None and is_inside(inside):
                left = side
            elif left is not None and not is_inside(inside):
                if (left[:2] != side[:2]).any():
                    found.append((level, left, side))
                left = None
    return found


def triangles(swept: Sweep, pieces: Sequence[tuple[int, IntArray, IntArray]], /) -> FloatArray:
    """Return triangles (n, 3, 2), counter-clockwise, that cover pieces between levels.

    Pieces that meet share whole sides of triangles: where one has a corner on the side of another, that side
    is divided there.
    """
    found = []
    for level, left, right in pieces:
        chains = []
        for place in (0, 1):
            row = swept.points[level + place][left[place] : right[place] + 1]
            chains.append(np.stack([row, np.full(len(row), swept.levels[level + place])], axis=-1))
        found += _between(*chains)
    return np.array(found).reshape(-1, 3, 2)


def loops(corners: FloatArray, /) -> list[FloatArray]:
    """Return the borders (n, 2) of an area covered by triangles (m, 3, 2) that share sides.

    Counter-clockwise around the area, clockwise around a hole in it; corners that lie on a straight line are
    left out. Areas that touch in a point have a border each.
    """
    points, number = np.unique(corners.reshape(-1, 2), axis=0, return_inverse=True)
    number = number.reshape(-1, 3)
    sides = np.concatenate([number[:, [0, 1]], number[:, [1, 2]], number[:, [2, 0]]])
    there = set(map(tuple, sides.tolist()))
    onward: dict[int, list[int]] = {}
    for a, b in sorted(there):
        if (b, a) not in there:
            onward.setdefault(a, []).append(b)
    found = []
    while onward:
        begin = min(onward)
        walk = [begin, onward[begin].pop()]
        _tidy(onward, begin)
        while walk[-1] != begin:
            here, before = walk[-1], walk[-2]
            following = _sharpest_left(points, before, here, onward[here])
            onward[here].remove(following)
            _tidy(onward, here)
            walk.append(following)
        loop = _without_straight(points[walk[:-1]])
        if len(loop) >= 3:
            found.append(loop)
    return found


def union(outlines: Sequence[FloatArray | Sequence[FloatArray]], /) -> list[FloatArray]:
    """Return the borders of all that lies within any of several areas, as `loops` does.

    An area is an outline (n, 2), or several that belong together by the even-odd rule, such as holes. Two
    areas at a time: the sides that vanish inside do not burden those that follow.
    """
    areas = [_joined([[one] if isinstance(one, np.ndarray) else one]) for one in outlines]
    while len(areas) > 1:
        pairs = [areas[place : place + 2] for place in range(0, len(areas), 2)]
        areas = [_joined(pair) if len(pair) == 2 else pair[0] for pair in pairs]
    return areas[0]


def _joined(groups: Sequence[Sequence[FloatArray]]) -> list[FloatArray]:
    groups = [group for group in groups if group]
    if not groups:
        return []
    swept = sweep(groups)
    return loops(triangles(swept, strips(swept)))


def area(loop: FloatArray, /) -> float:
    """Return the area of an outline (n, 2): positive where it runs counter-clockwise."""
    x, y = loop.T
    return 0.5 * float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))


def _crossings(start: FloatArray, end: FloatArray) -> FloatArray:
    """Return the y of all points where two sides cross, (k,)."""
    step = end - start
    found = []
    for first in range(len(start) - 1):
        other = slice(first + 1, None)
        apart = start[other] - start[first]
        turn = step[first, 0] * step[other, 1] - step[first, 1] * step[other, 0]
        with np.errstate(divide="ignore", invalid="ignore"):
            own = (apart[:, 0] * step[other, 1] - apart[:, 1] * step[other, 0]) / turn
            theirs = (apart[:, 0] * step[first, 1] - apart[:, 1] * step[first, 0]) / turn
        meets = (own > 0.0) & (own < 1.0) & (theirs > 0.0) & (theirs < 1.0)
        found.append(start[first, 1] + own[meets] * step[first, 1])
    return np.concatenate(found) if found else np.zeros(0)


def _merged(values: FloatArray) -> FloatArray:
    """Return rising values of which none is nearer than `MERGED` to the one before."""
    kept: list[float] = []
    for value in np.unique(values).tolist():
        if not kept or value - kept[-1] > MERGED:
            kept.append(value)
    return np.array(kept)


def _nearest(levels: FloatArray, values: FloatArray) -> IntArray:
    """Return which of the rising `levels` is nearest to each value."""
    middle = 0.5 * (levels[1:] + levels[:-1])
    return np.searchsorted(middle, values)


def _between(below: FloatArray, above: FloatArray) -> list[list[FloatArray]]:
    """Return triangles between two rows of points, (n, 2) and (m, 2), each from left to right."""
    found = []
    i = j = 0
    while i < len(below) - 1 or j < len(above) - 1:
        low = i < len(below) - 1 and (
            j == len(above) - 1 or below[i + 1, 0] - below[0, 0] <= above[j + 1, 0] - above[0, 0]
        )
        if low:
            found.append([below[i], below[i + 1], above[j]])
            i += 1
        else:
            found.append([below[i], above[j + 1], above[j]])
            j += 1
    return found


def _tidy(onward: dict[int, list[int]], key: int) -> None:
    if not onward[key]:
        del onward[key]


def _sharpest_left(points: FloatArray, before: int, here: int, ways: list[int]) -> int:
    """Return the way on that keeps to the same area, which lies on the left."""
    if len(ways) == 1:
        return ways[0]
    back = points[before] - points[here]

    def turn(way: int) -> float:
        on = points[way] - points[here]
        across, along = on[0] * back[1] - on[1] * back[0], float(on @ back)
        return float(np.arctan2(across, along)) % (2.0 * np.pi)

    return min(ways, key=turn)


def _without_straight(loop: FloatArray) -> FloatArray:
    """Return an outline without corners that lie within `MERGED` of the line between their neighbours."""
    kept = list(range(len(loop)))
    place = 0
    while len(kept) >= 3 and place < len(kept):
        a, b, c = (loop[kept[(place + step) % len(kept)]] for step in (-1, 0, 1))
        along = c - a
        length = float(np.hypot(*along))
        off = abs(along[0] * (b - a)[1] - along[1] * (b - a)[0])
        if off <= 0.1 * MERGED * length and float((b - a) @ (c - b)) >= 0.0:
            del kept[place]
            place = max(place - 1, 0)
        else:
            place += 1
    return loop[kept]
