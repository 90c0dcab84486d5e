"""What a device holds: map tables of all channels and colours, claims, borders, gains, the box of pupils.

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
MIN_CLAIM_COEFFICIENTS, MAX_CLAIM_COEFFICIENTS = 4, 512
MAX_BORDER_POINTS = 512
MAX_REGIONS, MAX_REGION_DEGREE = 4, 12
MAX_GAIN_DEGREE = 16


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
        Chebyshev: one of bytes, the codes of `term_bits`; none without terms. Spline: pupil polynomials of
        the modes (modes, functions), then one surface (columns, rows, 2) per mode.
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
class ClaimTable:
    """Claims of the channels of an eye by direction (`prewarp.seam.claims`): what weights are made from.

    `columns`, `rows`: coefficients of cubic B-splines along x and y of the plane (angle from straight ahead,
    degrees, along the azimuth). `origin_deg` (2,): the middle of the second column and row. `pitch_deg`.
    `least`: what every channel also claims wherever it is lit. `block`: (channels, rows, columns) codes.
    """

    columns: int
    rows: int
    origin_deg: FloatArray
    pitch_deg: float
    least: float
    block: CodedArray


@dataclass(frozen=True)
class RegionTable:
    """What of a panel is lit: where a polynomial of u, v, x0, y0 is above 0 (`prewarp.field.lit`).

    `degree`: total degree; `pupil_degree`: that in x0 and y0, where the ray crosses z = 0, normalised by
    `centre_mm`, `half_mm` (2,). `block`: codes of the Chebyshev terms in graded order.
    """

    degree: int
    pupil_degree: int
    centre_mm: FloatArray
    half_mm: FloatArray
    block: CodedArray


@dataclass(frozen=True)
class BorderTable:
    """The part of a panel that a map may show, as seen from a pupil position.

    `middle_px` (2,): a point well inside. `block`: (n, 2) shares of panel width and height, codes of
    1 / 65535: corners and points between them around the border; seen from any pupil position they turn one
    way around the middle, and straight lines join them. `regions`: all of which must be lit.
    """

    middle_px: FloatArray
    block: CodedArray
    regions: tuple[RegionTable, ...] = ()


@dataclass(frozen=True)
class GainTable:
    """Gain of a channel and colour: the exponential of a polynomial of u, v and of x0, y0.

    `panel_degree`, `pupil_degree`: total degrees. `centre_mm`, `half_mm` (2,): normalise x0, y0, where the
    ray crosses z = 0; places beyond are moved to the nearest within. `block`: (panel functions, pupil
    functions) codes, both in graded order. `error`: largest error measured, as a share.
    """

    channel: int
    colour: int
    panel_degree: int
    pupil_degree: int
    centre_mm: FloatArray
    half_mm: FloatArray
    block: CodedArray
    error: float = 0.0


@dataclass(frozen=True)
class Lookup:
    """All tables of one eye's channels.

    `channels`, `colours`: names. `panel_sizes_px`: (width, height) per channel. `pupil_box_mm` (2, 3): lowest
    and highest pupil position; a position outside is moved to the nearest inside. `maps`: one per channel and
    colour, bases before differences. `claims`: None: every weight is 1. `borders`: one per map, or none at
    all: everything is lit. `gains`: per channel and colour at most one; where none is given the factor is 1.
    """

    channels: tuple[str, ...]
    colours: tuple[str, ...]
    panel_sizes_px: tuple[tuple[int, int], ...]
    pupil_box_mm: FloatArray
    maps: tuple[MapTable, ...]
    content: ContentProjection | None = None
    claims: ClaimTable | None = None
    borders: tuple[BorderTable, ...] = ()
    gains: tuple[GainTable, ...] = ()

    def key_of(self, table: MapTable | GainTable, /) -> tuple[str, str]:
        """Return the names of a map's or a gain's channel and colour."""
        return self.channels[table.channel], self.colours[table.colour]

    def map_index(self, channel: str, colour: str, /) -> int:
        """Return the place of a channel's and colour's map; `PackageError` names what there is."""
        keys = [self.key_of(table) for table in self.maps]
        if (channel, colour) in keys:
            return keys.index((channel, colour))
        have = ", ".join(map("/".join, keys))
        raise PackageError(f"no map for channel '{channel}', colour '{colour}'; the lookup holds {have}.")

    def gain_of(self, channel: str, colour: str, /) -> GainTable | None:
        """Return the gain of a channel and colour; None: 1 everywhere."""
        return next((one for one in self.gains if self.key_of(one) == (channel, colour)), None)

    @property
    def error_px(self) -> float:
        """Largest error of all maps, panel px."""
        return max((table.error_px for table in self.maps), default=0.0)


def float32_array(values: ArrayLike, /) -> FloatArray:
    """Return values rounded to float32, held as float64: what a blob will hold."""
    return np.asarray(values, dtype=np.float32).astype(np.float64)
