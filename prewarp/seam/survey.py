"""Survey of the overlap from every pupil position: how wide it is, and where nothing is shown."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import BoolArray, FloatArray, as_pupil
from prewarp.frames import degrees_from_tangent
from prewarp.seam.directions import node_areas_deg2, plane_deg_from_tangent, tangent_from_plane_deg
from prewarp.seam.reach import ChannelReach, reaches_of

if TYPE_CHECKING:
    from prewarp.field import FieldSet

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
    width of the widest gap); `least_at_deg` the direction (x, y) there; `overlap_deg2`, `gap_deg2` solid
    angles shown twice and not at all.
    """

    channels: tuple[str, str]
    pupil_mm: tuple[float, float, float]
    least_deg: float
    least_at_deg: tuple[float, float]
    overlap_deg2: float
    gap_deg2: float

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
            "gap_deg2": self.gap_deg2,
        }

    def sentence(self, feather_deg: float | None = None) -> str:
        """Say where and how much is missing, or an empty string where nothing is."""
        a, b = self.channels
        pupil = ", ".join(f"{value:g}" for value in self.pupil_mm)
        where = f"near dir_x {self.least_at_deg[0]:.1f}, dir_y {self.least_at_deg[1]:.1f} degrees"
        if self.has_gap:
            return (
                f"pupil ({pupil}) mm: nothing is shown between '{a}' and '{b}', up to "
                f"{-self.least_deg:.2f} degrees wide {where}; {self.gap_deg2:.1f} square degrees of field "
                "are lost."
            )
        if feather_deg is not None and self.least_deg < feather_deg:
            return (
                f"pupil ({pupil}) mm: '{a}' and '{b}' overlap by {self.least_deg:.2f} degrees {where}, less "
                f"than the feather of {feather_deg:.2f}; light is handed over faster there."
            )
        return ""


def survey_overlap(
    fields: "FieldSet", /, *, pupils_mm: ArrayLike, channels: Sequence[str] | None = None
) -> tuple[PairOverlap, ...]:
    """Measure the overlap of all neighbouring channels from every pupil position.

    Two channels are neighbours when no third lies between their middles. Rows are followed along the line
    that joins the two middles, over the inner 85 per cent of the height that both have.

    Parameters
    ----------
    fields : FieldSet
        All channels and colours.
    pupils_mm : (n, 3) float array
        Pupil positions, mm.
    channels : sequence of str, optional
        Which to survey (those of one eye); all if not given.

    Raises
    ------
    SeamError
        A channel's outline cannot be followed (see `channel_reach`).
    """
    names = tuple(fields.channels if channels is None else channels)
    found = []
    for pupil in as_pupil(pupils_mm, "pupils_mm").reshape(-1, 3):
        reaches = reaches_of(fields, names, pupils_mm=pupil)
        found += [pair_overlap(a, b, pupil) for a, b in neighbours(reaches)]
    return tuple(found)


def neighbours(reaches: Sequence[ChannelReach], /) -> list[tuple[ChannelReach, ChannelReach]]:
    """Return the pairs of reaches with no third one's middle inside the circle across their two middles."""
    middles = [plane_deg_from_tangent(reach.middle) for reach in reaches]
    pairs = []
    for i, j in combinations(range(len(reaches)), 2):
        centre, radius = 0.5 * (middles[i] + middles[j]), 0.5 * np.linalg.norm(middles[i] - middles[j])
        others = [middle for k, middle in enumerate(middles) if k not in (i, j)]
        if all(np.linalg.norm(middle - centre) >= radius for middle in others):
            pairs.append((reaches[i], reaches[j]))
    return pairs


def pair_overlap(a: ChannelReach, b: ChannelReach, pupil_mm: FloatArray, /) -> PairOverlap:
    """Measure the overlap of two reaches from one pupil position (3,), mm; see `survey_overlap`."""
    along, plane = _rows_between(a, b)
    tangent = tangent_from_plane_deg(plane)
    in_a, in_b = a.contains(tangent), b.contains(tangent)
    rows = np.flatnonzero(in_a.any(axis=1) & in_b.any(axis=1))
    area = node_areas_deg2(plane, SURVEY_STEP_DEG)
    end_a = _edge(a, plane[rows], in_a[rows], last=True)
    start_b = _edge(b, plane[rows], in_b[rows], last=False)
    width = end_a - start_b
    narrow = int(np.argmin(width))
    share = 0.5 * (end_a[narrow] + start_b[narrow]) / along[-1]
    row = plane[rows[narrow]]
    place = row[0] + share * (row[-1] - row[0])
    dark = ~(in_a | in_b)[rows] & (along > end_a[:, None]) & (along < start_b[:, None])
    return PairOverlap(
        (a.channel, b.channel),
        tuple(pupil_mm.tolist()),
        float(width[narrow]),
        tuple(degrees_from_tangent(tangent_from_plane_deg(place)).tolist()),
        float(np.sum(area * (in_a & in_b))),
        float(np.sum(area[rows] * dark)),
    )


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


def _edge(reach: ChannelReach, plane: FloatArray, inside: BoolArray, *, last: bool) -> FloatArray:
    """Return where along each row (m,) the reach ends (`last`) or begins, degrees from the row's start.

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
        hit = reach.contains(tangent_from_plane_deg(first + middle[:, None] * step))
        good, bad = np.where(hit, middle, good), np.where(hit, bad, middle)
    return np.asarray(good * SURVEY_STEP_DEG)
