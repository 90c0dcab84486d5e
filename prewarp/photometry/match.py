"""The luminance match: gains that make every channel show the target, and what that costs in brightness.

w_c = b_c tau / T_c: the blend weight b of the seam, the target tau in the direction, the
luminance T of the panel point at full drive from the tracked pupil. The sum over channels of w_c T_c is then
tau, whatever the weights. The target is what the dimmest place allows: no drive exceeds 1 for any pupil
position considered.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import FloatArray, as_pupil
from prewarp.errors import SeamError
from prewarp.frames import degrees_from_tangent
from prewarp.module import Chromaticity
from prewarp.notebook import html_table
from prewarp.photometry.luminance import LuminanceMaps
from prewarp.photometry.target import TARGET_STEP_DEG, TargetLight, target_below
from prewarp.photometry.white import D65_XY, WhiteMatch, no_white_match, white_match
from prewarp.seam.directions import direction_lattice, node_areas_deg2, plane_deg_from_tangent
from prewarp.seam.policies import BlendPolicy

if TYPE_CHECKING:
    from prewarp.field import FieldSet

# A channel with less of a direction than this is not asked what it can give.
_LEAST_WEIGHT = 1e-4
_MARGIN_DEG = 1.0
# The content picture's planes, in order.
CONTENT_COLOURS = ("R", "G", "B")


@dataclass(frozen=True)
class LightCost:
    """What the match of one colour costs.

    `kept_percent`: mean matched luminance over the field and the pupil positions, of the mean that the
    blended channels give unmatched; `level_lowest`, `level_highest`: of the target, in the grid's unit;
    `limit_*`: the channel, direction (degrees) and pupil position (mm) that allow no more.
    """

    colour: str
    kept_percent: float
    level_lowest: float
    level_highest: float
    limit_channel: str
    limit_direction_deg: tuple[float, float]
    limit_pupil_mm: tuple[float, float, float]

    def as_dict(self) -> dict[str, Any]:
        """Return the cost for machines."""
        return {
            "color": self.colour,
            "kept_percent": self.kept_percent,
            "cost_percent": 100.0 - self.kept_percent,
            "target_lowest_relative": self.level_lowest,
            "target_highest_relative": self.level_highest,
            "limit_channel": self.limit_channel,
            "limit_direction_deg": list(self.limit_direction_deg),
            "limit_pupil_mm": list(self.limit_pupil_mm),
        }


@dataclass(frozen=True)
class LightMatch:
    """How the channels of one eye are brought to one luminance and one white.

    Parameters
    ----------
    maps : LuminanceMaps
        What each channel gives at full drive.
    targets : mapping of str to TargetLight
        What is shown, by colour.
    white : WhiteMatch
        Mixing of the content's colours before the gains.
    costs : tuple of LightCost
        By colour.
    """

    maps: LuminanceMaps
    targets: Mapping[str, TargetLight]
    white: WhiteMatch
    costs: tuple[LightCost, ...]

    def __repr__(self) -> str:
        return (
            f"<LightMatch of {', '.join(self.white.mixing)} in {', '.join(self.targets)}: "
            f"{self.kept_percent:.1f} % of the light kept, white match {self.white.kind}>"
        )

    def _repr_html_(self) -> str:
        rows = [
            (
                cost.colour,
                f"{cost.kept_percent:.1f}",
                f"{cost.level_lowest:.4g} to {cost.level_highest:.4g}",
                cost.limit_channel,
                "{:.1f}, {:.1f}".format(*cost.limit_direction_deg),
            )
            for cost in self.costs
        ]
        head = (
            "colour",
            "luminance kept, %",
            "target, the grid's unit",
            "limited by",
            "in direction, degrees",
        )
        return html_table(repr(self), head, rows)

    def gain(
        self, channel: str, colour: str, pixel: ArrayLike, tangent: ArrayLike, /, *, pupil_mm: ArrayLike
    ) -> FloatArray:
        """Return tau / T (...) at panel points (..., 2) px in directions (..., 2) from pupils (..., 3) mm.

        Times the blend weight it is the drive of white: at most 1 where the match was made; above 1 where a
        channel alone could not show the target.
        """
        luminance = self.maps.map(channel, colour).at(pixel, tangent, pupil_mm=pupil_mm)
        return self.targets[colour].at(tangent) / luminance

    @property
    def kept_percent(self) -> float:
        """Mean over the colours of what is left of the luminance, the white match included."""
        return float(np.mean([cost.kept_percent for cost in self.costs]) * self.white.luminance)

    def as_dict(self) -> dict[str, Any]:
        """Return costs and white match for machines."""
        return {
            "kept_percent": self.kept_percent,
            "cost_percent": 100.0 - self.kept_percent,
            "colors": [cost.as_dict() for cost in self.costs],
            "white": {
                "kind": self.white.kind,
                "kept_percent": 100.0 * self.white.luminance,
                "disagreement_percent": 100.0 * self.white.disagreement,
                "out_of_reach_percent": {
                    name: 100.0 * value for name, value in (self.white.out_of_reach or {}).items()
                },
                "drive_from_content": {name: matrix.tolist() for name, matrix in self.white.mixing.items()},
            },
        }


def match_light(
    fields: "FieldSet",
    maps: LuminanceMaps,
    blend: BlendPolicy,
    /,
    *,
    pupils_mm: ArrayLike,
    fall_percent_per_deg: float = 0.0,
    chromaticities: Mapping[str, Chromaticity] | None = None,
    white: str = "none",
    white_xy: Sequence[float] = D65_XY,
) -> LightMatch:
    """Match the channels that a blend joins.

    Parameters
    ----------
    fields : FieldSet
        All channels and colours.
    maps : LuminanceMaps
        From `fit_luminance`.
    blend : BlendPolicy
        A `Seam`, or a policy that follows the pupil.
    pupils_mm : (n, 3) float array
        Positions for which no drive may exceed 1: a lattice over the eye box.
    fall_percent_per_deg : float
        How fast the target may fall off toward dim parts of the field; 0 for one level.
    chromaticities : mapping, optional
        Per channel, for the white match.
    white, white_xy
        Kind of white match and the white; see `white_match`.

    Raises
    ------
    SeamError
        No direction is served.
    FitError
        A luminance map is missing.
    ShapeError
        A white match is asked for and a chromaticity is missing, or see `white_match`.
    """
    pupils = as_pupil(pupils_mm, "pupils_mm").reshape(-1, 3)
    names = blend.channels
    if white != "none":
        _require_measured(fields, names, chromaticities or {})
    seams = [blend.at(pupil) for pupil in pupils]
    outlines = [reach.outline for seam in seams for reach in seam.reaches]
    origin, tangent = direction_lattice(outlines, step_deg=TARGET_STEP_DEG, margin_deg=_MARGIN_DEG)
    area = node_areas_deg2(plane_deg_from_tangent(tangent), TARGET_STEP_DEG)
    shares = [np.where(seam.served(tangent).any(axis=0), seam.weights(tangent), 0.0) for seam in seams]
    targets, costs = {}, []
    for colour in fields.colours:
        light = _light_of(fields, maps, names, colour, tangent, pupils)
        target, cost = _one_colour(
            colour, names, light, np.stack(shares), tangent, origin, area, pupils, fall_percent_per_deg
        )
        targets[colour] = target
        costs.append(cost)
    found = _white(fields, maps, names, targets, chromaticities or {}, white, white_xy)
    return LightMatch(maps, targets, found, tuple(costs))


def _light_of(
    fields: "FieldSet",
    maps: LuminanceMaps,
    names: Sequence[str],
    colour: str,
    tangent: FloatArray,
    pupils: FloatArray,
) -> FloatArray:
    """Return T (pupils, channels, rows, columns) at full drive; NaN where a channel shows nothing."""
    light = np.full((len(pupils), len(names), *tangent.shape[:-1]), np.nan)
    for place, name in enumerate(names):
        field, luminance = fields.field(name, colour), maps.map(name, colour)
        for number, pupil in enumerate(pupils):
            found = field.inverse(tangent, pupil_mm=pupil)
            seen = found.valid
            if seen.any():
                light[number, place][seen] = luminance.at(found.pixel[seen], tangent[seen], pupil_mm=pupil)
    return light


def _one_colour(
    colour: str,
    names: Sequence[str],
    light: FloatArray,
    shares: FloatArray,
    tangent: FloatArray,
    origin: FloatArray,
    area: FloatArray,
    pupils: FloatArray,
    fall_percent_per_deg: float,
) -> tuple[TargetLight, LightCost]:
    asked = (shares > _LEAST_WEIGHT) & np.isfinite(light)
    if not asked.any():
        raise SeamError(f"{colour}: no channel serves any direction. Check the fit and the eye box.")
    allowed = np.where(asked, light / np.where(asked, shares, 1.0), np.inf)
    target = target_below(
        allowed.min(axis=(0, 1)), tangent, origin, fall_percent_per_deg=fall_percent_per_deg
    )
    level = target.at(tangent)
    given = np.sum(np.where(asked, shares * light, 0.0), axis=1)
    shown = np.sum(np.where(asked, shares, 0.0), axis=1) * level
    number, channel, row, column = (int(one) for one in np.unravel_index(np.argmin(allowed), allowed.shape))
    served = asked.any(axis=(0, 1))
    return target, LightCost(
        colour,
        float(100.0 * np.sum(shown * area) / np.sum(given * area)),
        float(level[served].min()),
        float(level[served].max()),
        names[channel],
        tuple(degrees_from_tangent(tangent[row, column]).tolist()),
        tuple(pupils[number].tolist()),
    )


def _white(
    fields: "FieldSet",
    maps: LuminanceMaps,
    names: Sequence[str],
    targets: Mapping[str, TargetLight],
    chromaticities: Mapping[str, Chromaticity],
    kind: str,
    white_xy: Sequence[float],
) -> WhiteMatch:
    if kind == "none":
        return no_white_match(names)
    colours = CONTENT_COLOURS
    centre = np.zeros(3)
    luminance, attenuation = {}, {}
    for name in names:
        levels = []
        for colour in colours:
            field = fields.field(name, colour)
            pixel = np.array(field.panel_size_px) / 2.0
            seen = field.forward(pixel, pupil_mm=centre)
            own = maps.map(name, colour).at(pixel, seen, pupil_mm=centre)
            levels.append((float(own), float(targets[colour].at(seen) / own)))
        luminance[name], attenuation[name] = np.array(levels).T
    return white_match(
        {name: chromaticities[name] for name in names},
        colours=colours,
        attenuation=attenuation,
        luminance=luminance,
        kind=kind,
        white_xy=white_xy,
    )


def _require_measured(
    fields: "FieldSet", names: Sequence[str], chromaticities: Mapping[str, Chromaticity]
) -> None:
    """Raise unless a white match has what it needs."""
    missing = [name for name in names if name not in chromaticities]
    if missing:
        raise SeamError(
            f"channel '{missing[0]}' has no measured chromaticities, which a white match needs. Add "
            f"[channel.{missing[0]}.chromaticity] to the module description, or ask for no white match.",
            channel=missing[0],
        )
    if set(fields.colours) != set(CONTENT_COLOURS):
        raise SeamError(
            f"colours are {', '.join(fields.colours)}; a white match needs {', '.join(CONTENT_COLOURS)}. "
            "Ask for no white match."
        )
