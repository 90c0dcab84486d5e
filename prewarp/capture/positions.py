"""Where the camera stands for a capture that calibrates itself (design page, section 8.1).

Depth alternates in a checker, so that turns that go with the position cannot pass for image distance; corners
of the eye box are kept, other positions are moved a little off their lattice, so that each axis has many
levels and no high power looks like a low one; from the middle the camera is also turned, which shows where
its entrance pupil lies. What remains common to all shots, a scale, needs one known distance.
"""

from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations

import numpy as np

from prewarp.chebyshev import chebyshev_terms, exponents_of_degree
from prewarp.checks import BoolArray, FloatArray, IntArray
from prewarp.errors import CaptureError

MOST_POSITIONS = 1600
# More are taken in square lattices alone: choosing them one by one takes too long, and gains nothing.
MOST_SPREAD = 100
DEPTH_MM = (2.0, 4.0)
TURN_DEG = 10.0
FEWEST_LEVELS = 5
# How far positions are moved off their lattice, in its spacings.
_JITTER = 0.22
# A way along one axis is measured as easily as one so many times as long across both.
_STRAIGHT = 2.0
# The R2 sequence: inverse powers of the root of x^3 = x + 1, the plane's golden ratio.
_ROOT = 1.324717957244746
# Wavefront terms are taken to fall so much per degree when positions are chosen, against this noise.
_FALL, _NOISE, _HIGHEST_DEGREE = 0.3, 1e-3, 7
# A line of two positions: the nodes of Gauss's rule, where a linear fit mixes in no cubic term.
_TWO = 1.0 / np.sqrt(3.0)


@dataclass(frozen=True)
class Pose:
    """A place and turn of the camera: `pupil_mm` from the eye-box centre; yaw, pitch, roll, degrees."""

    name: str
    pupil_mm: tuple[float, float, float]
    turn_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @property
    def is_turned(self) -> bool:
        """Whether the camera is turned out of the wearer's straight ahead."""
        return any(self.turn_deg)


def plan_poses(
    half_mm: FloatArray,
    count: int,
    /,
    *,
    depth_mm: tuple[float, float] = DEPTH_MM,
    turn_deg: float = TURN_DEG,
) -> tuple[Pose, ...]:
    """Return poses over an eye box, in an order in which the stage moves little; turned ones follow theirs.

    Parameters
    ----------
    half_mm : (3,) float array
        Half sizes of the eye box, mm.
    count : int
        Positions: 1, a line of 2, 3, 4 corners, a square lattice (9, 16, 25, ...), or any other number,
        spread so that a smooth field is known best between them.
    depth_mm : (float, float)
        Smallest and largest distance from z = 0; signs alternate.
    turn_deg : float
        Of the six turned shots from the position nearest to the middle; 0: none.

    Raises
    ------
    CaptureError
        A count out of range, or depths that do not rise.
    """
    is_square = round(np.sqrt(max(count, 0))) ** 2 == count
    if not 1 <= count <= MOST_POSITIONS or (count > MOST_SPREAD and not is_square):
        raise CaptureError(
            f"{count} positions; expected 1 to {MOST_SPREAD}, or a square number (121, 144, ...) up to "
            f"{MOST_POSITIONS}."
        )
    if not 0.0 <= depth_mm[0] <= depth_mm[1] <= 50.0:
        raise CaptureError(
            f"depths are {depth_mm[0]:g} to {depth_mm[1]:g} mm; expected 0 or more, the smaller first, at "
            "most 50."
        )
    place, sign = places(count)
    depth = depth_mm[0] + (depth_mm[1] - depth_mm[0]) * _depth_share(place)
    z = sign * depth if count > 1 else np.zeros(1)
    pupil = np.column_stack([place * half_mm[:2], z])
    # Stages move in steps of a micrometre at best; plans are easier to read.
    rounded = np.round(pupil, 3) + 0.0
    middle = int(np.argmin(np.linalg.norm(place, axis=1)))
    poses = []
    for index, (x, y, depth_z) in enumerate(rounded.tolist()):
        pose = Pose(f"p{index:02d}", (x, y, depth_z))
        poses.append(pose)
        if index == middle and turn_deg > 0.0:
            poses += [
                Pose(f"{pose.name}t{number}", pose.pupil_mm, turn)
                for number, turn in enumerate(_turns(turn_deg), 1)
            ]
    return tuple(poses)


