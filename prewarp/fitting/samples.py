"""The samples of a channel, ready for least squares: finite, sorted, weighted, with validation cells."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from prewarp.checks import BoolArray, FloatArray, IntArray, extent
from prewarp.fitting.chebyshev import ChebyshevPanel
from prewarp.fitting.models import EVERY_DEGREE
from prewarp.fitting.pupil import PupilColumns, PupilFrame
from prewarp.fitting.support import supported_columns
from prewarp.frames import tangent_from_cosine
from prewarp.pupils.shown import Positions, complete_degree, position_keys, spread_positions

PUPIL_GROUPS = 3
DOT_GROUPS = 3
# Cross-validation cells: pupil groups times dot groups, those that are never left out among them.
CELLS = (PUPIL_GROUPS + 1) * (DOT_GROUPS + 1)
# Dots in the corners of what was captured, this share of its sides, are never left out.
CORNER = 0.04
# Regions of the panel that are left out together: how many across, and the largest share of dots in a group.
REGIONS_ACROSS = (24, 23, 22, 20)
MOST_OF_ONE_GROUP = 0.6


@dataclass(frozen=True)
class Samples:
    """One channel's samples of all colours; rows sorted by colour, cell, panel point.

    `half_px` half the width and height about the panel's middle that the samples cover; `pupil` the columns
    over the pupil that the `positions` show; `pixel` (n, 2) px;
    `cosine` (n, 2) direction cosines; `reference_mm` (n, 2) crossing of z = 0; `sigma_px` (n,); `colour` (n,)
    codes; `pupil_group` (n,) in -1 .. PUPIL_GROUPS - 1 and `dot_group` (n,) in -1 .. DOT_GROUPS - 1: what
    cross-validation leaves out together, -1 = never left out; `view` (n,) equal where the pupil position is
    equal; `dot` (n,) equal where the panel point is
    equal; `dots` how many differ; `views` pupil positions times colours; `row` (n,) index into the caller's
    arrays.
    """

    panel_size_px: tuple[int, int]
    half_px: tuple[float, float]
    frame: PupilFrame
    pupil: PupilColumns
    positions: Positions
    pixel: FloatArray
    cosine: FloatArray
    reference_mm: FloatArray
    sigma_px: FloatArray
    colour: IntArray
    colours: int
    pupil_group: IntArray
    dot_group: IntArray
    view: IntArray
    dot: IntArray
    dots: int
    views: int
    row: IntArray

    @property
    def count(self) -> int:
        """Number of samples."""
        return len(self.row)

    def panel_basis(self, degree: int, /) -> ChebyshevPanel:
        """Return the polynomial panel basis over what the samples cover."""
        return ChebyshevPanel(self.panel_size_px, degree, self.half_px)

    @property
    def key(self) -> IntArray:
        """Colour and cross-validation cell of each sample: colour * CELLS + cell, in rising order."""
        return self.colour * CELLS + (self.pupil_group + 1) * (DOT_GROUPS + 1) + self.dot_group + 1

    @cached_property
    def dot_pixel(self) -> FloatArray:
        """Panel point of each dot, (dots, 2) px."""
        points = np.zeros((self.dots, 2))
        points[self.dot] = self.pixel
        return points

    @property
    def points_across(self) -> float:
        """Number of panel points along a side of one view (pupil position and colour), typically."""
        return float(np.sqrt(self.count / self.views))

    @property
    def shares_dots(self) -> bool:
        """True when panel points repeat from pupil to pupil, so that sums over the pupil come first."""
        return self.dots * 3 <= self.count

    @cached_property
    def difference_pupil_degree(self) -> int:
        """Degree over the pupil that every colour shows by its own positions; no limit where each colour has
        those of the first.
        """
        views = [np.unique(self.view[self.colour == one]) for one in range(self.colours)]
        fewer = [own for own in views[1:] if len(own) < len(views[0])]
        if not fewer:
            return EVERY_DEGREE
        count = np.bincount(self.view)
        place = np.column_stack([np.bincount(self.view, axis) for axis in self.reference_mm.T])
        place = np.column_stack([place / np.maximum(count, 1)[:, None], np.zeros(len(count))])
        return min(
            complete_degree(
                Positions(place[own], np.full(len(own), -1), np.zeros((1, 2))),
                centre_mm=self.frame.centre_mm,
                half_mm=self.frame.half_mm,
            )
            for own in fewer
        )

    def thinned(self, count: int, /) -> tuple["Samples", IntArray]:
        """Return every so many of the samples, some `count` of them, and which they are.

        Not to be cross-validated: all are of one cell, so that equal panel points lie together.
        """
        chosen = np.arange(0, self.count, max(1, self.count // count))
        chosen = chosen[np.lexsort((self.dot[chosen], self.colour[chosen]))]
        kept = np.full(len(chosen), -1)
        return replace(self.take(chosen), pupil_group=kept, dot_group=kept), chosen

    def take(self, index: IntArray | BoolArray, /) -> "Samples":
        """Return the chosen rows, in the order given."""
        arrays = (
            "pixel",
            "cosine",
            "reference_mm",
            "sigma_px",
            "colour",
            "pupil_group",
            "dot_group",
            "view",
            "dot",
            "row",
        )
        if index.dtype == bool:
            index = np.flatnonzero(index)
        return replace(self, **{name: getattr(self, name).take(index, axis=0) for name in arrays})


def prepare_samples(
    *,
    panel_size_px: tuple[int, int],
    pixel: FloatArray,
    cosine: FloatArray,
    reference_mm: FloatArray,
    pupil_mm: FloatArray,
    sigma_px: FloatArray,
    colour: IntArray,
    colours: int,
    pupils_estimated: bool = False,
    frames: "tuple[PupilFrame, tuple[float, float]] | None" = None,
) -> Samples:
    """Sort finite samples (n, ...), dealing pupil positions and dots into cross-validation groups.

    Pupil positions and dots that are corners of what was captured are never left out: a fit is not asked to
    extrapolate there. Dots are dealt in a checkered pattern of small panel regions, so that what is left out
    is surrounded by what stays. Positions that were estimated from the samples are not left out either: what
    is wrong with a position is common to its samples, and would be held against the model. `frames`: those of
    pupil and panel (half, px) that a fit is to be written in; what the samples cover where left out.
    """
    frame, half_px = frames or (_pupil_frame(reference_mm), _covered_half(pixel, panel_size_px))
    # Whole numbers half as wide: of millions of rows these are a third of all.
    _, first, view = np.unique(position_keys(pupil_mm), return_index=True, return_inverse=True)
    view = view.astype(np.int32)
    # Positions that were estimated from the samples themselves cannot be left out one by one.
    pupil_group = (
        np.full(len(pupil_mm), -1, dtype=np.int32)
        if pupils_estimated
        else _deal_pupils(np.round(pupil_mm[first], 6), first).astype(np.int32)[view]
    )
    positions = spread_positions(pupil_mm, pupil_group, tangent_from_cosine(cosine), first)
    dot_group = _deal_dots(pixel, panel_size_px).astype(np.int32)
    # Equal points compare equal as one complex number: much faster than rows.
    _, dot = np.unique(pixel[:, 0] + 1j * pixel[:, 1], return_inverse=True)
    dot = dot.astype(np.int32)
    order = np.lexsort((dot, dot_group, pupil_group, colour))
    # One after the other: what is not sorted is given back before the next is.
    cosine = cosine.take(order, axis=0)
    reference_mm = reference_mm.take(order, axis=0)
    return Samples(
        panel_size_px=panel_size_px,
        half_px=half_px,
        frame=frame,
        pupil=supported_columns(frame, positions),
        positions=positions,
        pixel=pixel.take(order, axis=0),
        cosine=cosine,
        reference_mm=reference_mm,
        sigma_px=sigma_px[order],
        colour=colour.astype(np.int32)[order],
        colours=colours,
        pupil_group=pupil_group[order],
        dot_group=dot_group[order],
        view=view[order],
        dot=dot[order],
        dots=int(dot.max()) + 1,
        views=len(first) * colours,
        row=order.astype(np.int32),
    )


def _covered_half(pixel: FloatArray, panel_size_px: tuple[int, int]) -> tuple[float, float]:
    """Return half the width and height about the panel's middle that the samples cover, px."""
    half_u, half_v = np.maximum(np.abs(extent(pixel) - np.array(panel_size_px) / 2.0).max(axis=0), 1.0)
    return float(half_u), float(half_v)


