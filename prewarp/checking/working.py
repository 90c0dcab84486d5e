"""How much memory a check takes beside its grid, told before it begins."""

import numpy as np

from prewarp.cores import usable_cores
from prewarp.grids import Grid
from prewarp.memory import require_memory

# Bytes by measurement: a row, and with each colour of a channel that is worked on at the same time; the
# surface of such a colour, by its rows and at most.
_ROW, _ROW_AT_ONCE, _SURFACE_ROW, _SURFACE = 165.0, 20.0, 4000.0, 70e6
_PROGRAM = 70e6


def working_bytes(grid: Grid, /) -> float:
    """Return how much memory a check takes beside the grid itself, bytes."""
    pairs = np.bincount(grid.channel * len(grid.colour_names) + grid.colour)
    at_once = min(int(np.count_nonzero(pairs)), usable_cores())
    surfaces = np.minimum(_SURFACE_ROW * np.sort(pairs)[-at_once:], _SURFACE)
    return float(_PROGRAM + (_ROW + _ROW_AT_ONCE * at_once) * len(grid) + surfaces.sum())


def require_room(grid: Grid, /) -> None:
    """Raise `PrewarpError` where a check does not fit into memory beside its grid."""
    require_memory(
        working_bytes(grid),
        f"checking {len(grid)} rows",
        "Check some channels or colours alone, in grids of their own, or end other programs.",
    )
