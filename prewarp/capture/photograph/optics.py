"""The optics of one channel and colour as a photograph needs them: panel point of a direction, and back.

Two kinds: a traced design, and a fit. Both go on smoothly beyond the edges of panel and lenses; `clearance`
says where light is stopped, so that maps between rays stay smooth.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np

from prewarp.chebyshev import chebyshev_terms, exponents_of_degree
from prewarp.checks import FloatArray
from prewarp.field import Field, FieldSet
from prewarp.frames import unit_from_tangent
from prewarp.module import Channel, DisplayModule
from prewarp.points import lattice_points
from prewarp.trace.channel import pixel_from_panel_mm
from prewarp.trace.design import Design, DesignChannel
from prewarp.trace.rays import trace_rays
from prewarp.trace.surfaces import Shape

_STEPS = 25
_CONVERGED_PX = 1e-7
# The search starts from a polynomial of this degree, through directions of the nominal reach and some more.
_START_DEGREE = 5
_START_MARGIN_DEG = 12.0
_START_NODES = 41


@dataclass(frozen=True)
class Seen:
    """What rays meet. `pixel` (..., 2) panel px, off the panel too; NaN where a ray is lost; `light` (...)
    relative to the white panel straight on; `clearance` (...) how far inside every edge the ray passes,
    negative where it is stopped, mm in a design and panel px in a fit.
    """

    pixel: FloatArray
    light: FloatArray
    clearance: FloatArray


class Optics(Protocol):
    """The face of both kinds. Directions are tangents (..., 2) in the wearer's frame, pupils (..., 3) mm."""

    def seen(self, tangent: FloatArray, pupil_mm: FloatArray, /) -> Seen:
        """Return what is seen in directions from pupil positions."""

    def direction(
        self, pixel: FloatArray, pupil_mm: FloatArray, start: FloatArray | None = None, /
    ) -> FloatArray:
        """Return the directions in which panel points (..., 2) are seen; NaN where none is found.

        `start`: tangents near to them, where there are any.
        """


# Optics by channel and colour.
OpticsOf = Callable[[str, str], Optics]


