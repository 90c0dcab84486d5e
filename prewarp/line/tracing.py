"""Rays of a design for a family: one lattice of directions and pupils, traced again for every departure."""

from dataclasses import dataclass, replace

import numpy as np

from prewarp.chebyshev import nodes_1d
from prewarp.checks import BoolArray, FloatArray
from prewarp.frames import cosine_from_tangent
from prewarp.module import Channel, DisplayModule
from prewarp.trace import DesignChannel, reach_lattice, trace_channel

# Rays are followed beyond the panel's sides by so much, so that its rim lies inside what is fitted.
BEYOND_PX = 96
# Directions beyond the nominal reach: past the slanting sides of a keystone.
MARGIN_DEG = (1.5, 8.0)
# Cameras stand a little beside their labels.
SLACK_MM = 0.4


@dataclass(frozen=True)
class RayLattice:
    """Directions (m, 2), tangents, and reference pupils (p, 2), mm in the plane z = 0, of one channel; every
    ray is one of both. `half_mm`: half the size of the pupils' rectangle about the middle of the eye box.
    """

    tangent: FloatArray
    pupil_mm: FloatArray
    half_mm: tuple[float, float]
    box_mm: tuple[float, float, float]

    @property
    def in_box(self) -> BoolArray:
        """Which rays (p * m,) pass through the eye box, half `box_mm`, or within `SLACK_MM` of it."""
        half_x, half_y, half_z = self.box_mm
        depth = np.linspace(-half_z, half_z, 9)[:, None, None]
        place = self.pupils + depth * self.tangents
        within: BoolArray = np.all(np.abs(place) <= np.array([half_x, half_y]) + SLACK_MM, axis=-1).any(
            axis=0
        )
        return within

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
    return RayLattice(tangent, pupil, half_mm, (half_x, half_y, half_z))


def _spread(count: int) -> FloatArray:
    """Return Chebyshev nodes stretched to the ends of -1 to 1."""
    nodes = nodes_1d(count)
    return nodes / nodes[-1] if count > 1 else nodes


def traced(
    optics: DesignChannel, channel: Channel, lattice: RayLattice, wavelength_nm: float, /
) -> tuple[FloatArray, BoolArray]:
    """Return panel points (p * m, 2), px, and which rays came through, up to `BEYOND_PX` off the panel."""
    panel = channel.panel
    wide = replace(panel, width_px=panel.width_px + 2 * BEYOND_PX, height_px=panel.height_px + 2 * BEYOND_PX)
    pupil = np.concatenate([lattice.pupil_mm, np.zeros((len(lattice.pupil_mm), 1))], axis=1)
    found = trace_channel(
        optics, wide, lattice.tangent[None], pupil_mm=pupil[:, None], wavelength_nm=wavelength_nm
    )
    return (found.pixel - BEYOND_PX).reshape(-1, 2), found.valid.ravel()