def _turns(angle: float) -> list[tuple[float, float, float]]:
    turns = []
    for axis in range(3):
        for sign in (1.0, -1.0):
            turn = [0.0, 0.0, 0.0]
            turn[axis] = sign * angle
            turns.append((turn[0], turn[1], turn[2]))
    return turns


def known_distance(poses: tuple[Pose, ...], /) -> tuple[str, str, float] | None:
    """Return the two poses to measure the distance of, and that distance as planned, mm; None for one place.

    The longest way along x or y alone, since a gauge block or dial serves it, where that is at least half of
    the longest of all; else that.
    """
    straight = [pose for pose in poses if not pose.is_turned]
    pairs = []
    for a, b in combinations(straight, 2):
        step = np.abs(np.subtract(a.pupil_mm, b.pupil_mm))
        length = float(np.linalg.norm(step))
        along_one = np.count_nonzero(step > 1e-6) == 1 and step[2] <= 1e-6
        pairs.append((length * (_STRAIGHT if along_one else 1.0), length, a.name, b.name))
    if not pairs:
        return None
    _, length, a_name, b_name = max(pairs, key=lambda one: one[0])
    return (a_name, b_name, length) if length > 0.0 else None


@lru_cache(maxsize=16)
def places(count: int, /) -> tuple[FloatArray, FloatArray]:
    """Return positions (count, 2) in -1 to 1 of the eye box, and the sign (count,) of their depth."""
    each_way = round(np.sqrt(count))
    if count == 1:
        return np.zeros((1, 2)), np.ones(1)
    if count == 2:
        return np.array([[-_TWO, -_TWO], [_TWO, _TWO]]), np.array([-1.0, 1.0])
    if count == 3:
        return np.array([[-1.0, -1.0], [1.0, -1.0], [0.0, 1.0]]), np.array([-1.0, 1.0, -1.0])
    if each_way**2 == count:
        place, sign = jittered_lattice(each_way)
        return _in_rows(place, sign, each_way)
    place, sign = jittered_lattice(max(FEWEST_LEVELS, int(np.ceil(np.sqrt(count)))))
    chosen = _best(place, sign, count)
    return place[chosen], sign[chosen]


def jittered_lattice(each_way: int, /) -> tuple[FloatArray, FloatArray]:
    """Return n x n positions (n^2, 2) in -1 to 1, x fastest, and a checker of signs (n^2,).

    Corners are kept; positions of an edge move along it, inner ones both ways.
    """
    axis = np.linspace(-1.0, 1.0, each_way)
    place = np.stack(np.meshgrid(axis, axis), axis=-1).reshape(-1, 2)
    row, column = np.divmod(np.arange(each_way**2), each_way)
    moves = (
        2.0 * np.modf(0.5 + np.outer(np.arange(1, each_way**2 + 1), [1.0 / _ROOT, 1.0 / _ROOT**2]))[0] - 1.0
    )
    moves *= _JITTER * 2.0 / max(each_way - 1, 1)
    is_inner = np.column_stack([(column > 0) & (column < each_way - 1), (row > 0) & (row < each_way - 1)])
    return place + np.where(is_inner, moves, 0.0), np.where((row + column) % 2 == 0, 1.0, -1.0)


def _depth_share(place: FloatArray) -> FloatArray:
    """Return 0 to 1 (n,): where between smallest and largest depth; corners at the largest."""
    share = np.arange(len(place)) * 2 % 5 / 4.0
    return np.where(_is_corner(place), 1.0, share)


