"""A family from fits of earlier units (`prewarp fit`): nothing of the design is needed.

`prewarp.line.shared_rays` writes fits of all units in the same functions, `prewarp.line.spread` says how they
differ.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from prewarp.checks import FloatArray
from prewarp.cores import one_blas_thread
from prewarp.errors import LineError
from prewarp.field import Field, FieldSet
from prewarp.field.fieldset import ChannelReport
from prewarp.fitting.base import trend_of
from prewarp.line.family import ChannelFamily, Family, FigureTerm, Learned, Remainder
from prewarp.line.flags import freedom_of_scatter
from prewarp.line.patterns import MOTIONS, motion_columns
from prewarp.line.shared_rays import Rays, pupils_over
from prewarp.line.spread import LEAST_UNITS, Spread, motion_excess, spread_of
from prewarp.module import DisplayModule

MOST_UNITS = 2000
ENDING = ".npz"
# Degrees of polynomials that stand for fits, at most.
_MOST_DEGREE, _MOST_PUPIL_DEGREE = 14, 6
# A capture of a line's unit has about so many camera positions.
_FEW_POSITIONS = 4
# Beyond its captured positions a fit is a guess: by more than this share of their spacing.
_BEYOND = 0.5
_MANY = 1e6


def fits_of(places: Sequence[Path], /) -> dict[str, Path]:
    """Return the fits of earlier units by name: files, and all NPZ files that lie in folders.

    Raises
    ------
    LineError
        Too few, too many, or two of one name.
    """
    found: dict[str, Path] = {}
    for place in places:
        for path in sorted(place.iterdir()) if place.is_dir() else [place]:
            if place.is_dir() and (path.name.startswith(".") or not path.name.lower().endswith(ENDING)):
                continue
            if path.name in found:
                raise LineError(f"{found[path.name]} and {path}: two fits of one name; expected one a unit.")
            found[path.name] = path
    if not LEAST_UNITS <= len(found) <= MOST_UNITS:
        few = len(found) < LEAST_UNITS
        raise LineError(
            f"{len(found)} fits in {', '.join(map(str, places))}: how units differ is not known: needs "
            + (f"{LEAST_UNITS} or more units" if few else f"at most {MOST_UNITS} units")
            + ", each captured from 25 positions and fitted by 'prewarp fit --poses free'."
        )
    return found


def family_from_fits(
    fits: Mapping[str, Path],
    module: DisplayModule,
    /,
    *,
    progress: Callable[[str, int], None] = lambda text, done: None,
) -> Family:
    """Return the family of earlier units.

    Raises
    ------
    LineError
        A fit is of another display, or does not reach over panel and eye box.
    InputFileError
        A file is no fit.
    """
    with one_blas_thread():
        read = _Reading(module)
        for done, (name, path) in enumerate(fits.items()):
            progress(f"reading {name}", done)
            read.add(name, FieldSet.load(path))
        progress("leaving units out", len(fits))
        return read.family()


@dataclass(frozen=True)
class _Stated:
    """What the fit of a unit says of itself: `stage_mm`, `turn_arcmin` (None: poses were not solved);
    `positions`; by channel `noise` (mean square of what noise leaves over the map, px^2) and `misfit` (of
    what the model leaves besides, as far as that is known).
    """

    stage_mm: float | None
    turn_arcmin: float | None
    positions: int
    noise: Mapping[str, float]
    misfit: Mapping[str, float]


def _misfit(report: ChannelReport) -> float:
    """Return what a model leaves of its samples besides noise, mean square of the distance, px^2."""
    known = [one for one in report.misfit_px if one is not None]
    return 2.0 * float(np.mean(np.square(known))) if known else 0.0


class _Reading:
    """Fits as they are read."""

    def __init__(self, module: DisplayModule) -> None:
        self.module, self.names = module, list[str]()
        self.fields: list[Mapping[tuple[str, str], Field]] = []
        self.stated: list[_Stated] = []

    def add(self, name: str, fit: FieldSet) -> None:
        """Take the fit of a unit."""
        module = self.module
        for what, have, known in (
            ("channels", fit.channels, module.channel_names),
            ("colours", fit.colours, module.colour_names),
        ):
            if set(have) != set(known):
                raise LineError(
                    f"{name}: {what} {', '.join(sorted(have))}; the module has {', '.join(sorted(known))}."
                )
        for (channel, _), field in fit.fields.items():
            if field.panel_size_px != module.panel_sizes_px[channel]:
                raise LineError(f"{name}: panel of channel '{channel}' is not that of the module.")
            if not field.mount.is_identity:
                raise LineError(
                    f"{name}: channel '{channel}' was captured apart and registered; a family needs both "
                    "channels from the same camera positions. Leave the fit out."
                )
        self._require_reach(name, fit)
        said, reports = fit.provenance, {one.channel: one for one in fit.reports}
        free = said.get("poses") == "free"
        self.names.append(name)
        self.fields.append(dict(fit.fields))
        self.stated.append(
            _Stated(
                float(str(said["stage_mm"])) if free else None,
                float(str(said["turn_arcmin"])) if free else None,
                min(fit.captured[channel].positions for channel in fit.channels),
                {channel: reports[channel].floor_px ** 2 for channel in fit.channels},
                {channel: _misfit(reports[channel]) for channel in fit.channels},
            )
        )

    def _require_reach(self, name: str, fit: FieldSet) -> None:
        corners = pupils_over(self.module)
        for channel in fit.channels:
            field, captured = fit.field(channel, fit.colours[0]), fit.captured.get(channel)
            if captured is None or not any(one.channel == channel for one in fit.reports):
                raise LineError(f"{name}: says nothing of its capture. Fit the grid again.")
            middle = np.broadcast_to(field.border_pixel.mean(axis=0), (len(corners), 2))
            seen = field.forward(middle, pupil_mm=corners)
            outside = float(np.max(captured.outside_mm(corners, seen)))
            if outside > _BEYOND * captured.spacing_mm:
                raise LineError(
                    f"{name}: its capture of channel '{channel}' ends {outside:.2g} mm inside the eye box of "
                    "the module. Capture units over all of it, or leave this one out."
                )

    def family(self) -> Family:
        """Return the family of all fits."""
        module, channels = self.module, self.module.channel_names
        colours = module.colour_names
        rays, coefficients, missed, borders, seen = {}, {}, {}, {}, {}
        for name in channels:
            every = [[fields[name, colour] for colour in colours] for fields in self.fields]
            borders[name] = common_polygon([one[0].border_pixel for one in every])
            seen[name] = common_polygon([one[0].captured_tangent for one in every])
            if min(len(borders[name]), len(seen[name])) < 3:
                raise LineError(f"channel '{name}': the fits have no part of the panel in common.")
            trends = [trend_of(one.expansion).degree for unit in every for one in unit]
            pupil = [one.expansion.pupil_degree for unit in every for one in unit]
            degrees = min(max(trends), _MOST_DEGREE), min(max(pupil), _MOST_PUPIL_DEGREE)
            own = Rays.of(every[0][0], borders[name], degrees, module)
            found, left = [], []
            for unit in every:
                cosines = own.cosines(unit)
                found.append(own.coefficients(cosines))
                left.append(own.missed_px(cosines))
            coefficients[name] = np.stack(found)
            missed[name] = float(np.mean(left))
            # What all fits miss alike no unit left out shows.
            missed[name] += float(np.median([one.misfit[name] for one in self.stated]))
            rays[name] = own
        coordinates = {name: rays[name].coordinates(coefficients[name]) for name in channels}
        spreads, floors, motions, patterns = {}, [], [], {}
        positions = float(np.median([one.positions for one in self.stated]))
        for name in channels:
            own = rays[name]
            noise = (
                float(np.median([one.noise[name] for one in self.stated])) / own.basis.count / len(colours)
            )
            spreads[name] = spread_of(coordinates[name], own.group, len(colours), noise)
            # Of a few positions, beside what the family itself does not know.
            rest = float(np.mean(spreads[name].rest * (1.0 + spreads[name].common ** 2)))
            floors.append(max(noise, 1e-12) * max(positions / _FEW_POSITIONS, 1.0) + rest)
            patterns[name] = own.ripples(coordinates[name], spreads[name], floors[-1])
            motion = own.motions([self.fields[0][name, colour] for colour in colours])
            motions.append(own.coordinates(motion.transpose(2, 0, 1)).T)
        excess = motion_excess(
            [coordinates[name] for name in channels],
            [spreads[name] for name in channels],
            motions,
            floors,
            self._own_motions(),
        )
        sizes, vectors = np.linalg.eigh(excess)
        root = vectors * np.sqrt(np.maximum(sizes, 0.0))
        made = {
            name: self._channel(
                rays[name],
                spreads[name],
                motion @ root,
                patterns[name],
                float(np.sqrt(missed[name])),
                borders[name],
                seen[name],
            )
            for name, motion in zip(channels, motions, strict=True)
        }
        half = np.array(module.eye_box.half_mm)
        energy = sum(len(one.variance) * one.energy for one in spreads.values())
        directions = sum(len(one.variance) for one in spreads.values())
        rests = [
            float(np.std(one.rest_energy) / np.mean(one.rest_energy) / one.carried)
            for one in spreads.values()
        ]
        return Family(
            made,
            colours,
            tuple(one.wavelength_nm for one in module.colours),
            np.array([-half, half]),
            None,
            {"module": module.name, "units": len(self.names)},
            tuple(f"all channels, motion {k + 1} of {len(MOTIONS)}" for k in range(len(MOTIONS))),
            Learned(
                len(self.names),
                sum(one.stage_mm is None for one in self.stated),
                freedom_of_scatter(float(np.var(energy) / np.mean(energy) ** 2), directions, _MANY),
                float(np.mean(rests)),
            ),
        )

    def _own_motions(self) -> FloatArray:
        """Return the covariance of the motions that captures of earlier units had themselves (7, 7)."""
        solved = [one for one in self.stated if one.stage_mm is not None]
        if not solved:
            return np.zeros((len(MOTIONS), len(MOTIONS)))
        stage, turn = (
            float(np.median([getattr(one, name) for one in solved])) for name in ("stage_mm", "turn_arcmin")
        )
        columns = motion_columns(pupils_over(self.module))
        columns[:, :3] /= stage
        columns[:, 3:] /= np.radians(turn / 60.0)
        told = np.einsum("npa,npb->ab", columns, columns) / len(columns)
        positions = float(np.median([one.positions for one in solved]))
        share = len(solved) / len(self.stated)
        return share * np.linalg.inv(told * positions)

    def _channel(
        self,
        rays: Rays,
        spread: Spread,
        shared: FloatArray,
        patterns: tuple[FloatArray, tuple[FigureTerm, ...]],
        missed_px: float,
        border_px: FloatArray,
        captured_tangent: FloatArray,
    ) -> ChannelFamily:
        colours, basis = len(self.module.colour_names), rays.basis
        nominal = rays.columns(spread.mean[:, None], colours)[:, :, 0]
        modes = np.concatenate([spread.directions * np.sqrt(spread.variance), shared], axis=1)
        # A coordinate of all colours together has the mean over colours.
        sigma = np.sqrt(colours * spread.rest[rays.group])
        rest = colours * float(np.sum(spread.rest[rays.group])) * (1.0 + spread.common**2)
        return ChannelFamily(
            basis,
            basis,
            np.stack([basis.table(one) for one in nominal]),
            rays.columns(modes, colours),
            tuple(
                f"direction {k + 1} of {len(self.names)} earlier units" for k in range(len(spread.variance))
            ),
            *patterns,
            float(np.hypot(np.sqrt(rest), missed_px)),
            border_px,
            captured_tangent,
            None,
            Remainder(rays.functions(sigma), spread.common),
        )


def common_polygon(polygons: Sequence[FloatArray], /) -> FloatArray:
    """Return the corners (k, 2) of what convex polygons, counter-clockwise, have in common; k may be 0."""
    found = polygons[0]
    for other in polygons[1:]:
        for start, end in zip(other, np.roll(other, -1, axis=0), strict=True):
            found = _cut(found, start, end - start)
    return found


def _cut(polygon: FloatArray, start: FloatArray, along: FloatArray) -> FloatArray:
    """Return what of a polygon lies to the left of a line (Sutherland and Hodgman, CACM 17, 1974)."""
    side = along[0] * (polygon[:, 1] - start[1]) - along[1] * (polygon[:, 0] - start[0])
    kept = []
    for k in range(len(polygon)):
        after = (k + 1) % len(polygon)
        if side[k] >= 0.0:
            kept.append(polygon[k])
        if side[k] * side[after] < 0.0:
            kept.append(polygon[k] + side[k] / (side[k] - side[after]) * (polygon[after] - polygon[k]))
    return np.array(kept).reshape(-1, 2)