def _pupil_frame(reference_mm: FloatArray) -> PupilFrame:
    low, high = extent(reference_mm)
    half = np.maximum((high - low) / 2.0, 0.5)
    centre = (high + low) / 2.0
    # A box that is centred but for rounding and noise is centred: mirror symmetry needs exactly that.
    centre = np.where(np.abs(centre) < 0.1 * half, 0.0, centre)
    half = np.maximum(half, np.maximum(high - centre, centre - low))
    return PupilFrame((float(centre[0]), float(centre[1])), (float(half[0]), float(half[1])))


def _deal_pupils(places: FloatArray, first: IntArray) -> IntArray:
    """Return a group for each pupil position (k, 3): neighbours fall into different groups.

    `first` (k,): where each position comes first in the file.
    """
    if len(places) < 6:
        return np.full(len(places), -1)
    ranks = np.stack([_mirrored_rank(places[:, axis]) for axis in range(3)], axis=-1)
    distinct = [len(np.unique(places[:, axis])) for axis in range(3)]
    if distinct[0] * distinct[1] * distinct[2] <= 4 * len(places):
        # A lattice, perhaps with holes: a slanted pattern leaves out one of three in every row and column.
        # Mirror images go together: a symmetric model would know what is left out from its image.
        group = (ranks @ np.array([1, 2, 1])) % PUPIL_GROUPS
    else:
        # Scattered positions, in the order of the file.
        group = np.argsort(np.argsort(first)) % PUPIL_GROUPS
    low, high = extent(places)
    away = np.abs(places - (low + high) / 2.0)
    span = np.maximum((high - low) / 2.0, 1e-12)
    is_corner = np.all(away[:, :2] >= 0.999 * span[:2], axis=-1)
    return np.where(is_corner, -1, group)


