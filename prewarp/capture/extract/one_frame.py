"""Marks that name themselves: dots of two sizes, counted outward and laid on the panel's own pattern."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.signal import correlate

from prewarp.capture.extract.consensus import WEAKEST, Consensus, agree
from prewarp.capture.extract.finding import Blobs
from prewarp.capture.extract.frames import PanelMarks
from prewarp.capture.extract.lattice_walk import Island, islands_of
from prewarp.capture.extract.near import nearest
from prewarp.capture.extract.smooth import best_map
from prewarp.checks import BoolArray, FloatArray, IntArray

# Fewer marks than a window of 5 x 5 may be found at several places.
LEAST_MARKS = 25
# Of an island's marks so many must have the size that the pattern says, and so many more than anywhere else.
_AGREE, _BETTER = 0.85, 0.12
_AROUND = 25
# Of the area of large marks; a small one has 0.44 of it.
_SMALLEST = 0.1
_TREND_DEGREE = 3
# The eight turns and mirror images of steps.
_TURNS = tuple(
    np.array(one)
    for one in (
        ((1, 0), (0, 1)), ((0, -1), (1, 0)), ((-1, 0), (0, -1)), ((0, 1), (-1, 0)),
        ((-1, 0), (0, 1)), ((0, 1), (1, 0)), ((1, 0), (0, -1)), ((0, -1), (-1, 0)),
    )
)  # fmt: skip


@dataclass(frozen=True)
class NamedByPattern:
    """Marks that hold: `found` those that agree with one smooth map; `problem` why nothing counts, or ""."""

    found: Consensus
    problem: str


def name_by_pattern(
    blobs: Blobs, marks: PanelMarks, others: Mapping[str, PanelMarks], file: str, /
) -> NamedByPattern:
    """Return which mark each piece of light is, by the sizes of those around it.

    `others`: marks of other channels by name, told of where they suit instead.
    """
    try:
        large_of(marks)
    except ValueError as cause:
        return NamedByPattern(
            _nothing(), f"{file}: marks.csv has {cause} for this channel; expected whole rows. Restore it."
        )
    bright = _bright(blobs)
    place = blobs.place[bright]
    size = _beside_others(place, blobs.light[bright])
    islands = islands_of(place, size, LEAST_MARKS)
    mark = _marks_of_islands(islands, place, blobs.light[bright], marks)
    if not np.any(mark >= 0):
        for channel, other in others.items():
            if _is_whole(other) and np.any(
                _marks_of_islands(islands, place, blobs.light[bright], other) >= 0
            ):
                return NamedByPattern(
                    _nothing(),
                    f"{file}: shows the marks of channel '{channel}'. Are the photographs of the two "
                    "channels exchanged? Rename them, or show each picture on its own panel.",
                )
        return NamedByPattern(_nothing(), _why_not(file, islands, len(place)))
    named = np.full(len(blobs), -1)
    named[bright] = mark
    light = blobs.light.copy()
    light[bright] /= np.where(mark >= 0, (marks.radius[mark] / marks.radius.min()) ** 2, 1.0)
    found = agree(blobs.place, named, light, marks.panel)
    problem = "" if found.holds else f"{file}: the marks named by their sizes are on no smooth map."
    return NamedByPattern(found, problem)


def _nothing() -> Consensus:
    nothing = np.zeros(0, dtype=int)
    return Consensus(nothing, nothing, None, 0.0, 0.0, nothing)


def _why_not(file: str, islands: list[Island], count: int) -> str:
    largest = max((len(one.blob) for one in islands), default=0)
    if largest < LEAST_MARKS:
        return (
            f"{file}: no {LEAST_MARKS} of {count} spots of light lie on one lattice. Are these "
            "one-frame marks, in focus, less than half covered?"
        )
    return (
        f"{file}: {largest} marks form one group, but their sizes fit no single place of the "
        "pattern. Are these photographs of this module's one-frame marks, in focus, not "
        "saturated?"
    )


def _bright(blobs: Blobs) -> IntArray:
    """Return pieces of light not far weaker or smaller than those around: no ghosts, no hot pixels."""
    size = np.quantile(blobs.area, 0.7)
    wide = np.flatnonzero(blobs.area > _SMALLEST * size)
    light, place = blobs.light[wide], blobs.place[wide]
    around = np.median(light[nearest(place, place, 13)[1]], axis=1)
    return wide[light > WEAKEST * around]


def _beside_others(place: FloatArray, light: FloatArray) -> FloatArray:
    near = nearest(place, place, 9)[1]
    beside: FloatArray = light / np.median(light[near], axis=1)
    return beside


def _marks_of_islands(
    islands: list[Island], place: FloatArray, light: FloatArray, marks: PanelMarks
) -> IntArray:
    mark = np.full(len(place), -1)
    pattern = large_of(marks)
    for island in islands:
        own = _place_in_pattern(island.step, _is_large(island, light), pattern)
        if own is not None:
            mark[island.blob] = own
    return mark


def large_of(marks: PanelMarks, /) -> BoolArray:
    """Return which marks are larger than the smallest size, (rows, columns).

    Raises
    ------
    ValueError
        The marks are no whole lattice, row by row.
    """
    back = np.flatnonzero(np.diff(marks.panel[:, 0]) < 0.0)
    columns = int(back[0]) + 1 if len(back) else len(marks)
    if len(marks) % columns:
        raise ValueError(f"{len(marks)} marks in rows of {columns}")
    large: BoolArray = (marks.radius > 1.2 * marks.radius.min()).reshape(-1, columns)
    return large


def _is_whole(marks: PanelMarks) -> bool:
    try:
        large_of(marks)
    except ValueError:
        return False
    return True


def _is_large(island: Island, light: FloatArray) -> BoolArray:
    """Return which marks of an island are large, by the light of those within some steps.

    Halfway between the small and the large ones around, after what changes evenly over the photograph.
    """
    step = island.step.astype(np.float64)
    logarithm = np.log(np.maximum(light[island.blob], 1e-9))
    trend = best_map(step, np.stack([logarithm] * 2, axis=1), _TREND_DEGREE)
    rest = logarithm - trend(step)[:, 0]
    around = rest[nearest(step, step, _AROUND)[1]]
    low, high = np.quantile(around, (0.12, 0.88), axis=1)
    large: BoolArray = rest > (low + high) / 2.0
    return large


def _place_in_pattern(step: IntArray, large: BoolArray, pattern: BoolArray) -> IntArray | None:
    """Return the place (k,) of each mark of an island in the pattern, row by row; None where not sure."""
    best, second, where = -1, -1, None
    known = np.where(pattern, 1.0, -1.0)
    for turn in _TURNS:
        turned = step @ turn
        turned = turned - turned.min(axis=0)
        table = np.zeros(turned.max(axis=0) + 1)
        table[turned[:, 0], turned[:, 1]] = np.where(large, 1.0, -1.0)
        inside = np.zeros_like(table)
        inside[turned[:, 0], turned[:, 1]] = 1.0
        # Marks that would lie off the panel count as wrong ones.
        right = (_shifted(known, table) + _shifted(np.ones_like(known), inside)) / 2.0
        score = np.round(right).astype(int)
        top = np.unravel_index(int(np.argmax(score)), score.shape)
        value = int(score[top])
        score[top] = -1
        second = max(second, int(score.max()), min(best, value))
        if value > best:
            best, where = value, (turned + np.array(top) - (np.array(table.shape) - 1))
    count = len(step)
    if where is None or best < _AGREE * count or best - second < max(_BETTER * count, 4):
        return None
    row, column = where.T
    rows, columns = pattern.shape
    on = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
    place: IntArray = np.where(on, row * columns + column, -1)
    return place


def _shifted(pattern: FloatArray, table: FloatArray) -> FloatArray:
    """Return the sum of products of both for every shift of the table over the pattern."""
    sums: FloatArray = correlate(pattern, table, mode="full", method="fft")
    return sums
