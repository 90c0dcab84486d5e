"""Lattices: is the grid regular on the panel, in direction or neither, and what is missing from it."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from prewarp.checking.affine import Frame
from prewarp.checking.result import Finding, finding
from prewarp.checking.samples import Samples
from prewarp.checks import BoolArray, FloatArray, IntArray
from prewarp.cores import on_cores

PANEL_STEP_PX = 1e-4
DIRECTION_STEP_DEG = 1e-7
NEAR_MM = 0.1


@dataclass(frozen=True, eq=False)
class Lattice:
    """The regular arrangement of one channel and colour.

    `kind` is "panel", "direction" or "scattered". `first`, `second` are (m,) level numbers of each sample on
    the two axes (-1 off the lattice) for the samples `index`; `levels` the values, px or degrees.
    """

    kind: str
    pair: int
    index: IntArray
    first: IntArray
    second: IntArray
    levels: tuple[FloatArray, FloatArray]

    @property
    def on(self) -> np.ndarray:
        """Return (m,) bool: the sample sits on a node."""
        return (self.first >= 0) & (self.second >= 0)


def find_lattices(samples: Samples) -> list[Lattice]:
    """Return the lattice of each channel and colour: panel before direction; scattered when neither fits."""
    return on_cores(lambda pair: _find_lattice(samples, pair), samples.pairs.tolist())


def _find_lattice(samples: Samples, pair: int) -> Lattice:
    index = np.flatnonzero(samples.pair == pair)
    largest = samples.group_size[samples.group_pair == pair].max()
    for kind, values, rows, step in (
        ("panel", samples.pixel, index, PANEL_STEP_PX),
        ("direction", samples.grid.direction_deg, samples.index[index], DIRECTION_STEP_DEG),
    ):
        levels = [_Levels(values[rows, axis], step) for axis in (0, 1)]
        first_levels, second_levels = (one.values for one in levels)
        nodes = len(first_levels) * len(second_levels)
        if min(len(first_levels), len(second_levels)) < 2 or nodes > 4 * largest:
            continue
        first, second = (one.numbers() for one in levels)
        if np.mean((first >= 0) & (second >= 0)) > 0.8:
            return Lattice(kind, pair, index, first, second, (first_levels, second_levels))
    none = np.broadcast_to(np.int64(-1), len(index))
    return Lattice("scattered", pair, index, none, none, (np.zeros(0), np.zeros(0)))


class _Levels:
    """The values that occur again and again along one axis, told apart by whole `step`s."""

    def __init__(self, values: FloatArray, step: float) -> None:
        self._steps = np.round(values / step)
        steps, counts = np.unique(self._steps, return_counts=True)
        # Of the samples, so that many stray values do not count.
        typical = np.median(np.repeat(counts, counts))
        self._common = steps[(counts >= 2) & (counts >= 0.1 * typical)]
        self.values: FloatArray = self._common * step

    def numbers(self) -> IntArray:
        """Return the number of each sample's level, -1 for values that are rare."""
        number = np.minimum(np.searchsorted(self._common, self._steps), len(self._common) - 1)
        return np.where(self._common[number] == self._steps, number, -1)


def panel_places(samples: Samples, frame: Frame, lattice: Lattice) -> int:
    """Return at how many panel places a channel and colour was sampled: what a polynomial can rest on.

    On a lattice the nodes, since other pupils repeat them; scattered, the occupied ones of 64 x 64 cells.
    """
    if lattice.kind != "scattered":
        return int(np.median(samples.group_size[samples.group_pair == lattice.pair]))
    w = np.clip(frame(samples.pixel[lattice.index]), -1.0, 0.999999)
    cell = np.floor((w + 1.0) * 32.0).astype(np.int64)
    return len(np.unique(cell[:, 1] * 64 + cell[:, 0]))


