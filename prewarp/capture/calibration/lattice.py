"""Which mark is which: places in a photograph walked through, neighbour by neighbour, to a whole lattice."""

from collections import deque

import numpy as np
from scipy.spatial import KDTree

from prewarp.checks import FloatArray, IntArray

# A neighbour lies where the last step leads, to within this part of it.
_MISS = 0.35
_STARTS = 12


def ordered_lattice(place: FloatArray, count: tuple[int, int], /) -> IntArray | None:
    """Return the numbers (rows * columns,) of places (n, 2) that make a lattice, row by row; or None.

    Rows are those that run most nearly across the photograph, unless only the other way fits `count`, columns
    and rows; the first mark is at the top left. A board that is turned by more than 45 degrees is numbered
    from another corner.
    """
    if len(place) < count[0] * count[1]:
        return None
    tree = KDTree(place)
    middle = np.median(place, axis=0)
    for start in np.argsort(np.hypot(*(place - middle).T))[:_STARTS]:
        steps = _first_steps(place, tree, int(start))
        if steps is None:
            continue
        found = _rectangle(_walked(place, tree, int(start), steps), place, count)
        if found is not None:
            return found
    return None


def _first_steps(place: FloatArray, tree: KDTree, start: int) -> FloatArray | None:
    """Return the two shortest steps (2, 2) from a place to neighbours that are not in line."""
    near = np.asarray(tree.query(place[start], k=min(9, len(place)))[1])[1:]
    steps = place[near] - place[start]
    lengths = np.hypot(*steps.T)
    for second in range(1, len(near)):
        across = abs(steps[0, 0] * steps[second, 1] - steps[0, 1] * steps[second, 0])
        if across > 0.5 * lengths[0] * lengths[second]:
            pair: FloatArray = steps[[0, second]]
            return pair
    return None


def _walked(place: FloatArray, tree: KDTree, start: int, steps: FloatArray) -> dict[tuple[int, int], int]:
    """Return the number of the place at each lattice point that neighbours lead to."""
    found = {(0, 0): start}
    taken = {start}
    todo = deque([((0, 0), steps)])
    while todo:
        (i, j), steps = todo.popleft()
        here = place[found[i, j]]
        steps = steps.copy()
        for axis in (0, 1):
            for sign in (1, -1):
                there = (i + sign, j) if axis == 0 else (i, j + sign)
                if there in found:
                    steps[axis] = sign * (place[found[there]] - here)
                    continue
                distance, nearest = tree.query(here + sign * steps[axis])
                number = int(nearest)
                if float(distance) > _MISS * np.hypot(*steps[axis]) or number in taken:
                    continue
                found[there] = number
                taken.add(number)
                onward = steps.copy()
                onward[axis] = sign * (place[number] - here)
                todo.append((there, onward))
    return found


def _rectangle(
    found: dict[tuple[int, int], int], place: FloatArray, count: tuple[int, int]
) -> IntArray | None:
    """Return the numbers of a whole rectangle of `count` columns and rows; None where there is none."""
    keys = np.array(list(found))
    low = keys.min(axis=0)
    table = np.full(keys.max(axis=0) - low + 1, -1, dtype=np.int64)
    table[tuple((keys - low).T)] = list(found.values())
    across = [place[found[key[0] + 1, key[1]]] - place[number] for key, number in found.items()
              if (key[0] + 1, key[1]) in found]  # fmt: skip
    if not across:
        return None
    step = np.mean(across, axis=0)
    level = abs(step[0]) >= abs(step[1])
    # First axis of the table: across the photograph if it may be.
    choices = [table if level else table.T, table.T if level else table]
    for one in choices:
        part = _whole(one, count)
        if part is not None:
            return _upright(part, place).T.ravel()
    return None


def _whole(table: IntArray, count: tuple[int, int]) -> IntArray | None:
    """Return the one part (columns, rows) of a table that is whole; None where there is none, or several."""
    if table.shape[0] < count[0] or table.shape[1] < count[1]:
        return None
    parts = np.lib.stride_tricks.sliding_window_view(table, count)
    whole = np.argwhere(np.all(parts >= 0, axis=(2, 3)))
    if len(whole) != 1:
        return None
    part: IntArray = parts[tuple(whole[0])]
    return part


def _upright(part: IntArray, place: FloatArray) -> IntArray:
    """Return a lattice (columns, rows) seen from the front, its first axis to the right, or down."""
    right = place[part[-1, 0]] - place[part[0, 0]]
    if right[0] + 1e-3 * right[1] < 0.0:
        part = part[::-1]
        right = -right
    down = place[part[0, -1]] - place[part[0, 0]]
    return part[:, ::-1] if right[0] * down[1] - right[1] * down[0] < 0.0 else part