@dataclass(frozen=True)
class TracedOptics:
    """One channel of a traced design at one wavelength."""

    design: DesignChannel
    channel: Channel
    wavelength_nm: float
    relative_luminance: float = 1.0

    def seen(self, tangent: FloatArray, pupil_mm: FloatArray, /) -> Seen:
        """Return what is seen in directions from pupil positions."""
        places = self.design.places()
        rays = trace_rays(
            self.design.surfaces,
            places,
            pupil_mm,
            unit_from_tangent(tangent),
            wavelength_nm=self.wavelength_nm,
            rims_stop=False,
        )
        clearance = np.full(rays.point.shape[:-1], np.inf)
        for number, surface in enumerate(self.design.surfaces):
            if surface.semi_aperture_mm is not None:
                vertex, axes = places[number]
                met = (rays.path[number + 1] - vertex) @ axes
                clearance = np.fmin(clearance, surface.semi_aperture_mm - np.hypot(met[..., 0], met[..., 1]))
        vertex, axes = places[-1]
        heading = rays.direction @ axes
        met = Shape().meet((rays.point - vertex) @ axes, heading)
        pixel = pixel_from_panel_mm(met, self.design.panel, self.channel.panel)
        lost = ~np.isfinite(pixel[..., 0])
        return Seen(
            pixel=pixel,
            light=np.where(
                lost, 0.0, self.relative_luminance * np.abs(heading[..., 2]) ** self.design.emission_power
            ),
            clearance=np.where(lost, -np.inf, clearance),
        )

    def direction(
        self, pixel: FloatArray, pupil_mm: FloatArray, start: FloatArray | None = None, /
    ) -> FloatArray:
        """Return the directions in which panel points (..., 2) are seen; NaN where none is found.

        Broyden's method: the slopes of a polynomial fitted to the panel are put right by each step.
        """
        shape = np.broadcast_shapes(pixel.shape[:-1], pupil_mm.shape[:-1])
        wanted = np.broadcast_to(pixel, (*shape, 2)).reshape(-1, 2)
        pupil = np.broadcast_to(pupil_mm, (*shape, 3)).reshape(-1, 3)
        guess, inverse = self._start(wanted)
        tangent = guess if start is None else np.broadcast_to(start, (*shape, 2)).reshape(-1, 2).copy()
        missing = wanted - self.seen(tangent, pupil).pixel
        active = np.flatnonzero(np.isfinite(missing[:, 0]))
        for _ in range(_STEPS):
            if len(active) == 0:
                break
            step = np.einsum("nij,nj->ni", inverse[active], missing[active])
            tangent[active] += step
            after = wanted[active] - self.seen(tangent[active], pupil[active]).pixel
            change = missing[active] - after
            missing[active] = after
            # Good Broyden update of the inverse: maps `change` to `step` exactly.
            reached = np.einsum("nij,nj->ni", inverse[active], change)
            lead = np.einsum("ni,nij->nj", step, inverse[active])
            scale = np.sum(step * reached, axis=-1)
            usable = np.abs(scale) > 1e-300
            correction = (step - reached)[:, :, None] * lead[:, None, :]
            inverse[active] += np.where(usable, 1.0 / np.where(usable, scale, 1.0), 0.0)[:, None, None] * (
                correction
            )
            left = np.abs(after).max(axis=-1)
            active = active[np.isfinite(left) & (left > _CONVERGED_PX)]
        found = np.abs(missing).max(axis=-1) <= _CONVERGED_PX
        return np.where(found[:, None], tangent, np.nan).reshape(*shape, 2)

    @cached_property
    def _start_terms(self) -> tuple[FloatArray, FloatArray]:
        """Coefficients (terms, 2) of directions over the scaled panel, and its middle and half sizes."""
        reach = self.channel.reach
        axes = [
            np.linspace(low - _START_MARGIN_DEG, high + _START_MARGIN_DEG, _START_NODES)
            for low, high in (reach.dir_x_deg, reach.dir_y_deg)
        ]
        tangent = np.tan(np.radians(np.clip(lattice_points(*axes), -85.0, 85.0)))
        seen = self.seen(tangent, np.zeros(3))
        half = np.array(self.channel.panel.size_px) / 2.0
        scaled = seen.pixel / half - 1.0
        with np.errstate(invalid="ignore"):
            usable = (np.abs(scaled).max(axis=-1) < 1.2) & (seen.clearance > 0.0)
        values = _terms(scaled[usable])[0]
        coefficients = np.linalg.lstsq(values, tangent[usable], rcond=1e-9)[0]
        return coefficients, half

    def _start(self, pixel: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return directions (n, 2) near those of panel points, and d(tx, ty)/d(u, v) (n, 2, 2)."""
        coefficients, half = self._start_terms
        values, slopes = _terms(np.clip(pixel / half - 1.0, -1.2, 1.2))
        inverse = np.einsum("ntk,tj->njk", slopes, coefficients) / half
        return values @ coefficients, inverse


def _terms(scaled: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return Chebyshev products (n, terms) and their slopes (n, terms, 2) at points (n, 2)."""
    exponents = exponents_of_degree(_START_DEGREE)
    slopes = [chebyshev_terms(scaled, exponents, derivative=axis) for axis in range(2)]
    return chebyshev_terms(scaled, exponents), np.stack(slopes, axis=-1)


@dataclass(frozen=True)
class FittedOptics:
    """One channel and colour of a fit; its light is even, for a fit of places knows no other."""

    field: Field

    def seen(self, tangent: FloatArray, pupil_mm: FloatArray, /) -> Seen:
        """Return what is seen in directions from pupil positions."""
        found = self.field.inverse(tangent, pupil_mm=pupil_mm, margin_px=1e9)
        clearance = self.field.depth_px(found.pixel, pupil_mm=pupil_mm)
        known = found.valid & np.isfinite(clearance)
        return Seen(found.pixel, np.where(known, 1.0, 0.0), np.where(known, clearance, -np.inf))

    def direction(
        self, pixel: FloatArray, pupil_mm: FloatArray, start: FloatArray | None = None, /
    ) -> FloatArray:
        """Return the directions in which panel points (..., 2) are seen; NaN where none is found."""
        return self.field.forward(pixel, pupil_mm=pupil_mm)


@dataclass(frozen=True)
class OpticsOfDesign:
    """The optics of a traced design by channel and colour."""

    design: Design
    module: DisplayModule

    def __call__(self, channel: str, colour: str, /) -> Optics:
        if (channel, colour) not in self._made:
            own = self.design.channel(channel)
            self._made[channel, colour] = TracedOptics(
                own,
                self.module.channel(channel),
                self.module.colour(colour).wavelength_nm,
                own.relative_luminance_of(colour),
            )
        return self._made[channel, colour]

    @cached_property
    def _made(self) -> dict[tuple[str, str], Optics]:
        return {}


@dataclass(frozen=True)
class OpticsOfFit:
    """The optics of a fit by channel and colour."""

    fields: FieldSet

    def __call__(self, channel: str, colour: str, /) -> Optics:
        return FittedOptics(self.fields.field(channel, colour))