def check_layout(samples: Samples, lattices: list[Lattice]) -> Iterator[Finding]:
    """Yield the arrangement as a remark."""
    kinds = sorted({lattice.kind for lattice in lattices})
    yield finding(
        "layout",
        "remark",
        f"samples are {' and '.join(_KIND_TEXT[kind] for kind in kinds)}; "
        f"{len(samples.pupils_mm)} pupil position{'s' if len(samples.pupils_mm) != 1 else ''}.",
        "",
    )


_KIND_TEXT = {
    "panel": "on a lattice on the panel",
    "direction": "on a lattice in direction",
    "scattered": "scattered (on no lattice, so missing points cannot be told)",
}


def node_table(samples: Samples, lattice: Lattice) -> tuple[IntArray, IntArray]:
    """Return group codes (g,) and sample numbers (g, second, first) of the nodes; -1 where there is none."""
    groups, local = np.unique(samples.group[lattice.index], return_inverse=True)
    table = np.full((len(groups), len(lattice.levels[1]), len(lattice.levels[0])), -1)
    on = lattice.on
    table[local[on], lattice.second[on], lattice.first[on]] = lattice.index[on]
    return groups, table


def between(there: BoolArray, *, axis: int) -> BoolArray:
    """Return where a node has others on both sides along `axis`."""
    before = np.maximum.accumulate(there, axis=axis)
    after = np.flip(np.maximum.accumulate(np.flip(there, axis=axis), axis=axis), axis=axis)
    result: BoolArray = before & after
    return result


def check_pupil_lattice(samples: Samples, meant_mm: Sequence[FloatArray] = ()) -> Iterator[Finding]:
    """Yield pupil positions missing from a channel and colour, or from the lattice that they form.

    Positions within `NEAR_MM` of one of `meant_mm`, (3,) each, are not missing: a shot was taken there whose
    written position is found wrong.
    """
    count = len(samples.pupils_mm)
    captured = np.zeros((int(samples.pairs.max()) + 1, count), dtype=bool)
    captured[samples.group_pair, samples.group_pupil] = True
    if count > samples.group_size.sum() / 3:
        return  # a pupil position of its own for every ray: no lattice to speak of
    for pair in samples.pairs:
        # Channels may have eye boxes of their own, so a position is expected where most colours and channels
        # have it.
        absent = np.flatnonzero(~captured[pair] & (captured[samples.pairs].mean(axis=0) > 0.5))
        if len(absent) and captured[pair].sum() > 1:
            yield _pupils_missing(
                samples.pupils_mm[absent], samples.channel_of(pair), samples.colour_of(pair)
            )
    axes = [np.unique(np.round(samples.pupils_mm[:, axis], 6)) for axis in range(3)]
    nodes = len(axes[0]) * len(axes[1]) * len(axes[2])
    if count < nodes <= 1.5 * count and count >= 4:
        place = [np.searchsorted(axes[axis], np.round(samples.pupils_mm[:, axis], 6)) for axis in range(3)]
        there = np.zeros([len(axis) for axis in axes], dtype=bool)
        there[tuple(place)] = True
        holes = ~there
        for axis in (0, 1):
            holes &= between(there, axis=axis)
        nowhere = np.argwhere(holes)
        if len(nowhere):
            positions = np.stack([axes[axis][nowhere[:, axis]] for axis in range(3)], axis=1)
            for meant in meant_mm:
                positions = positions[np.linalg.norm(positions - meant, axis=1) > NEAR_MM]
            if len(positions):
                yield _pupils_missing(positions, None, None)


def _pupils_missing(positions: FloatArray, channel: str | None, colour: str | None) -> Finding:
    shown = ", ".join(f"({x:g}, {y:g}, {z:g})" for x, y, z in positions[:5])
    more = f" and {len(positions) - 5} more" if len(positions) > 5 else ""
    return finding(
        "pupil_lattice",
        "warning",
        f"{len(positions)} pupil position{'s' if len(positions) > 1 else ''} missing: {shown}{more} mm.",
        "Capture there, or check that the rows carry the right pupil position.",
        channel=channel,
        colour=colour,
    )
