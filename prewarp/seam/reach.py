"""Reach: the directions that a channel serves, and the field of view that reaches span.

Criterion: the panel's edge, or the border of what was captured where that is nearer. A direction is in reach
when its panel point lies on that part of the panel for every pupil position and colour given; light lost at
lens or mirror edges is known only as far as it kept samples from being captured. The reach is held as a
closed outline of directions, the border seen through the optics. Straight lines between tangents are great
circles.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial import ConvexHull, cKDTree

from prewarp.checks import BoolArray, FloatArray, as_pupil, as_tangent
from prewarp.errors import SeamError
from prewarp.frames import arcmin_between, degrees_from_tangent, unit_from_tangent

if TYPE_CHECKING:
    from prewarp.field import Field, FieldSet

# Points along one side of the panel, and angles about the middle of the reach. With these the chords of a
# side that bends by a quarter of its length stay within 0.02 arcmin of the curve (sagitta; derived here).
SIDE_POINTS = 192
OUTLINE_ANGLES = 4096


@dataclass(frozen=True)
class ChannelReach:
    """The directions that one channel serves from all pupil positions considered.

    Parameters
    ----------
    channel : str
        Name of the channel.
    middle : (2,) float array
        A direction well inside, tangents: the outline is star-shaped about it.
    outline : (n, 2) float array
        Corners of the closed outline, tangents, by rising angle about `middle`; the last joins the first.
    """

    channel: str
    middle: FloatArray
    outline: FloatArray

    def __repr__(self) -> str:
        view, (x, y) = field_of_view(self), degrees_from_tangent(self.middle)
        return (
            f"<ChannelReach of {self.channel}: {view.horizontal_deg:.1f} x {view.vertical_deg:.1f} degrees "
            f"about dir_x {x:.1f}, dir_y {y:.1f}>"
        )

    @cached_property
    def _angles(self) -> FloatArray:
        return _angle_about(self.outline, self.middle)

    @cached_property
    def _units(self) -> FloatArray:
        return unit_from_tangent(self.outline)

    @property
    def segment_middles(self) -> FloatArray:
        """Middles of the outline's segments, (n, 2) tangents; segment i joins corner i to corner i + 1."""
        return 0.5 * (self.outline + np.roll(self.outline, -1, axis=0))

    def contains(self, tangent: ArrayLike, /) -> BoolArray:
        """Return True where directions (..., 2) lie inside the outline; NaN is outside."""
        tangent = as_tangent(tangent)
        angle = _angle_about(tangent, self.middle)
        # The segment that spans the angle: corner `start` is the last at or below it, cyclic.
        start = np.searchsorted(self._angles, np.nan_to_num(angle), side="right") - 1
        here, there = self.outline[start], self.outline[(start + 1) % len(self.outline)]
        return _cross(there - here, tangent - here) > 0.0

    def edge_deg(self, tangent: ArrayLike, /) -> FloatArray:
        """Return the angle (...) to the line of the outline's segment ahead, degrees: inside positive.

        Zero exactly on the outline, and the distance to it to first order nearby; quicker than
        `signed_distance_deg`. NaN where the direction is.
        """
        tangent = as_tangent(tangent)
        angle = _angle_about(tangent, self.middle)
        start = np.searchsorted(self._angles, np.nan_to_num(angle), side="right") - 1
        here, there = self.outline[start], self.outline[(start + 1) % len(self.outline)]
        along = there - here
        across = _cross(along, tangent - here) / np.linalg.norm(along, axis=-1)
        # Degrees per unit of tangent: between those across and along the radius.
        return np.asarray(np.degrees(across) * (1.0 + np.sum(tangent * tangent, axis=-1)) ** -0.75)

    def distance_deg(self, tangent: ArrayLike, /, *, segments: BoolArray | None = None) -> FloatArray:
        """Return the angle from directions (..., 2) to the nearest outline point, degrees, never negative.

        `segments` (n,) picks the segments that count; infinite where none is picked. Exact to the outline's
        chords: the nearest corner is found first, then the nearest point on the segments around it.
        """
        tangent = as_tangent(tangent)
        chosen = np.arange(len(self.outline)) if segments is None else np.flatnonzero(segments)
        if chosen.size == 0:
            return np.full(tangent.shape[:-1], np.inf)
        ends = np.stack([chosen, (chosen + 1) % len(self.outline)], axis=1)
        corners = np.unique(ends)
        point = unit_from_tangent(tangent).reshape(-1, 3)
        _, near = cKDTree(self._units[corners]).query(point)
        corner = corners[near]
        best = np.full(len(point), np.inf)
        allowed = np.zeros(len(self.outline), dtype=bool)
        allowed[chosen] = True
        for start in (corner - 1, corner):
            start = start % len(self.outline)
            angle = _angle_to_arc(point, self._units[start], self._units[(start + 1) % len(self.outline)])
            best = np.where(allowed[start], np.minimum(best, angle), best)
        return np.asarray(np.degrees(best).reshape(tangent.shape[:-1]))

    def signed_distance_deg(self, tangent: ArrayLike, /) -> FloatArray:
        """Return the angle to the outline, degrees: positive inside, negative outside, shape (...)."""
        distance = self.distance_deg(tangent)
        return np.where(self.contains(tangent), distance, -distance)

    def chord(self, through: FloatArray, slope: FloatArray, /) -> FloatArray | None:
        """Return the outermost crossings (2, 2) of the outline with a line, or None if it misses.

        The line runs through `through` (2,) along `slope` (2,), tangents; crossings are in order along
        `slope`.
        """
        side = _cross(slope, self.outline - through)
        following = np.roll(side, -1)
        crossing = np.flatnonzero((side < 0.0) != (following < 0.0))
        if crossing.size < 2:
            return None
        share = side[crossing] / (side[crossing] - following[crossing])
        here, there = self.outline[crossing], self.outline[(crossing + 1) % len(self.outline)]
        point = here + share[:, None] * (there - here)
        along = (point - through) @ slope
        return np.stack([point[np.argmin(along)], point[np.argmax(along)]])


