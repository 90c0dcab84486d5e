"""Names of the grid's columns."""

import difflib
from collections.abc import Sequence

from prewarp.checks import nearest_name
from prewarp.columns import PUPIL_COLUMNS, Schema
from prewarp.errors import GridError

TEXT_COLUMNS = ("channel", "color")
DIRECTION_COLUMNS = ("dir_x_deg", "dir_y_deg")
PIXEL_COLUMNS = ("panel_u_px", "panel_v_px")
NUMBER_COLUMNS = PUPIL_COLUMNS + DIRECTION_COLUMNS + PIXEL_COLUMNS
OPTIONAL_COLUMNS = ("luminance", "sigma_px")
GRID_SCHEMA = Schema("a distortion grid", TEXT_COLUMNS, NUMBER_COLUMNS, OPTIONAL_COLUMNS)


def misspelt_options(names: Sequence[str]) -> list[tuple[str, str]]:
    """Return (found, meant) for extra columns with a name close to an optional column that is not there."""
    result = []
    for option in OPTIONAL_COLUMNS:
        extra = [name for name in names if name not in GRID_SCHEMA.known]
        if option not in names:
            close = [name for name in extra if name.lower() == option]
            close = close or difflib.get_close_matches(option, extra, n=1, cutoff=0.85)
            result += [(name, option) for name in close[:1]]
    return result


def require_known(name: str, known: Sequence[str], what: str, source: str) -> int:
    """Return the index of `name` in `known`; raise `GridError` with the nearest name otherwise."""
    if name not in known:
        raise GridError(
            f"{source}: no {what} '{name}'; there are {', '.join(known)}.{nearest_name(name, known)}",
            path=source,
        )
    return list(known).index(name)
