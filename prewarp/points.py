"""Positions spread over a box: one lattice for pupils, panels and their corners."""

from collections.abc import Sequence

import numpy as np

from prewarp.checks import FloatArray


def lattice_points(*axes: FloatArray) -> FloatArray:
    """Return all combinations (n, axes) of the values of each axis; the first axis runs fastest."""
    return np.stack(np.meshgrid(*axes[::-1], indexing="ij")[::-1], axis=-1).reshape(-1, len(axes))


def box_lattice(low: FloatArray, high: FloatArray, counts: Sequence[int], /) -> FloatArray:
    """Return evenly spread points (n, axes) from `low` to `high` (axes,), ends included, first axis fastest.

    A single point of an axis lies in the middle.
    """
    ends = zip(low, high, counts, strict=True)
    return lattice_points(*(np.linspace(a, b, n) if n > 1 else np.array([(a + b) / 2.0]) for a, b, n in ends))
