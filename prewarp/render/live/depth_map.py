"""How far inside what each channel shows directions lie, from every pupil: what is lit for an eye that moves.

A ray is lit or dark wherever on it the pupil is, so depths are asked for on a lattice of directions from a
lattice of pupils in the plane z = 0, and joined linearly in both.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import FloatArray
from prewarp.content import ContentProjection
from prewarp.mesh import NODE_DEPTH_DEG, node_depths_deg
from prewarp.seam import ClaimLattice, Seam

# Channels of one eye: components of a texture.
MOST_CHANNELS = 4
# Pitch over the plane of the projection, nodes per tangent or radian: half a degree; pupils each way.
_NODES_PER_UNIT = 2.0 * 180.0 / np.pi
PUPILS = 5


@dataclass(frozen=True)
class DepthMap:
    """Claims by direction, and depths by direction and pupil, of every channel of an eye.

    Parameters
    ----------
    claims : ClaimLattice
        By direction alone (`Seam.claims`).
    depth_deg : (PUPILS * PUPILS, rows, columns, channels) float array
        Degrees inside what each channel shows, lit above 0; pupils x running fastest.
    half_mm : (2,) float array
        Pupils lie evenly from -half to half, mm, in x and y.
    origin : (2,) float array
        Plane coordinates of node (0, 0).
    per_unit : float
        Nodes per unit of the plane.
    edge_deg : float
        Light fades over so many degrees towards the rim of what any channel shows.
    """

    claims: ClaimLattice
    depth_deg: FloatArray
    half_mm: FloatArray
    origin: FloatArray
    per_unit: float
    edge_deg: float


def plane_lattice(content: ContentProjection, per_unit: float, /) -> tuple[FloatArray, FloatArray]:
    """Return a lattice over the content picture's plane: its first node (2,), and directions, tangents.

    Directions (rows, columns, 2); rows run along rising y, `per_unit` nodes per unit of the plane.
    """
    middle = np.array(content.size_px) / 2.0
    half = middle / content.focal_px
    count = np.maximum(np.ceil(2.0 * half * per_unit), 1).astype(int) + 1
    x, y = (-half[axis] + np.arange(count[axis]) / per_unit for axis in range(2))
    plane = np.stack(np.meshgrid(x, y), axis=-1)
    focal = np.array([content.focal_px, -content.focal_px])
    return -half, content.tangent_from_pixel(middle + plane * focal)


def depth_map(seam: Seam, content: ContentProjection, /, *, half_mm: ArrayLike) -> DepthMap | None:
    """Return the map of an eye over its content picture; None for more channels than `MOST_CHANNELS`.

    `half_mm`: half sizes of the eye box, mm, x and y first.
    """
    if len(seam.channels) > MOST_CHANNELS:
        return None
    origin, tangent = plane_lattice(content, _NODES_PER_UNIT)
    # Nothing is shown from 90 degrees on.
    known = np.isfinite(tangent).all(axis=-1)
    reach = np.maximum(np.asarray(half_mm, dtype=float)[:2], 1e-3)
    depths = np.full((PUPILS * PUPILS, *known.shape, len(seam.channels)), -NODE_DEPTH_DEG)
    for number in range(PUPILS * PUPILS):
        place = np.array([number % PUPILS, number // PUPILS]) / (PUPILS - 1)
        here = seam.at([*(reach * (2.0 * place - 1.0)), 0.0])
        depths[number, known] = node_depths_deg(here, tangent[known]).T
    return DepthMap(
        seam.claims,
        depths,
        reach,
        origin,
        _NODES_PER_UNIT,
        seam.edge_deg,
    )
