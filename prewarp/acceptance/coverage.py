"""Whether a capture shows enough of eye box and panel for a figure that is meant to hold over both."""

import numpy as np

from prewarp.acceptance.predicted import Deviations
from prewarp.checks import FloatArray
from prewarp.lookup import Lookup
from prewarp.lookup.device_light import PreparedLight

# Of each side of the eye box, that pupil positions must span; of the lit parts of a panel that may lack dots.
SPAN_SHARE, UNSEEN_SHARE = 0.5, 0.05
# Fewer rows of a channel and colour say nothing of 95 % of them.
FEWEST_ROWS = 60
# Parts of a panel each way.
PARTS = 5


def lacking(group: Deviations, lookup: Lookup, /) -> str:
    """Return what a channel and colour lack for figures over panel and eye box; "" if nothing."""
    if len(group) < FEWEST_ROWS:
        return f"{FEWEST_ROWS} rows or more of each channel and colour; there are {len(group)}"
    return pupils_lacking(group.pupil_mm, lookup) or _dots_lacking(group, lookup)


def part_of(pixel: FloatArray, size_px: tuple[int, int], /) -> np.ndarray:
    """Return the part of a panel (n,) that points (n, 2) lie in, row by row from the top left."""
    place = np.floor(PARTS * pixel / np.asarray(size_px, dtype=float)).astype(int)
    place = np.clip(place, 0, PARTS - 1)
    return np.asarray(place[:, 1] * PARTS + place[:, 0])


def pupils_lacking(shown: FloatArray, lookup: Lookup, /) -> str:
    """Return what pupil positions (n, 3) lack for figures over the eye box; "" if nothing."""
    low, high = np.asarray(lookup.pupil_box_mm, dtype=float)
    for axis, name in enumerate("xy"):
        least, most = float(shown[:, axis].min()), float(shown[:, axis].max())
        if most - least < SPAN_SHARE * (high[axis] - low[axis]) - 1e-6:
            seen = f"{least:g}" if least == most else f"{least:g} to {most:g}"
            return (
                f"pupil positions over the eye box: {name} was captured at {seen} mm, of "
                f"{low[axis]:g} to {high[axis]:g} mm at least half must be spanned"
            )
    return ""


def _dots_lacking(group: Deviations, lookup: Lookup) -> str:
    number = lookup.channels.index(group.channel)
    width, height = lookup.panel_sizes_px[number]
    steps = (np.arange(PARTS) + 0.5) / PARTS
    u, v = np.meshgrid(steps * width, steps * height)
    middle = np.stack([u, v], axis=-1).reshape(-1, 2)
    light = PreparedLight(lookup, np.mean(lookup.pupil_box_mm, axis=0))
    said = light.maps[lookup.map_index(group.channel, group.colour)].direction_from_panel(middle)
    lit = light.lit(said.astype(float))[number]
    seen = np.zeros(PARTS * PARTS, dtype=bool)
    seen[part_of(group.pixel, (width, height))] = True
    missing = int(np.count_nonzero(lit & ~seen))
    if missing <= UNSEEN_SHARE * np.count_nonzero(lit):
        return ""
    return (
        f"dots over all of the panel: {missing} of {int(np.count_nonzero(lit))} parts that the package "
        "lights have none"
    )
