"""Blend weights of a channel by direction, for meshes whose nodes look elsewhere as the eye moves."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from prewarp.checks import FloatArray
from prewarp.content import ContentProjection
from prewarp.render.live.depth_map import DepthMap, plane_lattice
from prewarp.seam import Seam

if TYPE_CHECKING:
    from prewarp.photometry.target import TargetLight

# Pitch of a weight map, nodes per tangent or radian of its projection: 0.25 degrees.
_WEIGHTS_PER_UNIT = 4.0 * 180.0 / np.pi


@dataclass(frozen=True)
class WeightMap:
    """Blend weights of one channel over the plane of a projection, for lookup by direction.

    Parameters
    ----------
    weight : (rows, columns) float array
        Weights at nodes; rows run along rising y.
    target : (rows, columns, 3) float array, optional
        Luminance that red, green and blue are brought to by a match; None without one.
    origin : (2,) float array
        Plane coordinates of node (0, 0): tangents (flat) or radians along the azimuth (equidistant).
    per_unit : float
        Nodes per unit of the plane.
    depths : DepthMap, optional
        Makes the weight of what is lit from each pupil; `weight` is for direction alone.
    own : int
        Which of the channels of `depths` this is.
    """

    weight: FloatArray
    origin: FloatArray
    per_unit: float
    target: FloatArray | None = None
    depths: DepthMap | None = None
    own: int = 0


def weight_map(
    seam: Seam | None,
    content: ContentProjection,
    channel: str,
    /,
    *,
    targets: Sequence["TargetLight"] | None = None,
    depths: DepthMap | None = None,
) -> WeightMap:
    """Return the blend weights of a channel over the content picture; 1 everywhere without a seam.

    `targets`: of red, green, blue, from a luminance match; `depths`: what is lit, of the same seam.
    """
    origin, tangent = plane_lattice(content, _WEIGHTS_PER_UNIT)
    weight = np.ones(tangent.shape[:2]) if seam is None else seam.weights(tangent)[seam.index(channel)]
    target = None if targets is None else np.stack([one.at(tangent) for one in targets], axis=-1)
    own = 0 if seam is None else seam.index(channel)
    return WeightMap(weight, origin, _WEIGHTS_PER_UNIT, target, depths, own)
