"""Survey of the overlap from every pupil position: how wide it is, and where it is narrowest."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import BoolArray, FloatArray, as_pupil
from prewarp.frames import degrees_from_tangent
from prewarp.seam.blend import Seam
from prewarp.seam.directions import node_areas_deg2, plane_deg_from_tangent, tangent_from_plane_deg
from prewarp.seam.gaps import neighbouring
from prewarp.seam.light import ChannelLight
from prewarp.seam.reach import ChannelReach

# Pitch of the lattice on which gaps and overlaps are measured, degrees.
SURVEY_STEP_DEG = 0.2
_BISECTIONS = 10
_LEAST_GAP_DEG = 1e-3
# Panels stand a little askew: rows this near the ends of the seam, as a share of its height, meet a corner
# only.
_TRIM_SHARE = 0.075


@dataclass(frozen=True)
class PairOverlap:
    """Overlap of two neighbouring channels from one pupil position.

    `least_deg`: width of the overlap along the line that joins the channels, at its narrowest (negative:
    width of the widest gap); `least_at_deg` the direction (x, y) there; `overlap_deg2` solid angle shown
    twice; `known_to_deg` the dot spacing, to which the borders of what is lit are known (0: all is lit).
    """

    channels: tuple[str, str]
    pupil_mm: tuple[float, float, float]
    least_deg: float
    least_at_deg: tuple[float, float]
    overlap_deg2: float
    known_to_deg: float = 0.0

    @property
    def has_gap(self) -> bool:
        """Whether directions between the two channels are shown by neither."""
        return self.least_deg < -_LEAST_GAP_DEG

    def as_dict(self) -> dict[str, Any]:
        """Return the figures for machines."""
        return {
            "channels": list(self.channels),
            "pupil_mm": list(self.pupil_mm),
            "least_overlap_deg": self.least_deg,
            "least_overlap_at_deg": list(self.least_at_deg),
            "overlap_deg2": self.overlap_deg2,
            "border_known_to_deg": self.known_to_deg,
        }

    def sentence(self, feather_deg: float | None = None) -> str:
        """Say where the overlap is narrower than the feather, or an empty string where it is not."""
        if feather_deg is None or self.has_gap or self.least_deg >= feather_deg:
            return ""
        a, b = self.channels
        pupil = ", ".join(f"{value:g}" for value in self.pupil_mm)
        where = f"near dir_x {self.least_at_deg[0]:.1f}, dir_y {self.least_at_deg[1]:.1f} degrees"
        return (
            f"pupil ({pupil}) mm: '{a}' and '{b}' overlap by {self.least_deg:.2f} degrees {where}, less "
            f"than the feather of {feather_deg:.2f}; the blend is steeper there."
        )


def survey_overlap(seam: Seam, pupils_mm: ArrayLike, /) -> tuple[PairOverlap, ...]:
    """Measure the overlap of all neighbouring channels from every pupil position, as far as it is lit.

    Two channels are neighbours when no third lies between their middles. Rows are followed along the line
    that joins the two middles, over the inner 85 per cent of the height that both have.

    Parameters
    ----------
    seam : Seam
        Its channels and what they light.
    pupils_mm : (n, 3) float array
        Pupil positions, mm.

    Raises
    ------
    SeamError
        A channel's outline cannot be followed (see `channel_reach`).
    """
    found = []
    for pupil in as_pupil(pupils_mm, "pupils_mm").reshape(-1, 3):
        middles = [plane_deg_from_tangent(light.outline(pupil).middle) for light in seam.lights]
        pairs = neighbouring(middles)
        found += [pair_overlap(seam.lights[a], seam.lights[b], pupil) for a, b in pairs]
    return tuple(found)


def neighbours(reaches: Sequence[ChannelReach], /) -> list[tuple[ChannelReach, ChannelReach]]:
    """Return the pairs of reaches with no third one's middle inside the circle across their two middles."""
    middles = [plane_deg_from_tangent(reach.middle) for reach in reaches]
    return [(reaches[i], reaches[j]) for i, j in neighbouring(middles)]


