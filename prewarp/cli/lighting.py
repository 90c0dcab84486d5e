"""Luminance of one eye's channels from a grid, for the commands that draw or export with it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from prewarp.field import FieldSet
from prewarp.grids import Grid
from prewarp.module import Channel, DisplayModule
from prewarp.photometry import LightMatch, LuminanceMaps, fit_luminance, lit_fields, match_light
from prewarp.seam import Seam, build_seam


@dataclass(frozen=True)
class Lighting:
    """`fields` that reach no further than they are lit, how bright they are, their `seam`, and the match of the channels."""

    fields: FieldSet
    maps: LuminanceMaps
    seam: Seam
    match: LightMatch


def lighting(
    fields: FieldSet,
    module: DisplayModule,
    channels: Sequence[Channel],
    grid: Grid,
    /,
    *,
    white: str = "none",
) -> Lighting:
    """Fit luminance maps from a grid's column 'luminance' and match the channels of one eye over the eye box."""
    box = module.eye_box
    sizes = {channel.name: channel.panel.size_px for channel in channels}
    maps = fit_luminance(grid, panel_sizes_px=sizes)
    # A channel reaches no further than it is lit.
    lit = lit_fields(fields, maps, pupils_mm=box.lattice((3, 3, 1)))
    seam = build_seam(lit, pupils_mm=box.corners, channels=tuple(sizes))
    return Lighting(lit, maps, seam, matched(lit, module, maps, seam, white=white))


def matched(
    lit: FieldSet,
    module: DisplayModule,
    maps: LuminanceMaps,
    seam: Seam,
    /,
    *,
    white: str = "none",
    fall_percent_per_deg: float = 0.0,
) -> LightMatch:
    """Match the channels that a seam joins, for pupils all over the eye box."""
    box = module.eye_box
    return match_light(
        lit,
        maps,
        seam,
        pupils_mm=np.vstack([box.lattice((3, 3, 1)), box.corners]),
        fall_percent_per_deg=fall_percent_per_deg,
        chromaticities={c.name: c.chromaticity for c in module.channels if c.chromaticity is not None},
        white=white,
    )
