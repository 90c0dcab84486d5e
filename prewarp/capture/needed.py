"""How many positions and dots a wanted error needs, from an earlier fit or from the trace of a design.

Positions: the terms of each pupil degree, as `prewarp fit` counts them (`prewarp.pupils.needed`). Dots: three
for each panel function of the fit, as `prewarp check` asks, and so many that noise leaves at most half of the
wanted error in the map: floor = sigma sqrt(parameters / samples).
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from prewarp.capture.codes import NAMES
from prewarp.capture.schedule import reference_colour
from prewarp.errors import CaptureError
from prewarp.field import FieldSet, fit_grid
from prewarp.field.pupils_needed import pupils_needed
from prewarp.module import DisplayModule
from prewarp.pupils.needed import PupilsNeeded
from prewarp.trace import Design, reach_lattice, trace_grid

# With poses free, pupil degree 4 has to be shown (`prewarp.poses.shots`).
FREE_POSES_NODES = 5
# Positions that show the difference to an earlier fit or a design's trace, poses free (`prewarp fit --base`).
DIFFERENCE_POSITIONS = 8
_DOTS_PER_FUNCTION = 3.0
_NOISE_SHARE = 0.5
# The largest square lattice whose dots have names.
MOST_DOTS = math.isqrt(NAMES)
# What a dot's place is uncertain by where nothing better is known: a camera of 2 px a panel px, common
# practice; a fit of measured dots says its own.
DOT_NOISE_PX = 0.02
_MEASURED_PX = 1e-3
_MARGIN_DEG = (6.0, 6.0)


@dataclass(frozen=True)
class CaptureNeeded:
    """What a capture needs for `wanted_px`.

    `positions` by channel; `dots_each_way` None where positions are not known; `noise_px` per dot and axis
    that was counted with, `is_noise_measured` whether the fit says it.
    """

    wanted_px: float
    positions: Mapping[str, PupilsNeeded]
    dots_each_way: int | None
    noise_px: float
    is_noise_measured: bool
    source: str

    @property
    def nodes(self) -> int | None:
        """Positions each way for every channel; None where one is not known."""
        counts = [one.nodes for one in self.positions.values()]
        return None if any(one is None for one in counts) else max(one for one in counts if one is not None)

    def planned_each_way(self) -> int | None:
        """Positions each way to plan: as needed, and at least 5, which free poses need."""
        return None if self.nodes is None else max(self.nodes, FREE_POSES_NODES)

    def lines(self) -> list[str]:
        """Return this in words, a line a channel, and one for dots."""
        lines = [f"'{name}': {one.text()}." for name, one in self.positions.items()]
        said = "as the fit found" if self.is_noise_measured else "assumed"
        if self.dots_each_way is not None and self.dots_each_way > MOST_DOTS:
            lines.append(
                f"dots for {self.wanted_px:g} px: more than {MOST_DOTS} x {MOST_DOTS}, the most that 13 "
                "frames name. Shifted sines (--sines) sample densely."
            )
        elif self.dots_each_way is not None:
            lines.append(
                f"dots for {self.wanted_px:g} px: {self.dots_each_way} x {self.dots_each_way} at the "
                f"planned positions, with {self.noise_px:.2g} px of noise per dot ({said}); errors of "
                "poses come on top."
            )
        return lines

    def as_dict(self) -> dict[str, Any]:
        """Return this for machines; units are in the keys."""
        return {
            "source": self.source,
            "wanted_px": self.wanted_px,
            "channels": {name: one.as_dict() for name, one in self.positions.items()},
            "positions_each_way": self.nodes,
            "planned_positions_each_way": self.planned_each_way(),
            "dots_each_way": self.dots_each_way,
            "dot_noise_px": self.noise_px,
            "dot_noise_is_measured": self.is_noise_measured,
        }


def capture_needed(
    fields: FieldSet,
    module: DisplayModule,
    /,
    *,
    wanted_px: float,
    positions: int | None,
    source: str,
    is_traced: bool = False,
) -> CaptureNeeded:
    """Return what a capture of a module needs, from a fit of it.

    Parameters
    ----------
    fields : FieldSet
        An earlier fit, or one of a traced grid.
    module : DisplayModule
    wanted_px : float
        Wanted RMS error of the map, px of the panel.
    positions : int or None
        How many positions will be taken; as many as are needed where None.
    source : str
        File name, for messages.
    is_traced : bool
        Whether the fit is of rays: what it leaves is then no noise of dots.

    Raises
    ------
    CaptureError
        The fit lacks a channel of the module, or has another panel size.
    """
    needed = {}
    for channel in module.channels:
        if channel.name not in fields.channels:
            raise CaptureError(
                f"{source}: no channel '{channel.name}'; the fit has {', '.join(fields.channels)}. Give the "
                "fit of this module.",
                channel=channel.name,
            )
        field = fields.field(channel.name, reference_colour(fields.colours))
        if field.panel_size_px != channel.panel.size_px:
            raise CaptureError(
                f"{source}: channel '{channel.name}' has {field.panel_size_px} px; the module says "
                f"{channel.panel.size_px}. Give the fit of this module.",
                channel=channel.name,
            )
        if channel.name not in fields.captured:
            raise CaptureError(
                f"{source}: the fit does not say what was captured of channel '{channel.name}'. Fit again.",
                channel=channel.name,
            )
        needed[channel.name] = pupils_needed(field, fields.captured[channel.name], wanted_px=wanted_px)
    measured = max(max(report.sigma_px) for report in fields.reports)
    is_measured = measured >= _MEASURED_PX and not is_traced
    noise = measured if is_measured else DOT_NOISE_PX
    result = CaptureNeeded(wanted_px, needed, None, noise, is_measured, source)
    each_way = result.planned_each_way()
    count = positions if positions is not None else None if each_way is None else each_way**2
    if count is None:
        return result
    return CaptureNeeded(
        wanted_px, needed, _dots(fields, noise, _NOISE_SHARE * wanted_px, count), noise, is_measured, source
    )


def _dots(fields: FieldSet, noise_px: float, left_px: float, positions: int) -> int:
    functions = max(field.expansion.panel.count for field in fields.fields.values())
    samples = max(
        report.parameters * (noise_px / left_px) ** 2 / (positions * len(report.colours))
        for report in fields.reports
    )
    return max(2, math.ceil(math.sqrt(max(samples, _DOTS_PER_FUNCTION * functions))))


def traced_fit(
    design: Design,
    module: DisplayModule,
    /,
    *,
    positions: tuple[int, int, int] = (7, 7, 1),
    directions: tuple[int, int] = (25, 19),
    every_colour: bool = False,
) -> FieldSet:
    """Return the fit of a traced grid of a module over its eye box, in the reference colour or every one."""
    grid = trace_grid(
        design,
        module,
        pupils=module.eye_box.lattice(positions),
        directions={
            channel.name: reach_lattice(channel, directions, margin_deg=_MARGIN_DEG)
            for channel in module.channels
        },
    )
    grid = grid if every_colour else grid.select(colour=grid.reference_colour)
    return fit_grid(grid, panel_size_px=module.panel_sizes_px)
