"""A whole grid from a design: every channel and colour at many pupil positions and directions."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import FloatArray, as_pupil, as_tangent
from prewarp.errors import TraceError
from prewarp.frames import tangent_from_degrees
from prewarp.grids import Grid, grid_from_samples
from prewarp.module import Channel, DisplayModule
from prewarp.trace.channel import trace_channel
from prewarp.trace.design import Design


@dataclass(frozen=True)
class TracedSamples:
    """The grid of rays that came through, and the others: `lost[channel]["surface 3 (front): missed"]`."""

    grid: Grid
    lost: Mapping[str, Mapping[str, int]]


def reach_lattice(
    channel: Channel, count: tuple[int, int], /, *, margin_deg: tuple[float, float] = (0.0, 0.0)
) -> FloatArray:
    """Return directions (columns * rows, 2), tangents, evenly spread in degrees over the nominal reach.

    `count` is columns (x, running fastest) and rows (y); `margin_deg` (x, y) is added
    on both sides.
    """
    axes = [
        np.linspace(low - margin, high + margin, n)
        for (low, high), n, margin in zip(
            (channel.reach.dir_x_deg, channel.reach.dir_y_deg), count, margin_deg, strict=True
        )
    ]
    x, y = np.meshgrid(*axes)
    return tangent_from_degrees(np.stack([x, y], axis=-1).reshape(-1, 2))


def trace_samples(
    design: Design, module: DisplayModule, /, *, pupils: ArrayLike, directions: Mapping[str, ArrayLike]
) -> TracedSamples:
    """Trace every channel and colour of a module at all pupil positions and directions.

    Parameters
    ----------
    design, module
        The optics, and the panels, colours and channel names that belong to them.
    pupils : (p, 3) array
        Pupil positions, mm from the eye-box centre.
    directions : mapping of channel name to (m, 2) array
        Viewing directions, tangents; for instance from `reach_lattice`.

    Raises
    ------
    TraceError
        The design lacks a channel of the module, or no ray of a channel reaches its panel.
    """
    pupils = as_pupil(pupils).reshape(-1, 1, 3)
    rows: dict[str, list[np.ndarray]] = {
        name: [] for name in ("channel", "colour", "pupil_mm", "tangent", "pixel", "luminance")
    }
    lost: dict[str, Counter[str]] = {}
    for channel in module.channels:
        optics = design.channel(channel.name)
        tangent = as_tangent(directions[channel.name]).reshape(1, -1, 2)
        lost[channel.name] = Counter()
        for colour in module.colours:
            result = trace_channel(
                optics, channel.panel, tangent, pupil_mm=pupils, wavelength_nm=colour.wavelength_nm
            )
            lost[channel.name].update(result.failures())
            kept = result.valid
            if not kept.any():
                raise TraceError(
                    f"channel '{channel.name}', {colour.name}: no ray reaches the panel; most often "
                    f"{next(iter(result.failures()))}. Check the design's positions and signs.",
                    channel=channel.name,
                )
            count = int(kept.sum())
            rows["channel"].append(np.full(count, channel.name))
            rows["colour"].append(np.full(count, colour.name))
            rows["pupil_mm"].append(np.broadcast_to(pupils, (*kept.shape, 3))[kept])
            rows["tangent"].append(np.broadcast_to(tangent, (*kept.shape, 2))[kept])
            rows["pixel"].append(result.pixel[kept])
            rows["luminance"].append(optics.relative_luminance_of(colour.name) * result.luminance[kept])
    joined = {name: np.concatenate(parts) for name, parts in rows.items()}
    grid = grid_from_samples(
        channel=joined["channel"],
        colour=joined["colour"],
        pupil_mm=joined["pupil_mm"],
        tangent=joined["tangent"],
        pixel=joined["pixel"],
        luminance=joined["luminance"],
    )
    return TracedSamples(grid, lost)


def trace_grid(
    design: Design, module: DisplayModule, /, *, pupils: ArrayLike, directions: Mapping[str, ArrayLike]
) -> Grid:
    """Return `trace_samples(...).grid`: lost rays are simply not in it."""
    return trace_samples(design, module, pupils=pupils, directions=directions).grid
