"""Gaps: directions of the field that no channel lights, from one pupil position and another.

Where the field ends: at the outline of what is captured, that is of the part of each panel that samples speak
for (`Field.border_pixel`), as seen from there in every colour; and where two neighbouring outlines do not
meet, at the lines from one to the other, over the inner 85 per cent of the height that both have. A dark
direction inside is a gap where it lies between two neighbouring channels, that is after lit directions of one
and before lit directions of the other along the line that joins their middles, or where lit directions
enclose it; what is dark elsewhere is the outer rim. Gaps under a tenth of a degree wide are not looked for.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy.ndimage import (
    binary_dilation,
    binary_fill_holes,
    distance_transform_edt,
    label,
    map_coordinates,
    zoom,
)

from prewarp.checks import BoolArray, FloatArray, IntArray, as_pupil
from prewarp.frames import degrees_from_tangent
from prewarp.seam.blend import Seam
from prewarp.seam.directions import (
    node_areas_deg2,
    plane_deg_from_tangent,
    tangent_from_plane_deg,
)
from prewarp.seam.light import ChannelLight

# Pitch at which depths are asked for, degrees; between those nodes they are linear to a hundredth of one.
_STEP_DEG = 0.5
# How many times finer gaps are measured.
_FINER = 4
_MARGIN_DEG = 1.0
# A gap is this far from what is lit somewhere, degrees.
_LEAST_DEPTH_DEG = 0.05
# Lines that join channels along less than this angle, radians, off the rows follow the rows.
_SAME_WAY = 1e-3
# Panels stand a little askew: rows this near the ends of the seam, as a share of its height, meet a corner
# only.
_TRIM_SHARE = 0.075
# Borders of what is lit are within this many dot spacings of the truth: so many times their usual error.
BORDER_SPACINGS = 0.25
BORDER_ERRORS = 3.0


@dataclass(frozen=True)
class PupilGap:
    """What no channel lights, from one pupil position.

    `gap_deg2` solid angle of all gaps; `least_deg2`, `most_deg2` the same with all borders of what is lit a
    quarter of the dot spacing further out or in; of the largest gap, `at_deg` (x, y) where it is widest,
    `wide_deg` how wide a circle fits into it, and `low_deg`, `high_deg` its extent in dir_x, dir_y, None
    without a gap; `spacing_deg` the dot spacing, to which those borders are known (0: all is lit within the
    panels); `field_deg2` solid angle of the field, gaps included.
    """

    pupil_mm: tuple[float, float, float]
    gap_deg2: float
    least_deg2: float
    most_deg2: float
    spacing_deg: float
    field_deg2: float
    at_deg: tuple[float, float] | None = None
    wide_deg: float = 0.0
    low_deg: tuple[float, float] | None = None
    high_deg: tuple[float, float] | None = None

    @property
    def widest_deg(self) -> float:
        """Largest extent of the largest gap in dir_x or dir_y, degrees."""
        if self.low_deg is None or self.high_deg is None:
            return 0.0
        return max(high - low for low, high in zip(self.low_deg, self.high_deg, strict=True))

    @property
    def lost_percent(self) -> tuple[float, float, float]:
        """What is lost of the field, percent: the least with borders as they may be, as found, the most."""
        least, value, most = (
            100.0 * one / self.field_deg2 for one in (self.least_deg2, self.gap_deg2, self.most_deg2)
        )
        return least, value, most

    @property
    def is_certain(self) -> bool:
        """Whether there is a gap wherever the borders lie within their uncertainty."""
        return self.least_deg2 > 0.0

    def as_dict(self) -> dict[str, Any]:
        """Return this for machines; units are in the keys."""
        return {
            "pupil_mm": list(self.pupil_mm),
            "gap_deg2": self.gap_deg2,
            "least_deg2": self.least_deg2,
            "most_deg2": self.most_deg2,
            "border_known_to_deg": self.spacing_deg,
            "at_deg": None if self.at_deg is None else list(self.at_deg),
            "wide_deg": self.wide_deg,
            "low_deg": None if self.low_deg is None else list(self.low_deg),
            "high_deg": None if self.high_deg is None else list(self.high_deg),
        }

    def sentence(self) -> str:
        """Say where nothing is shown and how much of the field that is; "" where there is no gap."""
        if self.at_deg is None or self.low_deg is None or self.high_deg is None:
            return ""
        pupil = ", ".join(f"{value:g}" for value in self.pupil_mm)
        x, y = ((low, high) for low, high in zip(self.low_deg, self.high_deg, strict=True))
        known = (
            f" ({self.least_deg2:.1f} to {self.most_deg2:.1f}: borders are known to a quarter of the dot "
            f"spacing of {self.spacing_deg:.2g} degrees)"
            if self.spacing_deg
            else ""
        )
        doubt = "" if self.is_certain else " It is narrower than that: there may be none."
        return (
            f"pupil ({pupil}) mm: nothing is shown in {self.gap_deg2:.1f} square degrees of the field"
            f"{known}; "
            f"the largest gap spans dir_x {x[0]:.1f} to {x[1]:.1f}, dir_y {y[0]:.1f} to {y[1]:.1f} degrees, "
            f"up to {self.wide_deg:.2g} wide near ({self.at_deg[0]:.1f}, {self.at_deg[1]:.1f}).{doubt}"
        )


def survey_gaps(seam: Seam, pupils_mm: ArrayLike, /) -> tuple[PupilGap, ...]:
    """Return what no channel of a seam lights, from every pupil position (n, 3), mm."""
    return tuple(_gap_from(seam.lights, pupil) for pupil in as_pupil(pupils_mm, "pupils_mm").reshape(-1, 3))


@dataclass(frozen=True)
class LitMap:
    """What each channel lights from one pupil position, on a lattice of the plane of directions.

    Rows run along the line that joins the first two channels. `plane_deg` (rows, columns, 2); `depth_deg`
    (channels, rows, columns), lit above 0; `field` and `gap` (rows, columns): what is captured, or lies
    between, and what of it is a gap; `middles_deg` (2,) of each panel, in the plane.
    """

    plane_deg: FloatArray
    depth_deg: FloatArray
    field: BoolArray
    gap: BoolArray
    step_deg: float
    middles_deg: tuple[FloatArray, ...]


def lit_map(lights: Sequence[ChannelLight], pupil_mm: ArrayLike, /) -> LitMap:
    """Return what channels light from a pupil position (3,), mm, and where they leave a gap."""
    pupil = as_pupil(pupil_mm).reshape(3)
    outlines = [light.outline(pupil) for light in lights]
    middles = [plane_deg_from_tangent(light.middle(pupil)) for light in lights]
    corners = plane_deg_from_tangent(np.concatenate([one.outline for one in outlines]))
    # Rows run along the line that joins the first two channels.
    pairs = neighbouring(middles)
    forward = _unit(middles[pairs[0][1]] - middles[pairs[0][0]]) if pairs else np.array([1.0, 0.0])
    axes = np.stack([forward, [-forward[1], forward[0]]])
    span = corners @ axes.T
    low = span.min(axis=0) - _MARGIN_DEG
    counts = np.ceil((span.max(axis=0) + _MARGIN_DEG - low) / _STEP_DEG).astype(int) + 1
    coarse = _lattice(low, counts, _STEP_DEG, axes)
    tangent = tangent_from_plane_deg(coarse)
    depth = np.stack([light.depth_deg(tangent, pupil_mm=pupil) for light in lights])
    fine_counts, step = _FINER * (counts - 1) + 1, _STEP_DEG / _FINER
    ratio = (fine_counts / counts)[::-1]
    depth = np.stack([zoom(one, ratio, order=1, grid_mode=False) for one in depth])
    plane = _lattice(low, fine_counts, step, axes)
    tangent = tangent_from_plane_deg(plane)
    field = _field(np.stack([one.contains(tangent) for one in outlines]), plane, middles)
    return LitMap(plane, depth, field, _gap(depth, field, plane, middles), step, tuple(middles))


def _lattice(low: FloatArray, counts: IntArray, step: float, axes: FloatArray) -> FloatArray:
    """Return places (rows, columns, 2): columns along the first of two axes (2, 2), rows along the other."""
    along, across = (low[axis] + step * np.arange(counts[axis]) for axis in (0, 1))
    return np.asarray(np.stack(np.meshgrid(along, across), axis=-1) @ axes)


def _unit(vector: FloatArray) -> FloatArray:
    return np.asarray(vector / max(float(np.linalg.norm(vector)), 1e-12))


def _gap_from(lights: Sequence[ChannelLight], pupil: FloatArray) -> PupilGap:
    found = lit_map(lights, pupil)
    area = node_areas_deg2(found.plane_deg, found.step_deg)
    spacings = np.array([light.spacing_deg(pupil) for light in lights])
    sizes = {0.0: _size_deg2(found.gap, found.depth_deg, area, found.step_deg)}
    for sign in (-1.0, 1.0) if spacings.any() else ():
        moved = found.depth_deg - sign * BORDER_SPACINGS * spacings[:, None, None]
        gap = _gap(moved, found.field, found.plane_deg, found.middles_deg)
        sizes[sign] = _size_deg2(gap, moved, area, found.step_deg)
    known = (
        tuple(pupil.tolist()),
        sizes[0.0],
        sizes.get(-1.0, sizes[0.0]),
        sizes.get(1.0, sizes[0.0]),
        float(spacings.max(initial=0.0)),
        float(np.sum(area * found.field)),
    )
    if not found.gap.any():
        return PupilGap(*known)
    parts, _ = label(found.gap, structure=np.ones((3, 3)))
    weights = np.bincount(parts.ravel(), weights=(area * found.gap).ravel())
    largest = parts == int(np.argmax(weights))
    distance = distance_transform_edt(np.pad(largest, 1))[1:-1, 1:-1]
    widest = np.unravel_index(int(np.argmax(distance)), largest.shape)
    places = degrees_from_tangent(tangent_from_plane_deg(found.plane_deg[largest]))
    middle = degrees_from_tangent(tangent_from_plane_deg(found.plane_deg[widest]))
    return PupilGap(
        *known,
        at_deg=tuple(middle.tolist()),
        wide_deg=float((2.0 * distance[widest] - 1.0) * found.step_deg),
        low_deg=tuple(places.min(axis=0).tolist()),
        high_deg=tuple(places.max(axis=0).tolist()),
    )


def _size_deg2(gap: BoolArray, depth_deg: FloatArray, area: FloatArray, step_deg: float) -> float:
    """Return the solid angle of a gap, deg2: nodes beside its border count as far as they are dark."""
    share = np.clip(0.5 - depth_deg.max(axis=0) / step_deg, 0.0, 1.0)
    beside = binary_dilation(gap) & (depth_deg > 0.0).any(axis=0)
    return float(np.sum(area * share * (gap | beside)))


def _field(outlines: BoolArray, plane: FloatArray, middles: Sequence[FloatArray]) -> BoolArray:
    """Return what the outlines (channels, rows, columns) of what is captured hold, or leave between them."""
    field = np.asarray(outlines.any(axis=0))
    for a, b in neighbouring(middles):
        field |= _between(outlines[a], outlines[b], plane, middles[b] - middles[a], trim=_TRIM_SHARE)
    return np.asarray(binary_fill_holes(field))


def _gap(
    depth_deg: FloatArray, field: BoolArray, plane: FloatArray, middles: Sequence[FloatArray]
) -> BoolArray:
    """Return which dark directions of the field (rows, columns) are a gap; `depth_deg` (channels, ...)."""
    lit = depth_deg > 0.0
    anywhere = np.asarray(lit.any(axis=0))
    within = np.asarray(binary_fill_holes(anywhere))
    for a, b in neighbouring(middles):
        within |= _between(lit[a], lit[b], plane, middles[b] - middles[a])
    gap = np.asarray(within & field & ~anywhere)
    # What the lattice does not resolve is rounding.
    parts, _ = label(gap, structure=np.ones((3, 3)))
    deep = np.unique(parts[gap & (depth_deg.max(axis=0) < -_LEAST_DEPTH_DEG)])
    return np.asarray(np.isin(parts, deep[deep > 0]))


def _between(
    first: BoolArray, second: BoolArray, plane: FloatArray, way: FloatArray, *, trim: float = 0.0
) -> BoolArray:
    """Return which directions lie after some of `first` and before some of `second`, along `way` (2,).

    `trim`: this share of the rows that hold both is left out at either end.
    """
    ahead = _unit(plane[0, 1] - plane[0, 0])
    turn = np.arctan2(*(_unit(way) @ np.array([[ahead[0], -ahead[1]], [ahead[1], ahead[0]]]))[::-1])
    turned = abs(turn) >= _SAME_WAY
    # Rows along `way`: the lattice turned about its middle, there and back.
    a, b = (_turned(one, turn) for one in (first, second)) if turned else (first, second)
    after = np.maximum.accumulate(a, axis=1)
    before = np.flip(np.maximum.accumulate(np.flip(b, axis=1), axis=1), axis=1)
    between = np.asarray(after & before)
    rows = np.flatnonzero(a.any(axis=1) & b.any(axis=1))
    if trim and rows.size:
        off = int(np.ceil(trim * (rows[-1] - rows[0])))
        between[: rows[0] + off] = False
        between[rows[-1] + 1 - off :] = False
    return _turned_back(between, turn, first.shape) if turned else between


def _turned(mask: BoolArray, angle: float) -> BoolArray:
    """Return a mask (rows, columns) on a lattice turned by an angle, radians, large enough to hold it."""
    size = int(np.ceil(np.hypot(*mask.shape))) + 2
    return _resampled(mask, angle, (size, size))


def _turned_back(mask: BoolArray, angle: float, shape: tuple[int, ...]) -> BoolArray:
    return _resampled(mask, -angle, shape)


def _resampled(mask: BoolArray, angle: float, shape: tuple[int, ...]) -> BoolArray:
    """Return a mask at the nodes of a lattice of `shape` about the same middle, turned by `angle`."""
    rows, columns = np.indices(shape, dtype=float)
    across, along = rows - 0.5 * (shape[0] - 1), columns - 0.5 * (shape[1] - 1)
    cosine, sine = np.cos(angle), np.sin(angle)
    place = [
        0.5 * (mask.shape[0] - 1) + along * sine + across * cosine,
        0.5 * (mask.shape[1] - 1) + along * cosine - across * sine,
    ]
    return np.asarray(map_coordinates(mask.astype(np.uint8), place, order=0, cval=0) > 0)


def neighbouring(middles: Sequence[FloatArray], /) -> list[tuple[int, int]]:
    """Return the pairs with no third one's middle inside the circle across their two middles (2,)."""
    pairs = []
    for i in range(len(middles)):
        for j in range(i + 1, len(middles)):
            centre, radius = 0.5 * (middles[i] + middles[j]), 0.5 * np.linalg.norm(middles[i] - middles[j])
            others = [middle for k, middle in enumerate(middles) if k not in (i, j)]
            if all(np.linalg.norm(middle - centre) >= radius for middle in others):
                pairs.append((i, j))
    return pairs
