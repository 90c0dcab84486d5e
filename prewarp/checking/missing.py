"""Lattice points that are missing: single ones at random, and holes where many are missing together."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import label

from prewarp.checking.lattice import Lattice, between, node_table
from prewarp.checking.result import Finding, Region, finding
from prewarp.checking.samples import Samples
from prewarp.checks import BoolArray, IntArray

COMMON = 0.9  # a node that this share of the pupil positions has is expected of all
MANY = 0.1  # share of points missing at random from which a capture deserves a look
_CHANCE = 1e-3  # that points missing at random form a hole anywhere
_WAYS = 7.0  # roughly, in which a group of missing neighbours can grow by one
_LEAST_HOLE = 6
_SHOWN = 5


@dataclass(frozen=True, eq=False)
class _Missing:
    """Nodes missing from one channel and colour: (g, second, first) True; `hole` those missing together."""

    lattice: Lattice
    groups: IntArray
    there: int
    missing: BoolArray
    hole: BoolArray


def check_missing(samples: Samples, lattices: list[Lattice]) -> Iterator[Finding]:
    """Yield one finding for all nodes missing at random, and one for each channel and colour with a hole.

    A hole is a group of missing neighbours, at one pupil position, too large for chance.
    """
    found = [_missing(samples, lattice) for lattice in lattices if lattice.kind != "scattered"]
    lone = [(one, *node) for one in found for node in np.argwhere(one.missing & ~one.hole)[:_SHOWN]]
    count = sum(int((one.missing & ~one.hole).sum()) for one in found)
    there = sum(one.there for one in found)
    if count:
        share = count / (count + there)
        shown = "; ".join(_node_text(samples, *node) for node in lone[:_SHOWN])
        pairs = [one.lattice.pair for one in found if (one.missing & ~one.hole).any()]
        yield finding(
            "lattice",
            "warning" if share > MANY else "remark",
            f"{count} of {count + there} lattice points are missing here and there ({100.0 * share:.2g} %), "
            f"first: {shown}.",
            "Nothing needs mending if dots were not found there: a fit bridges single ones."
            if share <= MANY
            else "Look at why so many dots are not found; a fit bridges single ones.",
            channel=samples.channel_of(pairs[0]) if len(pairs) == 1 else None,
            colour=samples.colour_of(pairs[0]) if len(pairs) == 1 else None,
            size=(100.0 * share, "percent"),
        )
    for one in found:
        if one.hole.any():
            yield _hole_finding(samples, one)


def _missing(samples: Samples, lattice: Lattice) -> _Missing:
    groups, table = node_table(samples, lattice)
    there = table >= 0
    missing = ~there & between(there, axis=1) & between(there, axis=2)
    if lattice.kind == "panel" and len(groups) > 2:
        missing |= ~there & (there.mean(axis=0) >= COMMON)
    structure = np.zeros((3, 3, 3))
    structure[1] = 1.0  # neighbours on the lattice, at one pupil position
    part, _ = label(missing, structure=structure)
    sizes = np.bincount(part.ravel())
    sizes[0] = 0
    hole = (sizes >= _smallest_hole(int(missing.sum()), int(there.sum())))[part]
    return _Missing(lattice, groups, int(there.sum()), missing, hole)


def _smallest_hole(missing: int, there: int) -> float:
    """Return from how many neighbours on missing points are not missing at random.

    Of m points missing at random with share s about m (7 s)^(k - 1) groups of k neighbours are expected
    (derived here; the number of ways to grow is counted generously).
    """
    if not missing:
        return np.inf
    growth = _WAYS * missing / (missing + there)
    if growth >= 0.9:
        return np.inf if missing < 0.5 * (missing + there) else float(_LEAST_HOLE)
    return max(float(_LEAST_HOLE), 1.0 + float(np.log(_CHANCE / missing) / np.log(growth)))


def _hole_finding(samples: Samples, one: _Missing) -> Finding:
    where = np.argwhere(one.hole)
    groups = np.unique(where[:, 0])
    levels = one.lattice.levels
    first = levels[0][where[:, 2]]
    second = levels[1][where[:, 1]]
    on_panel = one.lattice.kind == "panel"
    unit, name_1, name_2 = ("px", "u", "v") if on_panel else ("degrees", "dir_x", "dir_y")
    spans = [f"{values.min():.6g} to {values.max():.6g}" for values in (first, second)]
    place = f"{name_1}={spans[0]} {name_2}={spans[1]} {unit}"
    at = samples.group_text(one.groups[groups[0]])
    if len(groups) > 1:
        at += f" and {len(groups) - 1} more positions"
    region = Region((float(first.min()), float(first.max())), (float(second.min()), float(second.max())))
    return finding(
        "lattice",
        "warning",
        f"{len(where)} lattice points are missing together, in {place}, at {at}.",
        "Capture them again, or leave them if this part is dark there: a fit does not bridge a hole.",
        channel=samples.channel_of(one.lattice.pair),
        colour=samples.colour_of(one.lattice.pair),
        pupil_mm=samples.pupils_mm[samples.group_pupil[one.groups[groups[0]]]] if len(groups) == 1 else None,
        region=region if on_panel else None,
        size=(float(len(where)), "points"),
    )


def _node_text(samples: Samples, one: _Missing, group: int, second: int, first: int) -> str:
    unit = ("px", "u", "v") if one.lattice.kind == "panel" else ("degrees", "dir_x", "dir_y")
    u, v = one.lattice.levels[0][first], one.lattice.levels[1][second]
    return f"{unit[1]}={u:.6g} {unit[2]}={v:.6g} {unit[0]} at {samples.group_text(one.groups[group])}"
