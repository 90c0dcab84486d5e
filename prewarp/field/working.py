"""How much memory a fit takes beside its grid, told before it begins."""

import numpy as np

from prewarp.fitting.search import LEAST_SAMPLES_PER_PARAMETER, MOST_PARAMETERS
from prewarp.grids import Grid
from prewarp.memory import available_bytes, require_memory

# Matrices that the largest model has at once. By measurement, bytes: sums of all colours, and of each; a row
# of the channels at work; the rest.
_MATRICES, _SUMS, _SUMS_OF_COLOUR, _ROW, _PROGRAM = 7, 30e6, 45e6, 230.0, 50e6
# Two gain about a third on two free cores.
_MOST_AT_ONCE = 2


def working_bytes(grid: Grid, at_once: int, /) -> float:
    """Return how much memory a fit of so many channels at a time takes beside the grid itself, bytes.

    As much as the largest model that may be tried takes; which one is chosen, the samples say.
    """
    rows = np.sort(np.bincount(grid.channel))[-at_once:]
    parameters = np.minimum(MOST_PARAMETERS, 2.0 * rows / LEAST_SAMPLES_PER_PARAMETER)
    models = _MATRICES * 8.0 * parameters**2 + _SUMS + _SUMS_OF_COLOUR * len(grid.colour_names)
    return float(_PROGRAM + np.sum(models + _ROW * rows))


def channels_at_once(grid: Grid, /) -> int:
    """Return how many channels to fit at the same time: two, or one where memory does not hold both.

    Raises
    ------
    PrewarpError
        It does not hold one.
    """
    free = available_bytes()
    for count in range(_MOST_AT_ONCE, 1, -1):
        if free is None or working_bytes(grid, count) <= free:
            return count
    require_memory(
        working_bytes(grid, 1),
        f"fitting {len(grid)} rows",
        "Give fewer rows or colours, or end other programs.",
    )
    return 1