def channel_reach(fields: "Iterable[Field]", /, *, pupils_mm: ArrayLike) -> ChannelReach:
    """Find the directions that one channel serves from every pupil position and in every colour.

    Parameters
    ----------
    fields : iterable of Field
        The channel's colours. Each one's `border_pixel`, where it has one, ends the reach before the panel's
        edge does.
    pupils_mm : (3,) or (n, 3) float array
        Pupil positions, mm from the eye-box centre. One gives the reach from there; the corners of an eye box
        give what is served from all of it.

    Returns
    -------
    ChannelReach
        Intersection of the reaches for each pupil position and colour.

    Raises
    ------
    SeamError
        A field has no direction for a point of the panel's border, or the reach is so bent that its outline
        is not star-shaped about its middle (a fold, as a rule).

    Notes
    -----
    Radius about the middle as a function of angle, least over all outlines; sampled at `OUTLINE_ANGLES`
    angles and at every corner of the border.
    """
    colours = list(fields)
    pupils = as_pupil(pupils_mm, "pupils_mm").reshape(-1, 3)
    channel = colours[0].channel
    borders = [_border_points(field) for field in colours]
    seen = [
        field.forward(points, pupil_mm=pupils[:, None, :])
        for field, (points, _) in zip(colours, borders, strict=True)
    ]
    middle = np.mean(
        [
            field.forward(points[corners].mean(axis=0), pupil_mm=pupils)
            for field, (points, corners) in zip(colours, borders, strict=True)
        ],
        axis=(0, 1),
    )
    if not (all(np.isfinite(outline).all() for outline in seen) and np.isfinite(middle).all()):
        raise SeamError(
            f"channel '{channel}': the field has no direction for part of the panel's border. "
            "Fit it again with samples up to the panel's edge.",
            channel=channel,
        )
    angles, at_corners = [], []
    for outlines, (_, corners) in zip(seen, borders, strict=True):
        for outline in outlines:
            angles.append(_rising_angles(outline, middle, channel))
            at_corners.append(angles[-1][0][corners])
    wanted = np.unique(
        np.concatenate([np.linspace(-np.pi, np.pi, OUTLINE_ANGLES, endpoint=False), *at_corners])
    )
    radius = np.full(len(wanted), np.inf)
    for angle, length in angles:
        # A straight side has 1 / radius = a cos + b sin: smooth, so the inverse is what is interpolated.
        radius = np.minimum(radius, 1.0 / np.interp(wanted, angle, 1.0 / length, period=2.0 * np.pi))
    outline = middle + radius[:, None] * np.stack([np.cos(wanted), np.sin(wanted)], axis=-1)
    return ChannelReach(channel, middle, outline)


def reaches_of(
    fields: "FieldSet", channels: Sequence[str], /, *, pupils_mm: ArrayLike
) -> tuple[ChannelReach, ...]:
    """Return what each channel serves from every pupil position, in every colour; see `channel_reach`."""
    of_channels = ([fields.field(name, colour) for colour in fields.colours] for name in channels)
    return tuple(channel_reach(own, pupils_mm=pupils_mm) for own in of_channels)


@dataclass(frozen=True)
class FieldOfView:
    """Angles between end directions, degrees, to the panel's edge; never sums of angles.

    `horizontal_deg` and `vertical_deg` run along x and y through `middle` (tangents, (2,)), the middle of the
    bounding rectangle; `diagonal_deg` is the largest angle between two directions of the reach: corner to
    corner.
    """

    horizontal_deg: float
    vertical_deg: float
    diagonal_deg: float
    middle: FloatArray


