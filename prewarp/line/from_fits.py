"""A family from fits of earlier units (`prewarp fit`): nothing of the design is needed.

Fits of all units are written in the same functions, at the same rays: those of a lattice over the panel and
the eye box. `prewarp.line.spread` says how they differ.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import linalg

from prewarp.chebyshev import derivatives_1d, exponents_of_degree, products, values_1d
from prewarp.checks import FloatArray, IntArray
from prewarp.cores import one_blas_thread
from prewarp.errors import LineError
from prewarp.field import Field, FieldSet
from prewarp.field.border import distance_inside
from prewarp.field.fieldset import ChannelReport
from prewarp.fitting.base import trend_of
from prewarp.fitting.chebyshev import ChebyshevPanel
from prewarp.fitting.pupil import PupilFrame
from prewarp.frames import reference_pupil, unit_from_tangent
from prewarp.line.basis import FamilyBasis
from prewarp.line.family import ChannelFamily, Family, FigureTerm, Learned, Remainder
from prewarp.line.flags import freedom_of_scatter
from prewarp.line.spread import LEAST_UNITS, Spread, motion_excess, pattern_excess, spread_of
from prewarp.module import DisplayModule
from prewarp.poses.rays import pose_slopes

MOST_UNITS = 2000
ENDING = ".npz"
# Panel points each way, pupil positions along x and y, in two planes by turns.
_POINTS, _PUPILS = (15, 13), 5
# Degrees of polynomials that stand for fits, at most.
_MOST_DEGREE, _MOST_PUPIL_DEGREE = 14, 6
# A capture of a line's unit has about so many camera positions.
_FEW_POSITIONS = 4
# Beyond its captured positions a fit is a guess: by more than this share of their spacing.
_BEYOND = 0.5
_MANY = 1e6
# Patterns of surfaces that no direction holds: lowest and highest degree, distances, each sqrt(2) of the one
# before, so that one of them is near any surface's.
RIPPLE_DEGREES, RIPPLE_MM, RIPPLE_UM = (3, 6), (20.0, 28.0, 40.0, 56.0), 0.05
# Shifts along x, y, z, mm; turns about them, arcmin; scale.
MOTIONS = ("shift x", "shift y", "shift z", "turn x", "turn y", "turn z", "scale")


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


@dataclass(frozen=True, eq=False)
class _Rays:
    """Rays of a channel at which fits are read off, and the functions in which they are written.

    `pixel` (n, 2), `label_mm` (n, 3), `reference_mm` (n, 2), `tangent` (n, 2) of the first fit. `rows`
    (2 n, m) functions; `lower` Cholesky factor of their squares; `px_per_cosine` (n, 2, 2). `metric` (m, m):
    coefficients in the order `sort` times it are coordinates of `Spread`, px; `group` (m,): their degree.
    """

    basis: FamilyBasis
    pixel: FloatArray
    label_mm: FloatArray
    reference_mm: FloatArray
    tangent: FloatArray
    rows: FloatArray
    lower: FloatArray
    px_per_cosine: FloatArray
    metric: FloatArray
    sort: IntArray
    group: IntArray

    @staticmethod
    def of(field: Field, border_px: FloatArray, degrees: tuple[int, int], module: DisplayModule) -> "_Rays":
        """Return the rays of a channel, panel points inside `border_px`, from the field of one unit."""
        width, height = field.panel_size_px
        axes = [(np.arange(n) + 0.5) / n * length for n, length in zip(_POINTS, (width, height), strict=True)]
        points = np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)
        points = points[distance_inside(points, border_px) > 0.0]
        pupils = _pupils(module)
        pixel, label = np.tile(points, (len(pupils), 1)), np.repeat(pupils, len(points), axis=0)
        tangent = field.forward(pixel, pupil_mm=label)
        reference = reference_pupil(tangent, label)
        half = np.maximum(np.abs(reference).max(axis=0), 0.1)
        basis = FamilyBasis(
            ChebyshevPanel(field.panel_size_px, degrees[0]),
            PupilFrame((0.0, 0.0), (float(half[0]), float(half[1]))),
            degrees[1],
        )
        rows = basis.rows(pixel, reference)
        _, jacobian = field.expansion.values_and_jacobian(pixel, reference)
        px_per_cosine = np.asarray(np.linalg.inv(np.moveaxis(jacobian, -1, 0)), dtype=float)
        sort = np.argsort(basis.orders, kind="stable")
        moved = np.einsum("nab,bnm->anm", px_per_cosine, rows[:, :, sort]).reshape(-1, basis.count)
        rows = rows.reshape(-1, basis.count)
        return _Rays(
            basis,
            pixel,
            label,
            reference,
            tangent,
            rows,
            _lower(rows.T @ rows),
            px_per_cosine,
            _lower(moved.T @ moved / len(pixel)),
            sort,
            basis.orders[sort],
        )

    def cosines(self, fields: Sequence[Field]) -> FloatArray:
        """Return direction cosines (k, 2, n) of fields at the rays."""
        return np.stack([one.expansion.values(self.pixel, self.reference_mm) for one in fields])

    def coefficients(self, cosines: FloatArray) -> FloatArray:
        """Return coefficients (k, m) of direction cosines (k, 2, n) at the rays."""
        values = cosines.reshape(len(cosines), -1)
        result: FloatArray = linalg.cho_solve((self.lower, True), self.rows.T @ values.T).T
        return result

    def missed_px(self, cosines: FloatArray) -> float:
        """Return what functions leave of direction cosines (k, 2, n), mean square of the distance, px^2."""
        values = cosines.reshape(len(cosines), -1)
        left = (values - self.coefficients(cosines) @ self.rows.T).reshape(cosines.shape)
        px = np.einsum("nab,kbn->kan", self.px_per_cosine, left, optimize=True)
        return float(np.mean(np.sum(px**2, axis=1)))

    def coordinates(self, coefficients: FloatArray) -> FloatArray:
        """Return coordinates (..., colours * m), px, of coefficients (..., colours, m)."""
        scaled = coefficients[..., self.sort] @ self.metric / np.sqrt(coefficients.shape[-2])
        return np.asarray(scaled.reshape(*coefficients.shape[:-2], -1))

    def columns(self, coordinates: FloatArray, colours: int) -> FloatArray:
        """Return coefficients (colours, m, k) of coordinates (colours * m, k)."""
        own = coordinates.reshape(colours, self.basis.count, -1) * np.sqrt(colours)
        return np.stack([self._columns(one) for one in own])

    def _columns(self, own: FloatArray) -> FloatArray:
        columns = np.empty_like(own)
        columns[self.sort] = linalg.solve_triangular(self.metric, own, lower=True, trans="T")
        return columns

    def functions(self, sigma_px: FloatArray) -> FloatArray:
        """Return coefficients (m, m) of one sigma of every coordinate of a single colour, sigmas (m,)."""
        return self._columns(np.diag(sigma_px))

    def ripples(
        self, fits: FloatArray, spread: Spread, floor: float
    ) -> tuple[FloatArray, tuple[FigureTerm, ...]]:
        """Return smooth patterns of surfaces at several distances, coefficients (m, t), and their terms."""
        columns, labels = [], []
        for distance in RIPPLE_MM:
            cosines, degrees = ripples(self.reference_mm, self.tangent, distance)
            columns.append(self.coefficients(cosines))
            labels += [f"wavefront of degree {degree} at {distance:g} mm from the eye" for degree in degrees]
        found = np.concatenate(columns)
        colours = fits.shape[1] // self.basis.count
        patterns = self.coordinates(np.repeat(found[:, None], colours, axis=1)).T
        excess = pattern_excess(fits, spread, patterns, floor)
        terms = (FigureTerm(label, RIPPLE_UM, float(one)) for label, one in zip(labels, excess, strict=True))
        return found.T, tuple(terms)

    def motions(self, fields: Sequence[Field]) -> FloatArray:
        """Return what the seven motions of all shots do, coefficients (colours, m, 7): mm, arcmin, 1."""
        unit, cosines = unit_from_tangent(self.tangent), []
        for field in fields:
            slope = field.expansion.pupil_jacobian(self.pixel, self.reference_mm)
            poses = pose_slopes(unit, self.tangent, self.label_mm[:, 2], slope)
            motion = motion_columns(self.label_mm)
            cosines.append(np.einsum("pcn,npm->mcn", poses, motion))
        return np.stack([self.coefficients(one).T for one in cosines])


def motion_columns(place_mm: FloatArray, /) -> FloatArray:
    """Return offset and turn (n, 6), mm and radians, of shots at (n, 3) when all move by a step of each of
    seven motions (n, 6, 7): 1 mm along each axis, 1 arcmin about each, all places farther out by 1.
    """
    result = np.zeros((len(place_mm), 6, len(MOTIONS)))
    arcmin = np.radians(1.0 / 60.0)
    for axis, direction in enumerate(np.eye(3)):
        result[:, axis, axis] = 1.0
        result[:, :3, 3 + axis] = arcmin * np.cross(direction, place_mm)
        result[:, 3 + axis, 3 + axis] = arcmin
    result[:, :3, 6] = place_mm
    return result


def ripples(place_mm: FloatArray, tangent: FloatArray, distance_mm: float, /) -> tuple[FloatArray, list[int]]:
    """Return what smooth patterns on a surface do to direction cosines (t, 2, n), and their degrees.

    `place_mm` (n, 2) where rays cross z = 0, `tangent` (n, 2); the surface stands `distance_mm` ahead of the
    eye. Chebyshev functions of where rays cross it, as wavefronts of amplitude `RIPPLE_UM`: their gradients.
    """
    crossed = place_mm + distance_mm * tangent
    low, high = crossed.min(axis=0), crossed.max(axis=0)
    half = 0.5 * (high - low)
    x, y = ((crossed - 0.5 * (low + high)) / half).T
    most = RIPPLE_DEGREES[1]
    by_x = products(derivatives_1d(x, most) / half[0], values_1d(y, most), most)
    by_y = products(values_1d(x, most), derivatives_1d(y, most) / half[1], most)
    degree = exponents_of_degree(most).sum(axis=1)
    kept = degree >= RIPPLE_DEGREES[0]
    mm = 1e-3 * RIPPLE_UM
    return mm * np.stack([by_x[kept], by_y[kept]], axis=1), degree[kept].tolist()


def _pupils(module: DisplayModule) -> FloatArray:
    half = np.array(module.eye_box.half_mm)
    along = np.linspace(-1.0, 1.0, _PUPILS)
    return np.array(
        [[x, y, (-1.0) ** (i + k)] for k, y in enumerate(along) for i, x in enumerate(along)]
    ) * np.asarray(half)


def _lower(squares: FloatArray) -> FloatArray:
    """Return the Cholesky factor, places that no ray reaches held."""
    squares[np.diag_indices_from(squares)] += 1e-12 * np.trace(squares) / len(squares)
    return np.asarray(np.linalg.cholesky(squares), dtype=float)


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
        corners = _pupils(self.module)
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
            own = _Rays.of(every[0][0], borders[name], degrees, module)
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
        columns = motion_columns(_pupils(self.module))
        columns[:, :3] /= stage
        columns[:, 3:] /= np.radians(turn / 60.0)
        told = np.einsum("npa,npb->ab", columns, columns) / len(columns)
        positions = float(np.median([one.positions for one in solved]))
        share = len(solved) / len(self.stated)
        return share * np.linalg.inv(told * positions)

    def _channel(
        self,
        rays: _Rays,
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