def _is_corner(place: FloatArray) -> BoolArray:
    found: BoolArray = np.abs(place).min(axis=1) > 1.0 - 1e-9
    return found


def _in_rows(place: FloatArray, sign: FloatArray, each_way: int) -> tuple[FloatArray, FloatArray]:
    """Return lattice positions row by row, every other row backwards."""
    order = np.arange(each_way**2).reshape(each_way, each_way)
    order[1::2] = order[1::2, ::-1]
    return place[order.ravel()], sign[order.ravel()]


def _best(place: FloatArray, sign: FloatArray, count: int) -> IntArray:
    """Return which positions of a lattice to take: its corners, and others until a field is known best.

    The mean variance over the box of a gradient field whose terms fall with their degree, given both
    components at each position (I-optimality, common practice in the design of experiments); one position
    after the other, then exchanged while that helps. As many positions in front of z = 0 as behind, and five
    levels an axis where there are enough positions.
    """
    corners = np.flatnonzero(_is_corner(place))
    inner = np.setdiff1d(np.arange(len(place)), corners)
    rows, mean = _gradients(place)
    shown, prior = np.einsum("pak,pal->pkl", rows, rows) / _NOISE**2, np.diag(_prior())
    level_x, level_y = (np.unique(np.round(one, 6), return_inverse=True)[1].tolist() for one in place.T)

    def score(chosen: IntArray) -> tuple[float, int, float]:
        lack = abs(float(sign[chosen].sum()))
        fewest = min(len({level[one] for one in chosen.tolist()}) for level in (level_x, level_y))
        spread = np.sum(np.linalg.inv(prior + shown[chosen].sum(axis=0)) * mean)
        return lack, max(FEWEST_LEVELS - fewest, 0), float(spread)

    chosen = corners
    while len(chosen) < count:
        chosen = min((np.append(chosen, one) for one in inner if one not in chosen), key=score)
    while True:
        trials = [
            np.append(np.delete(chosen, slot), one)
            for slot in range(len(corners), count)
            for one in inner
            if one not in chosen
        ]
        better = min(trials, key=score, default=chosen)
        if not score(better) < score(chosen):
            break
        chosen = better
    ordered: IntArray = _walk(place, chosen)
    return ordered


def _gradients(place: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the gradients (n, 2, k) of wavefront terms, and their mean product (k, k) over the box."""
    exponents = _wavefront_exponents()
    step = 1e-4
    axis = np.linspace(-1.0, 1.0, 9)
    box = np.stack(np.meshgrid(axis, axis), axis=-1).reshape(-1, 2)

    def gradient(points: FloatArray) -> FloatArray:
        sides = [
            (chebyshev_terms(points + move, exponents) - chebyshev_terms(points - move, exponents))
            / (2 * step)
            for move in step * np.eye(2)
        ]
        return np.stack(sides, axis=1)

    over = gradient(box)
    return gradient(place), np.einsum("pak,pal->kl", over, over) / len(box)


def _wavefront_exponents() -> IntArray:
    exponents = exponents_of_degree(_HIGHEST_DEGREE)
    kept: IntArray = exponents[exponents.sum(axis=1) > 0]
    return kept


def _prior() -> FloatArray:
    """Return the inverse square (k,) of what each wavefront term is taken to be."""
    degree = _wavefront_exponents().sum(axis=1)
    return np.asarray(_FALL ** (-2.0 * (degree - 1.0)), dtype=np.float64)


def _walk(place: FloatArray, chosen: IntArray) -> IntArray:
    """Return the chosen positions in bands of y, every other band backwards in x."""
    band = np.clip(((place[chosen, 1] + 1.0) / 2.0 * 3.0).astype(int), 0, 2)
    along = np.where(band % 2 == 0, place[chosen, 0], -place[chosen, 0])
    return chosen[np.lexsort((along, band))]
