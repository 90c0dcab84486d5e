"""A family from a design's tolerances: modes by finite differences of the trace."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from prewarp.checks import BoolArray, FloatArray
from prewarp.cores import one_blas_thread
from prewarp.errors import LineError
from prewarp.field.border import captured_border, hull_corners
from prewarp.fitting.chebyshev import ChebyshevPanel
from prewarp.fitting.pupil import PupilFrame
from prewarp.frames import cosine_from_tangent
from prewarp.line.basis import FamilyBasis
from prewarp.line.family import (
    ChannelFamily,
    ChannelOptics,
    Family,
    FigureTerm,
    departures_of,
    figure_terms_of,
    moved_optics,
)
from prewarp.line.moved import LeastSquares, MovedFields
from prewarp.line.tracing import BEYOND_PX, RayLattice, ray_lattice, traced, traced_rays
from prewarp.module import Channel, DisplayModule
from prewarp.trace import Design, reach_lattice

SEED = 2024
# Rays by which it is told what fields of units leave: directions, pupils a unit.
_HELD_OUT, _PUPILS = (12, 10), 6


@dataclass(frozen=True)
class FamilySettings:
    """How finely a family is traced.

    `directions`, `pupils`: of the lattice for the nominal field, those of modes and of units are coarser;
    `nominal_degree`, `nominal_pupil_degree` of the one, `degree`, `pupil_degree` of modes; `checks`: units
    drawn by lot for what their fields leave.
    """

    directions: tuple[int, int] = (23, 21)
    pupils: tuple[int, int] = (7, 7)
    nominal_degree: int = 16
    nominal_pupil_degree: int = 4
    degree: int = 12
    pupil_degree: int = 4
    checks: int = 8


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
    channels = {}
    with one_blas_thread():
        for channel in module.channels:
            work = _ChannelWork(design, module, channel, settings)
            progress(f"channel '{channel.name}': nominal field")
            work.fit_nominal()
            progress(f"channel '{channel.name}': {len(work.own)} modes")
            channels[channel.name] = work.finish(work.modes())
        half = np.array(module.eye_box.half_mm)
        found = Family(
            channels,
            module.colour_names,
            tuple(one.wavelength_nm for one in module.colours),
            np.array([-half, half]),
            design,
            {"design": design.name, "module": module.name},
        )
        progress(f"{settings.checks} units by lot")
        rest = _rest_px(found, module, settings.checks)
    channels = {name: replace(one, rest_px=rest[name]) for name, one in found.channels.items()}
    return replace(found, channels=channels)


class _ChannelWork:
    """One channel while its family is made; colours in the order of the module."""

    def __init__(
        self, design: Design, module: DisplayModule, channel: Channel, settings: FamilySettings
    ) -> None:
        self.design, self.channel, self.own = design, channel, departures_of(design, channel.name)
        self.waves = tuple(one.wavelength_nm for one in module.colours)
        self.lattice = ray_lattice(module, channel, settings.directions, settings.pupils)
        # Coarser: what units differ by is smooth. Two nodes more each way than the pupil's degree, since rays
        # at the corners miss the eye box.
        nodes = tuple(min(n, settings.pupil_degree + 2) for n in settings.pupils)
        self.mode_lattice, self.unit_lattice = (
            ray_lattice(
                module,
                channel,
                (
                    max(7, round(share * settings.directions[0])),
                    max(7, round(share * settings.directions[1])),
                ),
                (nodes[0] - fewer, nodes[1] - fewer),
            )
            for share, fewer in ((0.75, 0), (0.5, 1))
        )
        size = channel.panel.size_px
        half = tuple(0.5 * length + BEYOND_PX for length in size)
        self.nominal_basis, self.basis = (
            FamilyBasis(
                ChebyshevPanel(size, degree, (half[0], half[1])),
                PupilFrame((0.0, 0.0), self.lattice.half_mm),
                pupil_degree,
            )
            for degree, pupil_degree in (
                (settings.nominal_degree, settings.nominal_pupil_degree),
                (settings.degree, settings.pupil_degree),
            )
        )

    def _trace(self, amounts: FloatArray, lattice: RayLattice) -> tuple[list[FloatArray], list[BoolArray]]:
        """Return panel points and validity per colour of the unit with these amounts, in sigmas."""
        optics = moved_optics(self.design, self.channel.name, self.own, amounts)
        panel = self.channel.panel
        found = [traced(optics, panel.size_px, panel.pitch_um, lattice, wave) for wave in self.waves]
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
        tables = []
        for point, seen in zip(pixel, valid, strict=True):
            least = LeastSquares.of(self.nominal_basis, self.lattice, point, seen)
            found = least.fitted(self.lattice.cosines[seen].T.reshape(-1, 1))
            tables.append(self.nominal_basis.table(found[:, 0]))
        self.nominal = np.stack(tables)

    def modes(self) -> FloatArray:
        """Return the modes (colours, columns, k) by central differences of one sigma."""
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
        return np.stack(modes)

    def figure_modes(self) -> FloatArray:
        """Return what a step of figure terms without a tolerance does (columns, terms), middle colour."""
        terms, colour = figure_terms_of(self.design, self.channel.name), len(self.waves) // 2
        lattice, panel = self.mode_lattice, self.channel.panel

        def traced_with(amounts: FloatArray) -> tuple[FloatArray, BoolArray]:
            optics = moved_optics(self.design, self.channel.name, terms, amounts)
            return traced(optics, panel.size_px, panel.pitch_um, lattice, self.waves[colour])

        middle, whole = traced_with(np.zeros(len(terms)))
        steps = np.array([traced_with(one)[0] - middle for one in np.eye(len(terms))])
        if len(terms) == 0:
            return np.zeros((self.basis.count, 0))
        whole = whole & np.isfinite(steps).all(axis=(0, 2))
        _, jacobian = self.nominal_basis.expansion(self.nominal[colour]).values_and_jacobian(
            middle[whole], lattice.pupils[whole]
        )
        moved = -np.einsum("cpn,knp->cnk", jacobian, steps[:, whole])
        return LeastSquares.of(self.basis, lattice, middle, whole).fitted(moved.reshape(-1, len(terms)))

    def finish(self, modes: FloatArray) -> ChannelFamily:
        """Return the channel's family, what fields leave not yet known."""
        size_px = self.channel.panel.size_px
        on_panel = (
            np.all((self.pixel[0] >= 0.0) & (self.pixel[0] <= np.array(size_px)), axis=1) & self.valid[0]
        )
        return ChannelFamily(
            self.nominal_basis,
            self.basis,
            self.nominal,
            modes,
            tuple(one.label for one in self.own),
            self.figure_modes(),
            tuple(
                FigureTerm(one.label, one.sigma) for one in figure_terms_of(self.design, self.channel.name)
            ),
            0.0,
            captured_border(hull_corners(self.pixel[0][self.valid[0]]), 0.0, size_px),
            hull_corners(self.lattice.tangents[on_panel]),
            ChannelOptics(self.own, self.channel.panel.pitch_um, self.unit_lattice),
        )


