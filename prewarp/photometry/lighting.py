"""Luminance of one eye's channels from a grid: maps, reach, seam and match together, for what draws or exports with it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import as_pupil
from prewarp.field import FieldSet
from prewarp.grids import Grid
from prewarp.module import Channel, DisplayModule
from prewarp.photometry.border import lit_fields
from prewarp.photometry.fit import fit_luminance
from prewarp.photometry.luminance import LuminanceMaps
from prewarp.photometry.match import LightMatch, match_light
from prewarp.seam import Seam, build_seam

# Nodes of a panel, each way, at which its brightest place is looked for.
_NODES = 17


@dataclass(frozen=True)
class Lighting:
    """`fields` that reach no further than they are lit, how bright they are, their `seam`, and the match of the channels."""

    fields: FieldSet
    maps: LuminanceMaps
    seam: Seam
    match: LightMatch

    def brightest(self, pupil_mm: ArrayLike, /) -> dict[str, float]:
        """Return the luminance of the brightest place of any panel of the seam, by colour, from a pupil position (3,), mm."""
        pupil = as_pupil(pupil_mm).reshape(3)
        highest = dict.fromkeys(self.fields.colours, 0.0)
        for channel in self.seam.channels:
            for colour in highest:
                field = self.fields.field(channel, colour)
                u, v = (np.linspace(0.0, length, _NODES) for length in field.panel_size_px)
                tangent = np.nan_to_num(field.forward_lattice(u, v, pupil_mm=pupil))
                seen = self.maps.map(channel, colour).at(
                    np.stack(np.meshgrid(u, v), axis=-1), tangent, pupil_mm=pupil
                )
                highest[colour] = max(highest[colour], float(seen.max()))
        return highest


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
