"""What a device holds: map tables of all channels and colours, weight and gain surfaces, the box of pupils.

The one map stored per channel and colour is the forward one, panel point to direction, over the whole panel.
From it a device draws meshes (nodes evenly spaced on the panel, one mesh for all colours) and finds panel
points of directions by Newton's method, so both ways agree by construction. See the package's docstring for
the formulas.
"""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import FloatArray
from prewarp.content import ContentProjection
from prewarp.errors import PackageError
from prewarp.lookup.coding import CodedArray

NO_BASE = 0xFFFF
MAX_PANEL_DEGREE = 40
MAX_PUPIL_DEGREE = 8
MAX_MODES = 64
MAX_COEFFICIENTS = 1025
MIN_SPLINE_COEFFICIENTS = 6


class Family(IntEnum):
    """Kind of table; the values stand in blobs."""

    CHEBYSHEV = 1
    SPLINE = 2

    @property
    def label(self) -> str:
        """Name for people."""
        return "Chebyshev terms" if self == Family.CHEBYSHEV else "B-spline mesh with pupil modes"


# What users call them.
FAMILY_NAMES = {family.name.lower(): family for family in Family}


@dataclass(frozen=True)
class MapTable:
    """Panel point to direction for one channel and colour, or its small difference from another colour's.

    Parameters
    ----------
    channel, colour : int
        Places in the lookup's lists.
    base : int or None
        Place of the map that this one is added to; None for a map of its own.
    family : Family
    columns, rows : int
        Coefficients along u and v: degree + 1 (Chebyshev), nodes + 2 (spline).
    pupil_degree : int
        Total degree of the pupil polynomials.
    modes : int
        Pupil functions (Chebyshev), pupil modes (spline).
    affine : (2, 3) float array
        tx and ty as constant, per unit of s, per unit of t: the plane that the table is the rest of; float32
        values.
    blocks : tuple of CodedArray
        Chebyshev: per width of codes (counts, indices, codes). Spline: pupil polynomials of the modes
        (modes, functions), then one surface (columns, rows, 2) per mode.
    error_px : float
        Largest error measured on this table as the device evaluates it, panel px.
    """

    channel: int
    colour: int
    base: int | None
    family: Family
    columns: int
    rows: int
    pupil_degree: int
    modes: int
    affine: FloatArray
    blocks: tuple[CodedArray, ...]
    error_px: float = 0.0

    @property
    def byte_count(self) -> int:
        """Bytes of the blocks alone; the records around them are counted by the blob's writer."""
        return sum(block.byte_count for block in self.blocks)


@dataclass(frozen=True)
class FactorMap:
    """A smooth factor: blend weight over directions, or gain over the panel; bilinear, clamped at its border.

    Parameters
    ----------
    channel : int
        Place in the lookup's list.
    colour : int or None
        None for a weight, which is the same for all colours.
    low, high : (2,) float array
        Domain: tangents for a weight, panel px for a gain; first and last node.
    columns, rows : int
        Nodes along the first and the second coordinate.
    offset : float
        value = offset + scale * code.
    block : CodedArray
        (columns, rows) codes without sign.
    error : float
        Largest error measured against what the surface stands for.
    """

    channel: int
    colour: int | None
    low: FloatArray
    high: FloatArray
    columns: int
    rows: int
    offset: float
    block: CodedArray
    error: float = 0.0


@dataclass(frozen=True)
class Lookup:
    """All tables of one eye's channels.

    `channels`, `colours`: names. `panel_sizes_px`: (width, height) per channel. `pupil_box_mm` (2, 3): lowest
    and highest pupil position; a position outside is moved to the nearest inside. `maps`: one per channel and
    colour, bases before differences. `weights`: per channel at most one; `gains`: per channel and colour at
    most one; where none is given the factor is 1.
    """

    channels: tuple[str, ...]
    colours: tuple[str, ...]
    panel_sizes_px: tuple[tuple[int, int], ...]
    pupil_box_mm: FloatArray
    maps: tuple[MapTable, ...]
    content: ContentProjection | None = None
    weights: tuple[FactorMap, ...] = ()
    gains: tuple[FactorMap, ...] = ()

    def key_of(self, table: MapTable | FactorMap, /) -> tuple[str, str]:
        """Return the names of a map's or a gain's channel and colour."""
        return self.channels[table.channel], self.colours[table.colour or 0]

    def map_index(self, channel: str, colour: str, /) -> int:
        """Return the place of a channel's and colour's map; `PackageError` names what there is."""
        keys = [self.key_of(table) for table in self.maps]
        if (channel, colour) in keys:
            return keys.index((channel, colour))
        have = ", ".join(map("/".join, keys))
        raise PackageError(f"no map for channel '{channel}', colour '{colour}'; the lookup holds {have}.")

    def weight_of(self, channel: str, /) -> FactorMap | None:
        """Return the blend weight of a channel; None: 1 everywhere."""
        place = self.channels.index(channel)
        return next((one for one in self.weights if one.channel == place), None)

    def gain_of(self, channel: str, colour: str, /) -> FactorMap | None:
        """Return the gain of a channel and colour; None: 1 everywhere."""
        return next((one for one in self.gains if self.key_of(one) == (channel, colour)), None)

    @property
    def error_px(self) -> float:
        """Largest error of all maps, panel px."""
        return max((table.error_px for table in self.maps), default=0.0)


def float32_array(values: ArrayLike, /) -> FloatArray:
    """Return values rounded to float32, held as float64: what a blob will hold."""
    return np.asarray(values, dtype=np.float32).astype(np.float64)