def pair_overlap(a: ChannelLight, b: ChannelLight, pupil_mm: FloatArray, /) -> PairOverlap:
    """Measure the overlap of two channels from one pupil position (3,), mm; see `survey_overlap`."""
    along, plane = _rows_between(a.outline(pupil_mm), b.outline(pupil_mm))
    tangent = tangent_from_plane_deg(plane)
    in_a, in_b = (one.depth_deg(tangent, pupil_mm=pupil_mm) > 0.0 for one in (a, b))
    rows = np.flatnonzero(in_a.any(axis=1) & in_b.any(axis=1))
    area = node_areas_deg2(plane, SURVEY_STEP_DEG)
    known_to = max(one.spacing_deg(pupil_mm) for one in (a, b))
    if not len(rows):
        # Nothing is lit side by side: all of the way between the middles is dark.
        middle = degrees_from_tangent(tangent_from_plane_deg(plane[len(plane) // 2, len(along) // 2]))
        place = (float(middle[0]), float(middle[1]))
        return PairOverlap(_names(a, b), _tuple(pupil_mm), -float(along[-1]), place, 0.0, known_to)
    end_a = _edge(a, pupil_mm, plane[rows], in_a[rows], last=True)
    start_b = _edge(b, pupil_mm, plane[rows], in_b[rows], last=False)
    width = end_a - start_b
    narrow = int(np.argmin(width))
    share = 0.5 * (end_a[narrow] + start_b[narrow]) / along[-1]
    row = plane[rows[narrow]]
    spot = degrees_from_tangent(tangent_from_plane_deg(row[0] + share * (row[-1] - row[0])))
    return PairOverlap(
        _names(a, b),
        _tuple(pupil_mm),
        float(width[narrow]),
        (float(spot[0]), float(spot[1])),
        float(np.sum(area * (in_a & in_b))),
        known_to,
    )


def _names(a: ChannelLight, b: ChannelLight) -> tuple[str, str]:
    return a.channel, b.channel


def _tuple(pupil_mm: FloatArray) -> tuple[float, float, float]:
    x, y, z = (float(value) for value in pupil_mm)
    return x, y, z


def _rows_between(a: ChannelReach, b: ChannelReach) -> tuple[FloatArray, FloatArray]:
    """Return places (n,) on the line between the middles, and a lattice (m, n, 2) beside it, degrees."""
    start, end = plane_deg_from_tangent(a.middle), plane_deg_from_tangent(b.middle)
    length = float(np.linalg.norm(end - start))
    forward = (end - start) / max(length, 1e-9)
    side = np.array([-forward[1], forward[0]])
    heights = [(plane_deg_from_tangent(reach.outline) - start) @ side for reach in (a, b)]
    low, high = max(h.min() for h in heights), min(h.max() for h in heights)
    trim = _TRIM_SHARE * (high - low)
    along = np.arange(0.0, int(np.ceil(length / SURVEY_STEP_DEG)) + 1, dtype=np.float64) * SURVEY_STEP_DEG
    across = np.arange(low + trim, high - trim, SURVEY_STEP_DEG)
    plane: FloatArray = start + along[None, :, None] * forward + across[:, None, None] * side
    return along, plane


def _edge(
    light: ChannelLight, pupil_mm: FloatArray, plane: FloatArray, inside: BoolArray, *, last: bool
) -> FloatArray:
    """Return where along each row (m,) a channel ends (`last`) or begins, degrees from the row's start.

    The border lies between two nodes of the row; bisection places it to a thousandth of their pitch.
    """
    count = inside.shape[1]
    if last:
        within = count - 1 - np.argmax(inside[:, ::-1], axis=1)
        without = np.minimum(within + 1, count - 1)
    else:
        within = np.argmax(inside, axis=1)
        without = np.maximum(within - 1, 0)
    good, bad = within.astype(float), without.astype(float)
    first, step = plane[:, 0], plane[:, 1] - plane[:, 0]
    for _ in range(_BISECTIONS):
        middle = 0.5 * (good + bad)
        place = tangent_from_plane_deg(first + middle[:, None] * step)
        hit = light.depth_deg(place, pupil_mm=pupil_mm) > 0.0
        good, bad = np.where(hit, middle, good), np.where(hit, bad, middle)
    return np.asarray(good * SURVEY_STEP_DEG)
