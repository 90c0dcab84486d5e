"""What is told of a channel as a whole before anything is fitted: its panel points, which colours it has."""

from collections.abc import Iterator, Mapping

import numpy as np

from prewarp.checking.result import Finding, finding
from prewarp.checks import FloatArray, extent, finite_rows
from prewarp.grids import Grid

PANEL_MARGIN = 0.02  # of the panel's size: traces may pass the edge a little
MOST_OFF_PANEL = 0.01  # of a channel's rows: single wrong points, not a wrong panel
LEAST_SPREAD_PX = 1.0
_FEWEST = 12
# Panel points that reach this many times beyond the panel are in another unit rather than of another panel.
_OTHER_UNIT = 50.0


def check_colours(grid: Grid) -> Iterator[Finding]:
    """Yield a finding for each colour that one channel lacks and another has: all show every colour."""
    present = np.zeros((len(grid.channel_names), len(grid.colour_names)), dtype=bool)
    present[grid.channel, grid.colour] = True
    for channel, colour in np.argwhere(~present & present.any(axis=0)):
        # Where one channel has only this name and the other only that one, the later of the two is the slip.
        has = present[:, colour]
        swapped = (
            present[channel] & (present[has] != present[channel]).all(axis=0) & ~present[has].any(axis=0)
        )
        other = int(np.argmax(swapped))
        if swapped.any() and other < colour:
            continue
        name, slip = grid.colour_names[colour], grid.colour_names[other]
        rows = grid.row[(grid.channel == channel) & (grid.colour == other)] if swapped.any() else ()
        own = ", ".join(np.array(grid.colour_names)[present[channel]])
        yield finding(
            "color",
            "error",
            f"no sample of colour '{name}', which channel '{grid.channel_names[np.argmax(has)]}' has; "
            f"it has {own}.",
            f"If '{slip}' means the same, write '{name}' in the column color of these rows."
            if swapped.any()
            else "Capture the colour, or delete it in the other channels.",
            channel=grid.channel_names[channel],
            rows=rows,
        )


def check_panels(grid: Grid, sizes_px: Mapping[str, tuple[int, int]]) -> Iterator[Finding]:
    """Yield findings about each channel's panel points; `sizes_px` holds width and height where known."""
    for code, channel in enumerate(grid.channel_names):
        index = np.flatnonzero((grid.channel == code) & finite_rows(grid.pixel))
        pixel = grid.pixel[index]
        if len(index) >= _FEWEST and ((spans := np.diff(extent(pixel), axis=0)[0]) < LEAST_SPREAD_PX).any():
            spread = "{:.3g} x {:.3g}".format(*spans)
            yield finding(
                "range",
                "error",
                f"panel points span {spread} px.",
                "Are panel_u_px and panel_v_px in px? Points on a line say nothing of the panel.",
                channel=channel,
            )
        if len(index) and channel in sizes_px:
            yield from _off_panel(grid, channel, index, pixel, np.array(sizes_px[channel], dtype=float))


def _off_panel(
    grid: Grid, channel: str, index: np.ndarray, pixel: FloatArray, size: FloatArray
) -> Iterator[Finding]:
    beyond = np.stack([np.maximum(-pixel[:, k], pixel[:, k] - size[k]) for k in (0, 1)], axis=-1)
    off = (beyond[:, 0] > PANEL_MARGIN * size[0]) | (beyond[:, 1] > PANEL_MARGIN * size[1])
    if not off.any():
        return
    many = off.mean() > MOST_OFF_PANEL
    kind, mend = _cause(pixel, size) if many else ("range", "Measure these points again or delete the rows.")
    u, v = pixel[off][0]
    share = f", as {100.0 * off.mean():.3g} % of the channel's rows are" if many else ""
    yield finding(
        kind,
        "error" if many or (beyond > size).any() else "warning",
        f"point u={u:g} v={v:g} px is off the panel of {size[0]:.0f} x {size[1]:.0f} px{share}.",
        mend,
        channel=channel,
        rows=grid.row[index[off]],
    )


def _cause(pixel: FloatArray, size: FloatArray) -> tuple[str, str]:
    """Return the kind of finding and the mend for panel points (n, 2) of which many lie off the panel."""
    margin = PANEL_MARGIN * size
    turned = ((pixel >= -margin[::-1]) & (pixel <= (size + margin)[::-1])).all(axis=1)
    low, high = np.quantile(pixel, [0.01, 0.99], axis=0)
    reach = "points reach from u={:.4g} v={:.4g} to u={:.4g} v={:.4g}".format(*extent(pixel).ravel())
    if size[0] != size[1] and turned.mean() >= 1.0 - MOST_OFF_PANEL:
        return (
            "axis",
            "Width and height fit the other way round: swap panel_u_px and panel_v_px, or the panel's size.",
        )
    if (high > _OTHER_UNIT * size).any():
        return "units", f"Are panel_u_px and panel_v_px in px? The {reach}."
    if (low < -0.25 * size).any():
        return "range", f"The origin is the panel's top-left corner; {reach}."
    return "range", f"Give the right panel size: {reach}."
