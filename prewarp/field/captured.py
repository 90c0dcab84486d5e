"""What a capture determines: where pupils were, how far apart, and which motions of the pupil it shows.

A ray does not bend, so a pupil position counts where a ray through it crosses the plane z = 0: what was
captured for one direction is the hull of all positions, moved along that direction to z = 0. A capture in the
plane z = 0 alone speaks for every depth whose rays cross it within the captured x and y.
"""

from dataclasses import dataclass
from dataclasses import field as default

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from prewarp.checks import FloatArray, as_pupil, as_tangent
from prewarp.errors import ShapeError
from prewarp.pupils.shown import motion_text, motions_shown, position_keys, spread_positions

# Normals along which the distance to a hull is measured: short of the true one by at most one part in 800.
NORMALS = 64
# Rows worked on at a time.
CHUNK = 4096


@dataclass(frozen=True)
class Captured:
    """What one channel's capture holds.

    Parameters
    ----------
    corners_mm : (k, 3) float array
        Corners of the hull of the captured pupil positions, mm; all of them where they span no volume and
        are few.
    positions : int
        How many different positions there are.
    spacing_mm : float
        Typical distance of neighbouring positions in x and y; 0 for a single one.
    motions : (m, 2) float array
        Directions in x, y (unit vectors) in which the pupil moves in the capture, at least for half of the
        viewing directions: none, one (a line of positions), or both axes.
    pupil_functions : ((int, int), ...)
        For each degree of the wavefront over the pupil, from 1: how many functions the fit has, and how many
        there are. Where the first is less, the others are tied to rounder ones.
    unseen : (m, count, 2) float array
        What those others may add to direction cosines, 1-sigma each, in the scalar pupil basis of the fit.
    """

    corners_mm: FloatArray
    positions: int
    spacing_mm: float
    motions: FloatArray
    pupil_functions: tuple[tuple[int, int], ...] = ()
    unseen: FloatArray = default(default_factory=lambda: np.zeros((0, 1, 2)))

    def __post_init__(self) -> None:
        corners, motions = np.asarray(self.corners_mm, float), np.asarray(self.motions, float)
        if corners.ndim != 2 or corners.shape[1] != 3 or len(corners) == 0 or not np.isfinite(corners).all():
            raise ShapeError(f"corners_mm has shape {corners.shape}; expected finite positions (k, 3), mm.")
        if motions.ndim != 2 or motions.shape[1] != 2 or len(motions) > 2 or not np.isfinite(motions).all():
            raise ShapeError(f"motions has shape {motions.shape}; expected up to two unit vectors (m, 2).")
        if not (np.isfinite(self.spacing_mm) and self.spacing_mm >= 0.0):
            raise ShapeError(f"spacing_mm is {self.spacing_mm!r}; expected a distance of 0 mm or more.")
        unseen = np.asarray(self.unseen, float)
        if unseen.ndim != 3 or unseen.shape[2] != 2 or not np.isfinite(unseen).all():
            raise ShapeError(f"unseen has shape {unseen.shape}; expected finite functions (m, count, 2).")
        object.__setattr__(self, "unseen", unseen)
        object.__setattr__(self, "corners_mm", corners)
        object.__setattr__(self, "motions", motions)

    @property
    def shows_motion(self) -> bool:
        """Whether every motion of the pupil to the side, up and down is determined."""
        return len(self.motions) == 2

    @property
    def depth_mm(self) -> tuple[float, float]:
        """Lowest and highest captured z, mm."""
        return float(self.corners_mm[:, 2].min()), float(self.corners_mm[:, 2].max())

    def motion_text(self) -> str:
        """Return in words which motion of the pupil the positions show."""
        return motion_text(self.motions)

    def ties_text(self) -> str:
        """Return in words which pupil functions are tied to others; "" where none is."""
        tied = [
            f"{fitted} of {every} of degree {degree}"
            for degree, (fitted, every) in enumerate(self.pupil_functions, start=1)
            if fitted < every
        ]
        if not tied:
            return ""
        return (
            "the pupil positions determine only some terms of the wavefront over the pupil: "
            f"{', '.join(tied)}. The others are tied to rounder ones (as x4 + y4 to x2y2 in a "
            "round aberration), which these data cannot test."
        )

    def outside_mm(self, pupil_mm: FloatArray, tangent: FloatArray, /) -> FloatArray:
        """Return how far outside the captured pupils rays lie, mm, (...); 0 inside.

        Parameters
        ----------
        pupil_mm : (..., 3) float array
            Pupil positions, mm, the channel's own frame; leading axes broadcast with those of `tangent`.
        tangent : (..., 2) float array
            Viewing directions, tangents, the channel's own frame.

        Notes
        -----
        The distance of a point r from a convex set is the largest n.r - h(n) over unit vectors n, h the
        set's support function; here r = x - z t, and h(n) = max over corners of n.(x_k - z_k t).
        """
        pupil_mm, tangent = as_pupil(pupil_mm), as_tangent(tangent)
        shape = np.broadcast_shapes(pupil_mm.shape[:-1], tangent.shape[:-1])
        pupil = np.broadcast_to(pupil_mm, (*shape, 3)).reshape(-1, 3)
        direction = np.broadcast_to(tangent, (*shape, 2)).reshape(-1, 2)
        angle = 2.0 * np.pi * np.arange(NORMALS) / NORMALS
        normal = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
        depths, place = np.unique(self.corners_mm[:, 2], return_inverse=True)
        along = self.corners_mm[:, :2] @ normal.T
        highest = np.array([along[place == one].max(axis=0) for one in range(len(depths))])
        outside = np.empty(len(pupil))
        for low in range(0, len(pupil), CHUNK):
            part = slice(low, low + CHUNK)
            steep = direction[part] @ normal.T
            support = np.max(highest[:, None] - depths[:, None, None] * steep, axis=0)
            reference = pupil[part, :2] - pupil[part, 2:] * direction[part]
            outside[part] = np.max(reference @ normal.T - support, axis=1)
        # Rounding of a file's digits is no distance.
        return np.where(outside > 1e-6, outside, 0.0).reshape(shape)

    def as_dict(self) -> dict[str, object]:
        """Return this for machines; units are in the keys."""
        low, high = self.corners_mm.min(axis=0), self.corners_mm.max(axis=0)
        return {
            "pupil_hull_mm": self.corners_mm.tolist(),
            "pupil_low_mm": low.tolist(),
            "pupil_high_mm": high.tolist(),
            "depth_mm": list(self.depth_mm),
            "positions": self.positions,
            "spacing_mm": self.spacing_mm,
            "motions": self.motions.tolist(),
            "ties": self.ties_text() or None,
            "pupil_functions": [
                {"wavefront_degree": degree, "fitted": fitted, "all": every}
                for degree, (fitted, every) in enumerate(self.pupil_functions, start=1)
            ],
        }


