"""Rays of a design for a family: one lattice of directions and pupils, traced again for every departure."""

from dataclasses import dataclass

import numpy as np

from prewarp.chebyshev import nodes_1d
from prewarp.checks import BoolArray, FloatArray
from prewarp.frames import cosine_from_tangent
from prewarp.module import Channel, DisplayModule, Panel
from prewarp.trace import DesignChannel, reach_lattice, trace_channel

# Rays are followed beyond the panel's sides by so much, so that its rim lies inside what is fitted.
BEYOND_PX = 96
# Directions beyond the nominal reach: past the slanting sides of a keystone.
MARGIN_DEG = (1.5, 8.0)


@dataclass(frozen=True)
class RayLattice:
    """Directions (m, 2), tangents, and reference pupils (p, 2), mm in the plane z = 0, of one channel; every
    ray is one of both. `half_mm`: half the size of the pupils' rectangle about the middle of the eye box.
    """

    tangent: FloatArray
    pupil_mm: FloatArray
    half_mm: tuple[float, float]

    @property
    def tangents(self) -> FloatArray:
        """The direction (p * m, 2) of every ray."""
        return np.tile(self.tangent, (len(self.pupil_mm), 1))

    @property
    def pupils(self) -> FloatArray:
        """The reference pupil (p * m, 2) of every ray."""
        return np.repeat(self.pupil_mm, len(self.tangent), axis=0)

    @property
    def cosines(self) -> FloatArray:
        """Direction cosines (p * m, 2) of every ray."""
        return cosine_from_tangent(self.tangents)


def ray_lattice(
    module: DisplayModule, channel: Channel, directions: tuple[int, int], pupils: tuple[int, int], /
) -> RayLattice:
    """Return the lattice of a channel: directions over its reach and a little more, pupils where most rays of
    the eye box cross z = 0. A larger rectangle would hold rays that no eye sees, and these are the steepest.
    """
    tangent = reach_lattice(channel, directions, margin_deg=MARGIN_DEG)
    half_x, half_y, half_z = module.eye_box.half_mm
    steep_x, steep_y = np.abs(reach_lattice(channel, (2, 2))).max(axis=0)
    half = (half_x + 0.5 * half_z * float(steep_x), half_y + 0.5 * half_z * float(steep_y))
    axes = [max(length, 0.1) * _spread(count) for length, count in zip(half, pupils, strict=True)]
    x, y = np.meshgrid(*axes)
    pupil = np.stack([x.ravel(), y.ravel()], axis=-1)
    half_mm = (float(axes[0][-1]), float(axes[1][-1]))
    return RayLattice(tangent, pupil, half_mm)


def _spread(count: int) -> FloatArray:
    """Return Chebyshev nodes stretched to the ends of -1 to 1."""
    nodes = nodes_1d(count)
    return nodes / nodes[-1] if count > 1 else nodes


def traced(
    optics: DesignChannel,
    size_px: tuple[int, int],
    pitch_um: float,
    lattice: RayLattice,
    wavelength_nm: float,
    /,
) -> tuple[FloatArray, BoolArray]:
    """Return panel points (p * m, 2), px, and which rays came through, up to `BEYOND_PX` off the panel."""
    pupil = np.concatenate([lattice.pupil_mm, np.zeros((len(lattice.pupil_mm), 1))], axis=1)
    pixel, valid = traced_rays(
        optics, size_px, pitch_um, lattice.tangent[None], pupil[:, None], wavelength_nm
    )
    return pixel.reshape(-1, 2), valid.ravel()


def traced_rays(
    optics: DesignChannel,
    size_px: tuple[int, int],
    pitch_um: float,
    tangent: FloatArray,
    pupil_mm: FloatArray,
    wavelength_nm: float,
    /,
) -> tuple[FloatArray, BoolArray]:
    """Return panel points (..., 2), px, of rays in directions (..., 2) from pupils (..., 3), and which came
    through, up to `BEYOND_PX` off the panel.
    """
    width, height = size_px
    # Encoding and depth concern no ray.
    wide = Panel(width + 2 * BEYOND_PX, height + 2 * BEYOND_PX, pitch_um, "srgb", 8)
    found = trace_channel(optics, wide, tangent, pupil_mm=pupil_mm, wavelength_nm=wavelength_nm)
    return found.pixel - BEYOND_PX, found.valid
