"""The finite samples of a grid sorted into groups: one channel, one colour, one pupil position each.

All checks after the first look at values work on this. Arrays are over samples (n), groups (g), pairs of
channel and colour (p) or pupil positions (e).
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from prewarp.checks import FloatArray, IntArray, any_of_rows
from prewarp.frames import cosine_from_tangent, reference_pupil
from prewarp.grids import Grid

PUPIL_TOLERANCE_MM = 1e-6


@dataclass(frozen=True, eq=False)
class Samples:
    """Finite samples, in the order of the file."""

    grid: Grid
    index: IntArray  # (n,) into the grid's rows
    pixel: FloatArray  # (n, 2) px
    tangent: FloatArray  # (n, 2)
    pupil_mm: FloatArray  # (n, 3)
    pair: IntArray  # (n,) channel * colours + colour
    pupil: IntArray  # (n,) codes into `pupils_mm`
    pupils_mm: FloatArray  # (e, 3) distinct pupil positions
    group: IntArray  # (n,) codes into the group arrays
    group_pair: IntArray  # (g,)
    group_pupil: IntArray  # (g,)
    group_size: IntArray  # (g,)

    @cached_property
    def cosine(self) -> FloatArray:
        """Return (n, 2) direction cosines."""
        return cosine_from_tangent(self.tangent)

    @cached_property
    def reference_mm(self) -> FloatArray:
        """Return (n, 2) where the ray crosses z = 0."""
        return reference_pupil(self.tangent, self.pupil_mm)

    @property
    def row(self) -> IntArray:
        """Return (n,) row numbers in the file."""
        return self.grid.row[self.index]

    @property
    def pairs(self) -> IntArray:
        """Return the pair codes that have samples."""
        return np.unique(self.group_pair)

    def channel_of(self, pair: int) -> str:
        """Return the channel's name of a pair code."""
        return self.grid.channel_names[int(pair) // len(self.grid.colour_names)]

    def colour_of(self, pair: int) -> str:
        """Return the colour's name of a pair code."""
        return self.grid.colour_names[int(pair) % len(self.grid.colour_names)]

    def group_text(self, group: int) -> str:
        """Return "pupil (x, y, z) mm" of a group."""
        x, y, z = self.pupils_mm[self.group_pupil[group]]
        return f"pupil ({x:g}, {y:g}, {z:g}) mm"

    def rows_of_groups(self, groups: IntArray) -> IntArray:
        """Return row numbers of all samples in `groups`."""
        chosen = np.zeros(len(self.group_pair), dtype=bool)
        chosen[groups] = True
        return self.row[chosen[self.group]]


def samples_from_grid(grid: Grid) -> Samples:
    """Leave out samples that are not finite and sort the rest into groups."""
    finite = grid.finite
    index = np.flatnonzero(finite)
    # All of them need no copy.
    kept = slice(None) if len(index) == len(grid) else index
    tangent, pupil_mm = grid.tangent[kept], grid.pupil_mm[kept]
    pair = grid.channel[kept].astype(np.int64) * len(grid.colour_names) + grid.colour[kept]
    pupil, pupils_mm = _distinct_positions(pupil_mm)
    group_keys, group, size = _distinct_numbers(pair * max(len(pupils_mm), 1) + pupil)
    # Codes half as wide: of millions of rows they are a third of all that is made here.
    return Samples(
        grid=grid,
        index=index,
        pixel=grid.pixel[kept],
        tangent=tangent,
        pupil_mm=pupil_mm,
        pair=pair.astype(np.int32),
        pupil=pupil.astype(np.int32),
        pupils_mm=pupils_mm,
        group=group.astype(np.int32),
        group_pair=group_keys // max(len(pupils_mm), 1),
        group_pupil=group_keys % max(len(pupils_mm), 1),
        group_size=size,
    )


def thinned(samples: Samples, most_per_group: int) -> Samples:
    """Return samples of which a group has about `most_per_group` at most, drawn at random, always the same.

    Groups keep their codes; `group_size` still says how many there were.
    """
    share = most_per_group / max(float(np.median(samples.group_size)), 1.0)
    if share >= 0.5 or not len(samples.index):
        return samples
    kept = np.flatnonzero(np.random.default_rng(2).random(len(samples.index)) < share)
    names = ("index", "pixel", "tangent", "pupil_mm", "pair", "pupil", "group")
    return replace(samples, **{name: getattr(samples, name)[kept] for name in names})


def _distinct_positions(position_mm: FloatArray) -> tuple[IntArray, FloatArray]:
    """Return codes (n,) and the distinct positions (e, 3), ordered by z, y, x.

    Rows of one position mostly follow each other, so only the first of each run is sorted.
    """
    if not len(position_mm):
        return np.zeros(0, dtype=np.int64), np.zeros((0, 3))
    changed = any_of_rows(position_mm[1:] != position_mm[:-1])
    starts = np.concatenate([[0], np.flatnonzero(changed) + 1])
    steps = np.round(np.clip(position_mm[starts], -1e9, 1e9) / PUPIL_TOLERANCE_MM)
    _, first, inverse = np.unique(steps[:, ::-1], axis=0, return_index=True, return_inverse=True)
    lengths = np.diff(np.append(starts, len(position_mm)))
    return np.repeat(inverse.reshape(-1), lengths), position_mm[starts][first]


def _distinct_numbers(number: IntArray) -> tuple[IntArray, IntArray, IntArray]:
    """Return the distinct numbers (g,) in order, the place of each of `number` (n,) among them, their counts.

    Equal numbers mostly follow each other, so only the first of each run is sorted.
    """
    if not len(number):
        return number, number, number
    starts = np.concatenate([[0], np.flatnonzero(number[1:] != number[:-1]) + 1])
    distinct, inverse = np.unique(number[starts], return_inverse=True)
    lengths = np.diff(np.append(starts, len(number)))
    place = np.repeat(inverse.reshape(-1), lengths)
    return distinct, place, np.bincount(inverse.reshape(-1), lengths, len(distinct)).astype(np.int64)


def group_sums(columns: Iterable[FloatArray], group: IntArray, count: int) -> FloatArray:
    """Return sums of k `columns` (n,) over each of `count` groups, (count, k)."""
    return np.stack([np.bincount(group, weights=column, minlength=count) for column in columns], axis=-1)