def captured_by(
    pupil_mm: FloatArray,
    tangent: FloatArray,
    /,
    *,
    pupil_functions: tuple[tuple[int, int], ...] = (),
    unseen: FloatArray | None = None,
) -> Captured:
    """Return what samples hold, from their pupil positions (n, 3), mm, and directions (n, 2), tangents."""
    _, first = np.unique(position_keys(pupil_mm), return_index=True)
    positions = spread_positions(pupil_mm, np.zeros(len(pupil_mm), dtype=int), tangent, first)
    different = np.unique(np.round(pupil_mm[first], 6), axis=0)
    return Captured(
        corners_mm=_hull_corners(different),
        positions=len(different),
        spacing_mm=_spacing_mm(different),
        motions=motions_shown(positions),
        pupil_functions=pupil_functions,
        unseen=np.zeros((0, 1, 2)) if unseen is None else unseen,
    )


def _hull_corners(points: FloatArray) -> FloatArray:
    """Return the corners of the hull of points (n, 3): in space, in each plane of z, or all of them."""
    try:
        return points[ConvexHull(points).vertices]
    except (QhullError, ValueError):
        pass
    kept = []
    for depth in np.unique(points[:, 2]):
        level = points[points[:, 2] == depth]
        try:
            level = level[ConvexHull(level[:, :2]).vertices]
        except (QhullError, ValueError):
            order = np.argsort(level[:, :2] @ _longest_axis(level[:, :2]))
            level = level[np.unique(order[[0, -1]])] if _is_line(level[:, :2]) else level
        kept.append(level)
    return np.concatenate(kept)


def _longest_axis(points: FloatArray) -> FloatArray:
    _, _, axes = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)
    result: FloatArray = axes[0]
    return result


def _is_line(points: FloatArray) -> bool:
    size = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    return bool(size[-1] <= 1e-9 * max(size[0], 1.0))


def _spacing_mm(points: FloatArray) -> float:
    """Return the typical distance of neighbours in x, y of positions (n, 3): of a lattice its step."""
    flat = np.unique(points[:, :2], axis=0)
    if len(flat) < 2:
        return 0.0
    length = float(np.ptp(flat @ _longest_axis(flat)))
    try:
        area = float(ConvexHull(flat).volume)
    except (QhullError, ValueError):
        area = 0.0
    across = area / length
    # n = (1 + length / s) (1 + across / s), exact for a line and for a lattice of square cells, solved for s.
    total, both = length + across, length * across
    return float((total + np.sqrt(total * total + 4.0 * (len(flat) - 1) * both)) / (2.0 * (len(flat) - 1)))
