"""A family from a design's tolerances: modes by finite differences of the trace, what they leave by lot."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import linalg
from threadpoolctl import threadpool_limits

from prewarp.checks import BoolArray, FloatArray
from prewarp.errors import LineError
from prewarp.field.border import captured_border, hull_corners
from prewarp.fitting.chebyshev import ChebyshevPanel
from prewarp.fitting.pupil import PupilFrame
from prewarp.line.basis import FamilyBasis
from prewarp.line.family import ChannelFamily, Family, added
from prewarp.line.left_over import principal_parts
from prewarp.line.tracing import BEYOND_PX, RayLattice, ray_lattice, traced
from prewarp.module import Channel, DisplayModule
from prewarp.trace import Departure, Design, built_design, departures

SEED = 2024
# Terms left over are small and smooth.
LEFT_DEGREE, LEFT_PUPIL_DEGREE = 8, 3


@dataclass(frozen=True)
class FamilySettings:
    """How finely a family is traced.

    `directions`, `pupils`: of the lattice for the nominal field, those of modes are coarser;
    `nominal_degree`, `nominal_pupil_degree` of the one, `degree`, `pupil_degree` of the others; `draws`:
    units drawn by lot for what the modes leave, `checks` more for what these leave.
    """

    directions: tuple[int, int] = (23, 21)
    pupils: tuple[int, int] = (7, 7)
    nominal_degree: int = 16
    nominal_pupil_degree: int = 4
    degree: int = 12
    pupil_degree: int = 4
    draws: int = 60
    checks: int = 24


def family_from_design(
    design: Design,
    module: DisplayModule,
    /,
    *,
    settings: FamilySettings = FamilySettings(),
    progress: Callable[[str], None] = lambda text: None,
) -> Family:
    """Return the family of a design's tolerances.

    Raises
    ------
    LineError
        The design states no tolerance for a channel of the module, or its rays are too few.
    TraceError
        The design lacks a channel of the module.
    """
    every = departures(design)
    channels = {}
    with threadpool_limits(1, user_api="blas"):
        for channel in module.channels:
            own = tuple(one for one in every if one.channel == channel.name)
            if not own:
                raise LineError(
                    f"design '{design.name}': channel '{channel.name}' has no tolerance; expected a table "
                    "'tolerance' beside the keys of its surfaces, such as tolerance = { tilt_deg = 0.03 }."
                )
            work = _ChannelWork(design, module, channel, own, settings)
            progress(f"channel '{channel.name}': nominal field")
            work.fit_nominal()
            progress(f"channel '{channel.name}': {len(own)} modes")
            work.find_modes()
            progress(f"channel '{channel.name}': {settings.draws + settings.checks} units by lot")
            channels[channel.name] = work.finish()
    box = module.eye_box
    return Family(
        channels,
        module.colour_names,
        np.array([-np.array(box.half_mm), np.array(box.half_mm)]),
        {"design": design.name, "module": module.name},
    )


@dataclass(frozen=True)
class LeastSquares:
    """Rows (2 n, columns) of rays that came through, and the Cholesky factor of their squares."""

    rows: FloatArray
    lower: FloatArray

    @staticmethod
    def of(basis: FamilyBasis, lattice: RayLattice, pixel: FloatArray, valid: BoolArray, /) -> "LeastSquares":
        """Return what fits functions of a basis to the valid rays of a lattice."""
        rows = basis.rows(pixel[valid], lattice.pupils[valid]).reshape(-1, basis.count)
        squares = linalg.blas.dsyrk(1.0, rows.T, lower=1)
        # Places that no ray reaches would else be free.
        squares[np.diag_indices_from(squares)] += 1e-9 * np.trace(squares) / len(squares)
        return LeastSquares(rows, linalg.cholesky(squares, lower=True, overwrite_a=True))

    def fitted(self, values: FloatArray, /) -> FloatArray:
        """Return coefficients (columns, k) for values (2 n, k)."""
        result: FloatArray = linalg.cho_solve((self.lower, True), self.rows.T @ values)
        return result


class _ChannelWork:
    """One channel while its family is made; colours in the order of the module."""

    def __init__(
        self,
        design: Design,
        module: DisplayModule,
        channel: Channel,
        own: tuple[Departure, ...],
        settings: FamilySettings,
    ) -> None:
        self.design, self.channel, self.own, self.settings = design, channel, own, settings
        self.waves = tuple(one.wavelength_nm for one in module.colours)
        self.lattice = ray_lattice(module, channel, settings.directions, settings.pupils)
        # Coarser: what units differ by is smooth. Two nodes more each way than the pupil's degree, since rays
        # at the corners miss the eye box.
        nodes = tuple(min(n, settings.pupil_degree + 2) for n in settings.pupils)
        self.mode_lattice, self.drawn_lattice = (
            ray_lattice(
                module,
                channel,
                (
                    max(7, round(share * settings.directions[0])),
                    max(7, round(share * settings.directions[1])),
                ),
                (nodes[0], nodes[1]),
            )
            for share in (0.75, 0.5)
        )
        size = channel.panel.size_px
        half = tuple(0.5 * length + BEYOND_PX for length in size)
        self.nominal_basis, self.basis, self.left_basis = (
            FamilyBasis(
                ChebyshevPanel(size, degree, (half[0], half[1])),
                PupilFrame((0.0, 0.0), self.lattice.half_mm),
                pupil_degree,
            )
            for degree, pupil_degree in (
                (settings.nominal_degree, settings.nominal_pupil_degree),
                (settings.degree, settings.pupil_degree),
                (min(settings.degree, LEFT_DEGREE), min(settings.pupil_degree, LEFT_PUPIL_DEGREE)),
            )
        )

    def _trace(self, amounts: FloatArray, lattice: RayLattice) -> tuple[list[FloatArray], list[BoolArray]]:
        """Return panel points and validity per colour of the unit with these amounts, in sigmas."""
        moved = amounts * [one.sigma for one in self.own]
        optics = built_design(self.design, self.own, moved).channel(self.channel.name)
        found = [traced(optics, self.channel, lattice, wave) for wave in self.waves]
        return [pixel for pixel, _ in found], [valid for _, valid in found]

    def fit_nominal(self) -> None:
        pixel, valid = self._trace(np.zeros(len(self.own)), self.lattice)
        fewest = min(int(one.sum()) for one in valid)
        if fewest < self.nominal_basis.count:
            raise LineError(
                f"channel '{self.channel.name}': {fewest} rays reach the panel; expected "
                f"{self.nominal_basis.count} or more. Check the design against the module's reach."
            )
        self.pixel, self.valid = pixel, valid
        tables, squares = [], []
        for point, seen in zip(pixel, valid, strict=True):
            least = LeastSquares.of(self.nominal_basis, self.lattice, point, seen)
            found = least.fitted(self.lattice.cosines[seen].T.reshape(-1, 1))
            tables.append(self.nominal_basis.table(found[:, 0]))
            rest = (self.lattice.cosines[seen].T.reshape(-1) - least.rows @ found[:, 0]).reshape(2, -1)
            scale = self._px_per_cosine(tables[-1], point[seen], self.lattice.pupils[seen])
            counted = self._counted(self.lattice, point)[seen]
            squares.append(np.sum(np.einsum("npc,cn->np", scale, rest)[counted] ** 2, axis=1))
        self.nominal = np.stack(tables)
        self.fit_px = float(np.sqrt(np.concatenate(squares).mean()))

    def find_modes(self) -> None:
        """Find the modes by central differences of one sigma."""
        count, lattice = len(self.own), self.mode_lattice
        steps = np.full((len(self.waves), count, len(lattice.tangents), 2), np.nan)
        middle, valid = self._trace(np.zeros(count), lattice)
        for k, amounts in enumerate(np.eye(count)):
            above, below = (self._trace(sign * amounts, lattice)[0] for sign in (1.0, -1.0))
            for colour, (plus, minus) in enumerate(zip(above, below, strict=True)):
                steps[colour, k] = 0.5 * (plus - minus)
        modes = []
        for colour, (pixel, seen) in enumerate(zip(middle, valid, strict=True)):
            whole = seen & np.isfinite(steps[colour]).all(axis=(0, 2))
            _, jacobian = self.nominal_basis.expansion(self.nominal[colour]).values_and_jacobian(
                pixel[whole], lattice.pupils[whole]
            )
            # At a fixed direction the panel point moves by dp; at a fixed panel point q moves by -J dp.
            moved = -np.einsum("cpn,knp->cnk", jacobian, steps[colour][:, whole])
            least = LeastSquares.of(self.basis, lattice, pixel, whole)
            modes.append(least.fitted(moved.reshape(-1, count)))
        self.modes = np.stack(modes)

    def finish(self) -> ChannelFamily:
        """Return the channel's family: the mean field, named modes, and what they leave of units by lot."""
        left, pixel, alive = self._left_over()
        parts = [
            one[:, :, seen].reshape(len(left), -1)
            for one, seen in zip(np.moveaxis(left, 1, 0), alive, strict=True)
        ]
        scales = [
            self._px_per_cosine(self.nominal[colour], pixel[colour][seen], self.drawn_lattice.pupils[seen])
            for colour, seen in enumerate(alive)
        ]
        counted = [
            self._counted(self.drawn_lattice, pixel[colour])[seen] for colour, seen in enumerate(alive)
        ]
        found = principal_parts(parts, scales, counted, self.settings.draws)
        fitted, missed = [], []
        for colour, (seen, values) in enumerate(zip(alive, found.parts, strict=True)):
            least = LeastSquares.of(self.left_basis, self.drawn_lattice, pixel[colour], seen)
            own = least.fitted(values.T)
            fitted.append(self.basis.from_smaller(self.left_basis, own))
            beside = (values.T - least.rows @ own).reshape(2, -1, len(values))
            beside_px = np.einsum("npc,cnk->nkp", scales[colour], beside)[counted[colour]]
            missed.append(np.sum(beside_px**2, axis=(1, 2)))
        extra = np.stack(fitted)
        missed_px = float(np.sqrt(np.concatenate(missed).mean()))
        size_px = self.channel.panel.size_px
        on_panel = (
            np.all((self.pixel[0] >= 0.0) & (self.pixel[0] <= np.array(size_px)), axis=1) & self.valid[0]
        )
        means = (self.basis.table(one) for one in extra[..., 0])
        return ChannelFamily(
            self.nominal_basis,
            self.basis,
            np.stack([added(table, mean) for table, mean in zip(self.nominal, means, strict=True)]),
            np.concatenate([self.modes, extra[..., 1:]], axis=2),
            tuple(one.label for one in self.own),
            float(np.sqrt(found.rest_px**2 + self.fit_px**2 + missed_px**2)),
            captured_border(hull_corners(self.pixel[0][self.valid[0]]), 0.0, size_px),
            hull_corners(self.lattice.tangents[on_panel]),
        )

    def _left_over(self) -> tuple[FloatArray, list[FloatArray], list[BoolArray]]:
        """Return what nominal field and named modes leave of units drawn by lot, direction cosines (units,
        colours, 2, rays), the nominal panel points per colour, and the rays that came through in all units.
        """
        settings, count, lattice = self.settings, len(self.own), self.drawn_lattice
        random = np.random.default_rng([SEED, *self.channel.name.encode()])
        pixel, alive = self._trace(np.zeros(count), lattice)
        alive = [one.copy() for one in alive]
        units = random.normal(size=(settings.draws + settings.checks, count))
        left = np.empty((len(units), len(self.waves), 2, len(lattice.tangents)))
        for unit, amounts in enumerate(units):
            for colour, (point, seen) in enumerate(zip(*self._trace(amounts, lattice), strict=True)):
                alive[colour] &= seen
                table = added(self.nominal[colour], self.basis.table(self.modes[colour] @ amounts))
                said = self.nominal_basis.expansion(table).values(
                    np.where(seen[:, None], point, 0.0), lattice.pupils
                )
                left[unit, colour] = lattice.cosines.T - said
        return left, pixel, alive

    def _counted(self, lattice: RayLattice, pixel: FloatArray) -> BoolArray:
        """Return which rays (n,) an eye in the box sees on the panel: those by which errors are judged."""
        size = np.array(self.channel.panel.size_px)
        counted: BoolArray = lattice.in_box & np.all((pixel >= 0.0) & (pixel <= size), axis=1)
        return counted

    def _px_per_cosine(self, table: FloatArray, pixel: FloatArray, pupil: FloatArray) -> FloatArray:
        """Return J^-1 (n, 2, 2) of the nominal map."""
        _, jacobian = self.nominal_basis.expansion(table).values_and_jacobian(pixel, pupil)
        return np.asarray(np.linalg.inv(np.moveaxis(jacobian, -1, 0)))
