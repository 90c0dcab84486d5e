"""Samples that are there twice: same panel point or direction in one channel, colour and pupil position."""

from collections.abc import Iterator

import numpy as np

from prewarp.checking.result import Finding, finding
from prewarp.checking.samples import Samples
from prewarp.checks import FloatArray, IntArray, all_of_rows, lengths_of_rows
from prewarp.columns import row_list

CONFLICT_PX = 1.0
_MIX = np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9], dtype=np.uint64)


def check_duplicates(samples: Samples, px_per_tangent: FloatArray) -> Iterator[Finding]:
    """Yield repeats and contradictions.

    `px_per_tangent` (p,) by pair code turns a difference of directions into panel px: up to `CONFLICT_PX` it
    is a repeated measurement, beyond it a contradiction.
    """
    identical, repeated, conflicting = [], [], []
    for key, other, scale in (
        (samples.pixel, samples.tangent, px_per_tangent[samples.pair]),
        (samples.tangent, samples.pixel, np.ones(len(samples.pair))),
    ):
        first, second = _equal_neighbours(samples.group, key)
        distance = lengths_of_rows(other[first] - other[second]) * scale[first]
        identical.append(second[distance == 0.0])
        repeated.append(second[(distance > 0.0) & (distance <= CONFLICT_PX)])
        far = distance > CONFLICT_PX
        conflicting += [first[far], second[far]]
    rows = np.unique(np.concatenate(repeated))
    if len(rows):
        yield finding(
            "duplicate",
            "remark",
            f"{len(rows)} rows measure a point again and agree within {CONFLICT_PX:g} px "
            f"({row_list(np.sort(samples.row[rows])[:5].tolist(), len(rows))}).",
            "Nothing needs mending: a fit uses both.",
        )
    for kind, severity, found, text, mend in (
        ("duplicate", "warning", identical, "the same sample is there twice.", "Delete one of each."),
        (
            "conflict",
            "error",
            conflicting,
            f"the same panel point or direction is there with values more than {CONFLICT_PX:g} px apart.",
            "Keep the right one of each; check channel, colour and pupil position of these rows.",
        ),
    ):
        rows = np.unique(np.concatenate(found))
        if len(rows):
            yield finding(kind, severity, text, mend, rows=samples.row[rows])


def _equal_neighbours(group: IntArray, key: FloatArray) -> tuple[IntArray, IntArray]:
    """Return index pairs with equal group and key (n, 2); a 64-bit mix is sorted, then compared."""
    bits = np.ascontiguousarray(key + 0.0).view(np.uint64)  # + 0.0 makes -0.0 equal to 0.0
    mixed = (bits[:, 0] ^ (bits[:, 0] >> np.uint64(29))) * _MIX[0]
    mixed ^= (bits[:, 1] ^ (bits[:, 1] >> np.uint64(31))) * _MIX[1]
    mixed ^= group.astype(np.uint64) * _MIX[2]
    # Sorting alone is quick and mostly tells that nothing is there twice.
    ranked = np.sort(mixed)
    twice = ranked[1:][ranked[1:] == ranked[:-1]]
    if not len(twice):
        none = np.zeros(0, dtype=np.int64)
        return none, none
    some = np.flatnonzero(twice[np.minimum(np.searchsorted(twice, mixed), len(twice) - 1)] == mixed)
    order = some[np.argsort(mixed[some], kind="stable")]
    same = mixed[order[1:]] == mixed[order[:-1]]
    first, second = order[:-1][same], order[1:][same]
    equal = (group[first] == group[second]) & all_of_rows(key[first] == key[second])
    return first[equal], second[equal]
