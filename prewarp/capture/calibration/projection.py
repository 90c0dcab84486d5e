"""A flat board in a camera: where its marks are seen, and how that changes with camera and pose.

Here as in OpenCV's documentation: x right, y down, z ahead; a mark at X (its z is 0) is at R X + T in the
camera's frame, mm.
"""

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from prewarp.capture.distortion import coefficient_slopes, distorted, point_slopes
from prewarp.checks import FloatArray

_WALK_STEPS = 4


@dataclass(frozen=True)
class Poses:
    """Where the board is in each of n photographs: `rotation` (n, 3, 3), `shift_mm` (n, 3)."""

    rotation: FloatArray
    shift_mm: FloatArray

    def __len__(self) -> int:
        return len(self.shift_mm)

    def moved(self, step: FloatArray, /) -> "Poses":
        """Return poses turned by rotation vectors in the camera's frame and shifted: steps (n, 6)."""
        turn = Rotation.from_rotvec(step[:, :3]).as_matrix()
        return Poses(turn @ self.rotation, self.shift_mm + step[:, 3:])

    def points(self, place_mm: FloatArray, /) -> FloatArray:
        """Return marks (p, 2) of the board in the camera's frame, (n, p, 3), mm."""
        flat: FloatArray = (
            np.einsum("nij,pj->npi", self.rotation[:, :, :2], place_mm) + self.shift_mm[:, None]
        )
        return flat


@dataclass(frozen=True)
class Lens:
    """What a calibration finds: focal length and centre, px (first pixel's centre at 0.5), distortion, and
    the walk of the entrance pupil, mm per squared tangent, (1,) where it is looked for, else (0,).
    """

    focal_px: FloatArray
    centre_px: FloatArray
    distortion: FloatArray
    walk_mm: FloatArray

    @property
    def values(self) -> FloatArray:
        """All numbers in one row: focal x, y, centre x, y, walk, distortion."""
        return np.concatenate([self.focal_px, self.centre_px, self.walk_mm, self.distortion])

    def with_values(self, values: FloatArray, /) -> "Lens":
        """Return a lens of the same kind with these numbers."""
        end = 4 + len(self.walk_mm)
        return Lens(values[:2], values[2:4], values[end:], values[4:end])

    def flat(self, point: FloatArray, /) -> FloatArray:
        """Return tangents (..., 2) of points (..., 3) of the camera's frame, seen from the entrance pupil."""
        flat: FloatArray = point[..., :2] / point[..., 2:]
        if len(self.walk_mm) and self.walk_mm[0]:
            for _ in range(_WALK_STEPS):
                ahead = self.walk_mm[0] * np.sum(flat * flat, axis=-1, keepdims=True)
                flat = point[..., :2] / (point[..., 2:] - ahead)
        return flat

    def pixel(self, point: FloatArray, /) -> FloatArray:
        """Return where points (..., 3) of the camera's frame are seen, (..., 2) px."""
        pixel: FloatArray = distorted(self.flat(point), self.distortion) * self.focal_px + self.centre_px
        return pixel


def slopes(lens: Lens, poses: Poses, place_mm: FloatArray, /) -> tuple[FloatArray, FloatArray]:
    """Return how pixels change with lens numbers, (n, p, 2, m), and with steps of poses, (n, p, 2, 6).

    The walk's own share in the slopes by place is left out: a thousandth of them.
    """
    point = poses.points(place_mm)
    flat = lens.flat(point)
    depth = point[..., 2]
    walks, count = len(lens.walk_mm), len(lens.distortion)
    by_lens = np.zeros((*flat.shape, 4 + walks + count))
    bent = distorted(flat, lens.distortion)
    by_flat = point_slopes(flat, lens.distortion) * lens.focal_px[:, None]
    for axis in range(2):
        by_lens[..., axis, axis] = bent[..., axis]
        by_lens[..., axis, 2 + axis] = 1.0
    if walks:
        squared = np.sum(flat * flat, axis=-1)
        by_lens[..., 4] = np.einsum("npij,npj->npi", by_flat, flat * (squared / depth)[..., None])
    by_lens[..., 4 + walks :] = (
        coefficient_slopes(flat, lens.distortion)[..., :count] * lens.focal_px[:, None]
    )
    by_point = np.zeros((*flat.shape, 3))
    by_point[..., 0, 0] = by_point[..., 1, 1] = 1.0 / depth
    by_point[..., :, 2] = -flat / depth[..., None]
    by_point = by_flat @ by_point
    # A turn w moves R X by w x (R X).
    turned = point - poses.shift_mm[:, None]
    x, y, z = np.moveaxis(turned, -1, 0)
    zero = np.zeros_like(x)
    cross = np.stack([zero, z, -y, -z, zero, x, y, -x, zero], axis=-1).reshape(*x.shape, 3, 3)
    return by_lens, np.concatenate([by_point @ cross, by_point], axis=-1)