def _rest_px(family: Family, module: DisplayModule, units: int) -> dict[str, float]:
    """Return what fields of units drawn by lot leave of other rays than theirs, RMS px, by channel."""
    random, fields = np.random.default_rng(SEED), MovedFields(family)
    squares: dict[str, list[FloatArray]] = {name: [] for name in family.channels}
    low, high = family.pupil_box_mm
    colour = len(family.colours) // 2
    for _ in range(units):
        drawn = random.normal(size=family.count)
        expansions = fields.expansions(drawn)
        pupil = random.uniform(low, high, (_PUPILS, 3))
        for name, own in family.channels.items():
            said = reach_lattice(module.channel(name), _HELD_OUT)
            tangent = np.broadcast_to(said, (_PUPILS, *said.shape))
            size, optics = own.basis.panel.size_px, family.optics_of(name, drawn)
            pitch_um = module.channel(name).panel.pitch_um
            pixel, valid = traced_rays(
                optics, size, pitch_um, tangent, pupil[:, None], family.wavelengths_nm[colour]
            )
            kept = valid & np.all((pixel >= 0.0) & (pixel <= np.array(size)), axis=-1)
            seen = tangent[kept]
            place = np.broadcast_to(pupil[:, None], (*kept.shape, 3))[kept]
            reference = place[:, :2] - place[:, 2:] * seen
            value, jacobian = expansions[name, family.colours[colour]].values_and_jacobian(
                pixel[kept], reference
            )
            missed = np.linalg.solve(
                np.moveaxis(jacobian, -1, 0), (cosine_from_tangent(seen) - value.T)[..., None]
            )
            squares[name].append(np.sum(missed[..., 0] ** 2, axis=1))
    return {name: float(np.sqrt(np.concatenate(own).mean())) for name, own in squares.items()}