def field_of_view(reaches: ChannelReach | Sequence[ChannelReach], /) -> FieldOfView:
    """Return the field of view of one reach, or of several joined (outermost ends; gaps count)."""
    reaches = [reaches] if isinstance(reaches, ChannelReach) else list(reaches)
    corners = np.concatenate([reach.outline for reach in reaches])
    low, high = corners.min(axis=0), corners.max(axis=0)
    middle = 0.5 * (low + high)
    right, up = (_angle_along(reaches, middle, np.array(slope)) for slope in ((1.0, 0.0), (0.0, 1.0)))
    # The farthest pair lies on the convex hull (straight lines between tangents are great circles).
    hull = unit_from_tangent(corners[ConvexHull(corners).vertices])
    diagonal = np.degrees(2.0 * np.arcsin(np.sqrt(np.max(0.5 - 0.5 * (hull @ hull.T)))))
    return FieldOfView(right, up, float(diagonal), middle)


def _angle_along(reaches: Sequence[ChannelReach], middle: FloatArray, slope: FloatArray) -> float:
    chords = [chord for reach in reaches if (chord := reach.chord(middle, slope)) is not None]
    if not chords:
        return 0.0
    ends = np.concatenate(chords)
    along = (ends - middle) @ slope
    return float(arcmin_between(ends[np.argmin(along)], ends[np.argmax(along)]) / 60.0)


def _border_points(field: "Field") -> tuple[FloatArray, np.ndarray]:
    """Return points around the part of the panel that can be used, (n, 2) px, and the indices of its corners.

    That part is the field's `border_pixel` where it has one, else the whole panel.
    """
    width, height = field.panel_size_px
    panel = np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])
    corner = np.asarray(getattr(field, "border_pixel", panel), dtype=float)
    along = np.roll(corner, -1, axis=0) - corner
    length = np.linalg.norm(along, axis=1)
    # A whole side of the panel gets SIDE_POINTS, a part of one its share. Even
    # counts: the middle of a side, where the field of view is read, is a point.
    share = np.minimum(length / np.where(np.abs(along[:, 0]) > np.abs(along[:, 1]), width, height), 1.0)
    counts = 2 * np.maximum(np.ceil(0.5 * SIDE_POINTS * share).astype(int), 1)
    step = np.concatenate([np.arange(count) / count for count in counts])
    points = np.repeat(corner, counts, axis=0) + step[:, None] * np.repeat(along, counts, axis=0)
    return points, np.cumsum(counts) - counts


def _rising_angles(outline: FloatArray, middle: FloatArray, channel: str) -> tuple[FloatArray, FloatArray]:
    """Return angles in (-pi, pi] and radii of border points (n, 2); angles must turn one way once around."""
    angle = _angle_about(outline, middle)
    step = np.diff(np.unwrap(np.append(angle, angle[0])))
    if not (np.all(step > 0.0) or np.all(step < 0.0)) or abs(abs(step.sum()) - 2.0 * np.pi) > 1e-6:
        where = degrees_from_tangent(outline[np.argmin(step * np.sign(step.sum() or 1.0))])
        raise SeamError(
            f"channel '{channel}': the panel's border turns back on itself near dir_x {where[0]:.2f}, dir_y "
            f"{where[1]:.2f} degrees. Look for a fold or for a wrong sample there.",
            channel=channel,
        )
    return angle, np.linalg.norm(outline - middle, axis=-1)


def _angle_about(tangent: FloatArray, middle: FloatArray) -> FloatArray:
    offset = tangent - middle
    return np.arctan2(offset[..., 1], offset[..., 0])


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    return a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]


def _angle_to_arc(point: FloatArray, start: FloatArray, end: FloatArray) -> FloatArray:
    """Return angles, radians, from unit vectors (n, 3) to great-circle arcs (n, 3) to (n, 3)."""
    normal = np.cross(start, end)
    length = np.linalg.norm(normal, axis=-1)
    short = length < 1e-15
    normal /= np.where(short, 1.0, length)[:, None]
    above = np.einsum("ni,ni->n", point, normal)
    foot = point - above[:, None] * normal
    between = (np.einsum("ni,ni->n", np.cross(start, foot), normal) >= 0.0) & (
        np.einsum("ni,ni->n", np.cross(foot, end), normal) >= 0.0
    )
    chord = np.minimum(np.linalg.norm(point - start, axis=-1), np.linalg.norm(point - end, axis=-1))
    to_end = 2.0 * np.arcsin(np.minimum(chord / 2.0, 1.0))
    return np.asarray(np.where(between & ~short, np.arcsin(np.minimum(np.abs(above), 1.0)), to_end))