def disc_bias(lens: Lens, poses: Poses, place_mm: FloatArray, radius_mm: float, /) -> FloatArray:
    """Return how far the centroid of a disc's picture is off the picture of its middle, (n, p, 2), px.

    The rim is projected as a polygon, whose centroid is that of its area.
    """
    if radius_mm == 0.0:
        return np.zeros((len(poses), len(place_mm), 2))
    angle = 2.0 * np.pi * np.arange(24) / 24
    rim = place_mm[:, None] + radius_mm * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    seen = lens.pixel(poses.points(rim.reshape(-1, 2))).reshape(len(poses), len(place_mm), len(angle), 2)
    middle = lens.pixel(poses.points(place_mm))
    here = seen - middle[:, :, None]
    there = np.roll(here, -1, axis=2)
    twice = here[..., 0] * there[..., 1] - here[..., 1] * there[..., 0]
    bias: FloatArray = ((here + there) * twice[..., None]).sum(axis=2) / (3.0 * twice.sum(axis=2))[..., None]
    return bias


def homography(place: FloatArray, pixel: FloatArray, /) -> FloatArray:
    """Return the matrix (3, 3) that takes board places (p, 2) to pixels (p, 2), by least squares (DLT).

    R. Hartley and A. Zisserman, Multiple View Geometry, 2nd ed. 2003, algorithm 4.2.
    """
    ours, theirs = _normaliser(place), _normaliser(pixel)
    x, y = (place @ ours[:2, :2].T + ours[:2, 2]).T
    u, v = (pixel @ theirs[:2, :2].T + theirs[:2, 2]).T
    zero, one = np.zeros_like(x), np.ones_like(x)
    rows = np.concatenate(
        [
            np.stack([x, y, one, zero, zero, zero, -u * x, -u * y, -u], axis=-1),
            np.stack([zero, zero, zero, x, y, one, -v * x, -v * y, -v], axis=-1),
        ]
    )
    found = np.linalg.svd(rows)[2][-1].reshape(3, 3)
    result: FloatArray = np.linalg.inv(theirs) @ found @ ours
    return result


def _normaliser(points: FloatArray) -> FloatArray:
    middle = points.mean(axis=0)
    scale = np.sqrt(2.0) / np.mean(np.hypot(*(points - middle).T))
    return np.array([[scale, 0.0, -scale * middle[0]], [0.0, scale, -scale * middle[1]], [0.0, 0.0, 1.0]])


def first_guess(
    place_mm: FloatArray, pixel: FloatArray, size_px: tuple[int, int], coefficients: int, *, walk: bool
) -> tuple[Lens, Poses]:
    """Return a camera without distortion, its centre in the middle, and poses, from pixels (n, p, 2).

    Z. Zhang, IEEE Trans. Pattern Anal. Mach. Intell. 22 (2000) 1330, section 3.1, with square pixels.
    """
    middle = np.array(size_px) / 2.0
    found = [homography(place_mm, one - middle) for one in pixel]
    rows, wanted = [], []
    for h in found:
        (a, b), (c, d), (e, f) = h[0, :2], h[1, :2], h[2, :2]
        size = np.linalg.norm(h[:, :2])
        rows += [(a * b + c * d) / size**2, (a * a + c * c - b * b - d * d) / size**2]
        wanted += [-e * f / size**2, -(e * e - f * f) / size**2]
    inverse = float(np.dot(rows, wanted) / np.dot(rows, rows))
    widest = float(max(size_px))
    focal = 1.0 / np.sqrt(inverse) if inverse > 0.0 else widest
    focal = float(np.clip(focal, 0.2 * widest, 50.0 * widest))
    rotations, shifts = [], []
    for h in found:
        own = h / np.array([focal, focal, 1.0])[:, None]
        own = own / np.sqrt(np.linalg.norm(own[:, 0]) * np.linalg.norm(own[:, 1])) * np.sign(own[2, 2])
        turn = np.column_stack([own[:, 0], own[:, 1], np.cross(own[:, 0], own[:, 1])])
        left, _, right = np.linalg.svd(turn)
        rotations.append(left @ np.diag([1.0, 1.0, np.linalg.det(left @ right)]) @ right)
        shifts.append(own[:, 2])
    lens = Lens(np.array([focal, focal]), middle, np.zeros(coefficients), np.zeros(1 if walk else 0))
    return lens, Poses(np.array(rotations), np.array(shifts))
