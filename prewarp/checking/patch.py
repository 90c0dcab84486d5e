"""A patch: samples that are wrong together, and the borders that its two kinds share."""

from dataclasses import dataclass

from prewarp.checks import IntArray

CHANCE = 1e-4  # that a grid without faults has a window like the one that is named
FEWEST_ROWS = 4
LEAST_PX = 0.2  # optics may really turn as fast at the rim
LEAST_NOISE_PX = 0.03  # what less noise shows is what the model misses
FAR_SIGMA = 3.5  # from which a sample lies far off


@dataclass(frozen=True, eq=False)
class Patch:
    """Samples (positions in the index) that are wrong together, the group where it is one pupil, and the
    size.

    `scatters`: in any direction, not by a common step. `by_view`: told by those around, not by other pupils.
    """

    rows: IntArray
    group: int | None
    size_px: float
    scatters: bool = False
    by_view: bool = False
