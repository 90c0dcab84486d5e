"""Figure of a bench: what its camera saw, where it stood, and how far fit and package lie off the trace."""

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from prewarp.checks import FloatArray
from prewarp.report.style import BLUE, GREEN, INK, ORANGE, figure, figure_bytes

WIDTH_PX, HEIGHT_PX = 1600, 1000
# Offsets of poses are drawn so much longer than the eye box.
_ENLARGED = 10.0
_COLOURS = (BLUE, GREEN, ORANGE)


def bench_picture(
    photograph: NDArray[np.uint16] | NDArray[np.uint8],
    label_mm: FloatArray,
    true_mm: FloatArray,
    found_mm: FloatArray,
    errors: Mapping[str, FloatArray],
    wanted: Sequence[float],
    /,
    *,
    title: str,
) -> bytes:
    """Return the figure as PNG.

    Parameters
    ----------
    photograph : (height, width) array
        A whole frame as the camera wrote it.
    label_mm, true_mm, found_mm : (k, 3) float arrays
        Where poses were planned; where the camera was, and where it was found to be, beside that, without
        what is common to all.
    errors : mapping of words to (n,) float arrays
        Arcmin.
    wanted : sequence of float
        Marked errors, arcmin.
    """
    with figure(WIDTH_PX, HEIGHT_PX, title) as drawn:
        grid = drawn.add_gridspec(2, 2, height_ratios=(1.1, 1.0))
        top = drawn.add_subplot(grid[0, :])
        light = np.sqrt(np.clip(photograph / max(float(photograph.max()), 1.0), 0.0, 1.0))
        top.imshow(light, cmap="gray", interpolation="antialiased")
        top.set_title("One photograph: all dots of a channel (brightened: square root)")
        top.grid(visible=False)
        top.set_xlabel("x, px")
        top.set_ylabel("y, px")
        place = drawn.add_subplot(grid[1, 0])
        place.plot(*label_mm[:, :2].T, ".", color=INK, label="planned")
        for offset, colour, word in ((true_mm, ORANGE, "truth"), (found_mm, BLUE, "found")):
            ends = label_mm + _ENLARGED * offset
            place.quiver(
                *label_mm[:, :2].T,
                *(ends - label_mm)[:, :2].T,
                angles="xy",
                scale_units="xy",
                scale=1.0,
                color=colour,
                width=0.006 if word == "truth" else 0.003,
                label=word,
            )
        place.set_title(f"Where the camera stood, offsets {_ENLARGED:g} times enlarged")
        place.set_xlabel("x, mm")
        place.set_ylabel("y, mm")
        place.set_aspect("equal")
        shown = np.concatenate([label_mm, *(label_mm + _ENLARGED * one for one in (true_mm, found_mm))])[
            :, :2
        ]
        low, high = shown.min(axis=0) - 0.5, shown.max(axis=0) + 0.5
        place.set(xlim=(low[0], high[0]), ylim=(low[1], high[1]))
        place.legend(loc="upper left", bbox_to_anchor=(1.02, 1.0), frameon=False)
        share = drawn.add_subplot(grid[1, 1])
        for (word, values), colour in zip(errors.items(), _COLOURS, strict=False):
            known = np.sort(values[np.isfinite(values)])
            if len(known):
                share.plot(known, 100.0 * np.arange(1, len(known) + 1) / len(known), color=colour, label=word)
        for one in wanted:
            share.axvline(one, color=INK, linewidth=0.8, linestyle="--")
        share.axhline(95.0, color=INK, linewidth=0.8, linestyle=":")
        share.set_xscale("log")
        share.set_title("Error against the trace, at pupils that were not photographed")
        share.set_xlabel("error, arcmin")
        share.set_ylabel("dots below, %")
        share.legend(loc="center left")
    return figure_bytes(drawn)
