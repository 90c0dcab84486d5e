"""Overlaps: the directions that two channels both serve, on a lattice of degrees."""

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from prewarp.checks import BoolArray, FloatArray
from prewarp.frames import tangent_from_degrees
from prewarp.seam.blend import Seam

OVERLAP_STEP_DEG = 0.5
# A seam error shows where both channels give light: at least this share each.
LEAST_SHARE = 4e-3


@dataclass(frozen=True)
class Overlap:
    """Directions that two channels serve from the whole eye box and both light.

    Parameters
    ----------
    channels : (str, str)
    tangent : (n, 2) float array
        The directions, tangents, row by row of the lattice.
    share : (2, n) float array
        Blend weight of each of the two channels.
    axes_deg : ((columns,), (rows,)) float arrays
        Lattice of dir_x and dir_y, degrees.
    inside : (rows, columns) bool array
        Which lattice points are the directions.
    """

    channels: tuple[str, str]
    tangent: FloatArray
    share: FloatArray
    axes_deg: tuple[FloatArray, FloatArray]
    inside: BoolArray

    @property
    def is_wide(self) -> bool:
        """Whether it runs across: the channels lie one above the other."""
        wide, high = np.ptp(self.tangent, axis=0)
        return bool(wide > high)

    def spread_out(self, values: FloatArray, /) -> FloatArray:
        """Return values (n,) on the lattice (rows, columns), NaN elsewhere."""
        plane = np.full(self.inside.shape, np.nan)
        plane[self.inside] = values
        return plane

    def thinned(self, most: int, /) -> FloatArray:
        """Return at most `most` of the directions, (m, 2), evenly picked along the list."""
        step = max(1.0, len(self.tangent) / most)
        return np.asarray(self.tangent[np.arange(0.0, len(self.tangent), step).astype(int)[:most]])


def overlaps(seam: Seam, /, *, step_deg: float = OVERLAP_STEP_DEG) -> tuple[Overlap, ...]:
    """Return the overlap of every two channels that have one, in the order of the seam's channels."""
    corners = np.degrees(np.arctan(np.concatenate([reach.outline for reach in seam.reaches])))
    low, high = (edge(corners, axis=0) for edge in (np.min, np.max))
    axes = tuple(
        np.arange(np.ceil(low[axis] / step_deg), np.floor(high[axis] / step_deg) + 1) * step_deg
        for axis in (0, 1)
    )
    tangent = tangent_from_degrees(np.stack(np.meshgrid(*axes), axis=-1))
    served, share = seam.served(tangent), seam.weights(tangent)
    lit = served & (share > LEAST_SHARE)
    return tuple(
        Overlap(
            (seam.channels[a], seam.channels[b]),
            tangent[inside],
            share[[a, b]][:, inside],
            (axes[0], axes[1]),
            inside,
        )
        for a, b in combinations(range(len(seam.channels)), 2)
        if (inside := lit[a] & lit[b]).any()
    )
