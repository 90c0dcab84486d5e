"""Which motions of the pupil, and up to which degree, the positions of a capture show.

Rays do not bend: a position off the plane z = 0 counts where its ray crosses that plane, for each direction
apart, and the middle one of the directions decides.
"""

from dataclasses import dataclass

import numpy as np

from prewarp.chebyshev import values_2d
from prewarp.checks import FloatArray, IntArray

# Rank of the pupil basis: judged on so many positions, by this ratio of the smallest to the largest singular
# value.
MOST_POSITIONS = 200
RANK_LIMIT = 1e-2
HIGHEST_PUPIL_DEGREE = 8
# A motion of the pupil counts as shown where positions spread along it (RMS) by so much of the widest spread,
# and by so many mm.
SPREAD_SHOWN = 0.05
LEAST_SPREAD_MM = 0.05


@dataclass(frozen=True)
class Positions:
    """Different pupil positions (k, 3), mm, the group (k,) of each that is left out together (-1: never), and
    directions (m, 2), tangents, that stand for all that were captured.
    """

    pupil_mm: FloatArray
    group: IntArray
    tangent: FloatArray

    def reference_mm(self) -> FloatArray:
        """Return where rays of each direction cross z = 0, (m, k, 2), mm."""
        return self.pupil_mm[:, :2] - self.pupil_mm[:, 2:] * self.tangent[:, None]


def spread_positions(
    pupil_mm: FloatArray, group: IntArray, tangent: FloatArray, first: IntArray, /
) -> Positions:
    """Return at most `MOST_POSITIONS` different positions of samples (n, ...), and directions spread over
    theirs; one direction where all lie in the plane z = 0. `first` (k,): a sample of each position.
    """
    some = first[:: -(-len(first) // MOST_POSITIONS)]
    if np.any(pupil_mm[some, 2]):
        low, middle, high = np.quantile(tangent, (0.1, 0.5, 0.9), axis=0)
        nodes = np.stack([low, middle, high])
        directions = np.array([(nodes[i, 0], nodes[j, 1]) for j in range(3) for i in range(3)])
    else:
        directions = np.zeros((1, 2))
    return Positions(pupil_mm[some], group[some], directions)


def position_keys(pupil_mm: FloatArray, /) -> np.ndarray:
    """Return a complex number for each position (n, 3), equal where they agree to 1e-6 mm: quick to sort."""
    x, y, z = np.round(pupil_mm, 6).T
    result: np.ndarray = (x + 1j * y) + z * (1e3 + 1.7e3j)
    return result


def complete_degree(
    positions: Positions, /, *, centre_mm: tuple[float, float], half_mm: tuple[float, float]
) -> int:
    """Return the highest degree in (x, y) of which the positions show every function.

    By the rank of the pupil basis, not by the number of positions: on five values of x a fifth power is a
    mixture of lower ones. The basis has one scale in x and y: aberrations do not know how far the stage went.
    """
    references = (positions.reference_mm() - np.array(centre_mm)) / max(half_mm)
    degree = 0
    while degree < HIGHEST_PUPIL_DEGREE:
        bases = (values_2d(one[:, 0], one[:, 1], degree + 1) for one in references)
        sizes = [np.linalg.svd(basis @ basis.T, compute_uv=False) for basis in bases]
        if np.median([size[-1] / size[0] for size in sizes]) < RANK_LIMIT**2:
            break
        degree += 1
    return degree


def motions_shown(positions: Positions, /) -> FloatArray:
    """Return the unit vectors in x, y (m, 2) along which positions differ: none, one, or both axes.

    For the middle one of the directions, each with positions where its rays cross z = 0. Along a second axis
    they differ where they spread by `SPREAD_SHOWN` of the first at least.
    """
    spread = positions.reference_mm()
    spread = spread - spread.mean(axis=1, keepdims=True)
    _, size, axes = np.linalg.svd(spread, full_matrices=False)
    if size.shape[1] < 2:
        return np.zeros((0, 2))
    size = size / np.sqrt(len(positions.group))
    if np.median(size[:, 1]) >= max(SPREAD_SHOWN * np.median(size[:, 0]), LEAST_SPREAD_MM):
        return np.eye(2)
    # One line in space serves all directions; a line along z turns with the direction and shows no motion.
    mean = np.einsum("mi,mj->ij", axes[:, 0], axes[:, 0]) / len(axes)
    share, vectors = np.linalg.eigh(mean)
    if np.median(size[:, 0]) < LEAST_SPREAD_MM or share[1] < 0.9:
        return np.zeros((0, 2))
    axis = vectors[:, 1] * np.where(vectors[np.argmax(np.abs(vectors[:, 1])), 1] < 0.0, -1.0, 1.0)
    return axis[None]


def motion_text(motions: FloatArray, /) -> str:
    """Return in words what the unit vectors (m, 2) of `motions_shown` say."""
    if len(motions) == 2:
        return "motion of the pupil along x and y"
    if len(motions) == 0:
        return "no motion of the pupil"
    x, y = np.abs(motions[0])
    along = "x" if x > 0.999 else "y" if y > 0.999 else f"({x:.2f}, {motions[0][1]:.2f})"
    return f"motion of the pupil along {along} alone"