def _mirrored_rank(values: FloatArray) -> IntArray:
    """Return the rank (n,) of each value among the different ones, from the middle outward to both sides."""
    different, rank = np.unique(values, return_inverse=True)
    return np.abs(2 * rank - (len(different) - 1)) // 2


def _deal_dots(pixel: FloatArray, panel_size_px: tuple[int, int]) -> IntArray:
    """Return a group for each sample from checkered panel regions across the longer side; -1: corner.

    24 regions; a few less where dots three regions apart would all be of one group.
    """
    for across in REGIONS_ACROSS:
        group = _checkered(pixel, panel_size_px, across)
        if np.bincount(group + 1).max() <= MOST_OF_ONE_GROUP * len(group):
            break
    return group


def _checkered(pixel: FloatArray, panel_size_px: tuple[int, int], across: int) -> IntArray:
    step = max(panel_size_px) / across
    # Mirror images go together, as with the pupils.
    group = np.zeros(len(pixel), dtype=np.int64)
    in_corner = np.ones(len(pixel), dtype=bool)
    for factor, place, low, high, size in zip((1, 2), pixel.T, *extent(pixel), panel_size_px, strict=True):
        group += factor * np.floor(np.abs(place - size / 2.0) / step + 0.5).astype(np.int64)
        margin = CORNER * (high - low)
        in_corner &= (place < low + margin) | (place > high - margin)
    group %= DOT_GROUPS
    return np.where(in_corner, -1, group)
