"""Mount: how a channel is turned, as a whole, from the frame of its capture to the frame of the eye.

Channels captured apart, or put into a visor after capture, sit a little turned. Optics and panel turn
together about the eye-box centre, so directions and pupil positions turn alike: f'(u, v, e) = R f(u, v, R^T
e). Nothing is fitted again.
"""

from dataclasses import dataclass, field

import numpy as np
from scipy.spatial.transform import Rotation

from prewarp.checks import FloatArray
from prewarp.errors import ShapeError
from prewarp.frames import unit_from_tangent

LARGEST_TURN_DEG = 60.0
SCALE_RANGE = (0.5, 2.0)
NO_TURN = (0.0, 0.0, 0.0)


@dataclass(frozen=True)
class Mount:
    """A small turn about the eye-box centre and, if any, a magnification of the directions about one of them.

    Parameters
    ----------
    turn_deg : (float, float, float)
        Rotation vector, degrees: its direction is the axis, its length the angle. Turned about x the picture
        moves down, about y to the right; about z it turns so that its right side moves up.
    scale : float
        Factor on tangents about `axis`, in the channel's own frame, before the turn. Pupil positions are not
        scaled.
    axis : (float, float)
        Direction (tx, ty) about which `scale` acts, tangents, own frame; as a rule that of the panel's
        middle.

    Raises
    ------
    ShapeError
        A number is not finite or out of range.
    """

    turn_deg: tuple[float, float, float] = NO_TURN
    scale: float = 1.0
    axis: tuple[float, float] = (0.0, 0.0)
    matrix: FloatArray = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        turn = tuple(float(value) for value in self.turn_deg)
        axis = tuple(float(value) for value in self.axis)
        if len(turn) != 3 or not np.linalg.norm(turn) <= LARGEST_TURN_DEG:
            raise ShapeError(
                f"turn_deg is {turn}; expected a rotation vector (x, y, z) no longer than "
                f"{LARGEST_TURN_DEG:g} degrees."
            )
        if len(axis) != 2 or not np.isfinite(axis).all():
            raise ShapeError(f"axis is {axis}; expected two finite tangents.")
        if not SCALE_RANGE[0] <= self.scale <= SCALE_RANGE[1]:
            raise ShapeError(f"scale is {self.scale!r}; expected {SCALE_RANGE[0]:g} to {SCALE_RANGE[1]:g}.")
        object.__setattr__(self, "turn_deg", turn)
        object.__setattr__(self, "axis", axis)
        object.__setattr__(self, "scale", float(self.scale))
        object.__setattr__(self, "matrix", Rotation.from_rotvec(turn, degrees=True).as_matrix())

    @property
    def is_identity(self) -> bool:
        """Whether nothing is turned or scaled."""
        return self.turn_deg == NO_TURN and self.scale == 1.0

    def outward(self, tangent: FloatArray, /) -> FloatArray:
        """Return directions (..., 2) of the channel's own frame in the eye's frame."""
        centre = np.asarray(self.axis)
        return _turned(centre + self.scale * (tangent - centre), self.matrix)

    def inward(self, tangent: FloatArray, /) -> FloatArray:
        """Return directions (..., 2) of the eye's frame in the channel's own frame."""
        centre = np.asarray(self.axis)
        result: FloatArray = centre + (_turned(tangent, self.matrix.T) - centre) / self.scale
        return result

    def pupil_inward(self, pupil_mm: FloatArray, /) -> FloatArray:
        """Return pupil positions (..., 3) of the eye's frame in the channel's own frame, mm."""
        return pupil_mm @ self.matrix

    def outward_slope(self, tangent: FloatArray, /) -> FloatArray:
        """Return d(outward)/d(tangent) (..., 2, 2) at directions (..., 2) of the own frame.

        From t' = (R v)_xy / (R v)_z with v = (t, 1): dt'_i/dt_j = (R_ij - t'_i R_zj) / (R v)_z, times the
        scale.
        """
        centre = np.asarray(self.axis)
        scaled = centre + self.scale * (tangent - centre)
        turned = _turned(scaled, self.matrix)
        depth = scaled @ self.matrix[2, :2] + self.matrix[2, 2]
        slope = self.matrix[:2, :2] - turned[..., :, None] * self.matrix[2, :2]
        result: FloatArray = self.scale * slope / depth[..., None, None]
        return result


def _turned(tangent: FloatArray, matrix: FloatArray) -> FloatArray:
    vector = unit_from_tangent(tangent) @ matrix.T
    return vector[..., :2] / np.where(vector[..., 2:] > 0.0, vector[..., 2:], np.nan)


UNMOUNTED = Mount()
