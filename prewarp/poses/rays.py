"""The rays of one channel and colour as the shots of a capture saw them, and where corrected poses put them.

A shot k stands at p_k + d_k instead of its label p_k, and its camera is turned by the rotation R_k: a
direction that the camera calls m is truly s = R m. From there the ray crosses z = 0 at
x = (p + d)_xy - (p + d)_z t, t = s_xy / s_z.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

from prewarp.checks import FloatArray, IntArray
from prewarp.fitting.base import differences
from prewarp.fitting.expansion import Expansion
from prewarp.fitting.samples import Samples

# Unknowns of a shot: the offset's x, y, z (mm), then the turn about x, y, z (radians).
PER_SHOT = 6
OFFSET, TURN = slice(0, 3), slice(3, 6)


@dataclass(frozen=True)
class Poses:
    """Corrections of the shots: `offset_mm` (k, 3); `turn_rad` (k, 3) rotation vectors, radians.

    The same frame and sense of turning as everywhere (`prewarp.frames`): about x the picture moves down,
    about y to the right, about z its right side moves up.
    """

    offset_mm: FloatArray
    turn_rad: FloatArray

    @staticmethod
    def of_labels(shots: int, /) -> "Poses":
        """Return poses as labelled: nothing moved, nothing turned."""
        return Poses(np.zeros((shots, 3)), np.zeros((shots, 3)))

    def as_vectors(self) -> FloatArray:
        """Return offset and turn side by side, (k, 6)."""
        return np.concatenate([self.offset_mm, self.turn_rad], axis=1)

    def moved(self, step: FloatArray, /) -> "Poses":
        """Return the poses after a small step (k, 6): offsets add, turns follow one another."""
        turned = Rotation.from_rotvec(step[:, TURN]) * Rotation.from_rotvec(self.turn_rad)
        return Poses(self.offset_mm + step[:, OFFSET], turned.as_rotvec())


def turned_units(unit: FloatArray, shot: IntArray, poses: Poses, /) -> FloatArray:
    """Return R m (n, 3) for unit vectors m (n, 3) of the shots (n,)."""
    matrix = Rotation.from_rotvec(poses.turn_rad).as_matrix()
    result: FloatArray = np.einsum("nij,nj->ni", matrix[shot], unit)
    return result


@dataclass(frozen=True)
class Rays:
    """One channel and colour. `samples` as labelled; `unit` (n, 3) directions as the cameras say; `label_mm`
    (n, 3) pupils as labelled; `shot` (n,) codes; `base` a known map, of which the field is a difference. Rows
    in the order of the samples.
    """

    samples: Samples
    unit: FloatArray
    label_mm: FloatArray
    shot: IntArray
    base: Expansion | None = None

    def at(self, poses: Poses, /) -> "PlacedRays":
        """Return where these rays run if the poses are so."""
        unit = turned_units(self.unit, self.shot, poses)
        tangent = unit[:, :2] / unit[:, 2:]
        depth = self.label_mm[:, 2] + poses.offset_mm[self.shot, 2]
        place = self.label_mm[:, :2] + poses.offset_mm[self.shot, :2]
        reference = place - depth[:, None] * tangent
        samples = replace(self.samples, cosine=unit[:, :2].copy(), reference_mm=reference)
        slope = np.zeros((2, 2, 1))
        if self.base is not None:
            samples = differences(samples, (self.base,))
            slope = self.base.pupil_jacobian(samples.pixel, reference)
        return PlacedRays(samples, unit, tangent, depth, slope)


@dataclass(frozen=True)
class PlacedRays:
    """Rays at poses: `samples` with true cosines and crossings of z = 0, `unit` (n, 3), `tangent` (n, 2),
    `depth_mm` (n,). With a base the cosines are differences to it, and `base_slope` (2, 2, n) is its own
    dq/d(x, y), per mm.
    """

    samples: Samples
    unit: FloatArray
    tangent: FloatArray
    depth_mm: FloatArray
    base_slope: FloatArray

    def slopes(self, by_pupil: FloatArray, /) -> FloatArray:
        """Return `pose_slopes` of these rays."""
        return pose_slopes(self.unit, self.tangent, self.depth_mm, by_pupil)


def pose_slopes(
    unit: FloatArray, tangent: FloatArray, depth_mm: FloatArray, by_pupil: FloatArray, /
) -> FloatArray:
    """Return d(q_fit - q)/d(offset, turn) (6, 2, n), per mm and per radian.

    `unit` (n, 3), `tangent` (n, 2), `depth_mm` (n,) of the rays; `by_pupil` (2, 2, n): dq_fit/d(x, y) at
    fixed panel points, H. An offset moves the crossing by d_xy - d_z t; a turn changes s by r x s, and
    the crossing by -z dt.
    """
    t = tangent.T
    result = np.empty((PER_SHOT, 2, len(depth_mm)))
    result[0], result[1] = by_pupil[:, 0], by_pupil[:, 1]
    result[2] = -(by_pupil[:, 0] * t[0] + by_pupil[:, 1] * t[1])
    for axis in range(3):
        turned = np.cross(np.eye(3)[axis], unit).T
        moved = (turned[:2] - t * turned[2]) / unit[:, 2] * -depth_mm
        result[3 + axis] = by_pupil[:, 0] * moved[0] + by_pupil[:, 1] * moved[1] - turned[:2]
    return result
