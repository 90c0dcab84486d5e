"""Tolerances of a design: how far each key of a built unit is from what the design says, 1-sigma.

A table `tolerance` beside the keys of a surface, of the panel or of the channel; a key left out is exact::

    [[channel.inner.surface]]
    tolerance = { decentre_mm = 0.05, tilt_deg = 0.03, gap_mm = 0.03, radius_mm = 0.05, index = 5e-4 }

Each is the standard deviation of a normal distribution, independent of all others, in the unit of its key:
`decentre_mm` along x and y each, `tilt_deg` and `turn_deg` about each axis, `index` of `index_offset`,
`figure_um` RMS over the semi-aperture of each of seven terms (two of astigmatism, coma and trefoil, one of
spherical). A unit is the design with these keys moved, by the design's own rules of placing: what stands
behind a gap moves with it, and the axis follows a tilted mirror where the design says so.
"""

from dataclasses import dataclass

from prewarp.errors import TraceError
from prewarp.records import Number, checked, validate

_LENGTH, _ANGLE = Number(0.0, 10.0, "mm"), Number(0.0, 10.0, "degrees")


@dataclass(frozen=True)
class SurfaceTolerance:
    """1-sigma of the keys of a surface; entries as in the module docstring."""

    decentre_mm: float = checked(_LENGTH, default=0.0)
    tilt_deg: float = checked(_ANGLE, default=0.0)
    gap_mm: float = checked(_LENGTH, default=0.0)
    radius_mm: float = checked(Number(0.0, 1e6, "mm"), default=0.0)
    conic: float = checked(Number(0.0, 10.0), default=0.0)
    index: float = checked(Number(0.0, 0.1), default=0.0)
    figure_um: float = checked(Number(0.0, 100.0, "um"), default=0.0)

    def __post_init__(self) -> None:
        validate(self, TraceError)


@dataclass(frozen=True)
class PanelTolerance:
    """1-sigma of the keys of the panel's place."""

    decentre_mm: float = checked(_LENGTH, default=0.0)
    tilt_deg: float = checked(_ANGLE, default=0.0)
    gap_mm: float = checked(_LENGTH, default=0.0)

    def __post_init__(self) -> None:
        validate(self, TraceError)


@dataclass(frozen=True)
class ChannelTolerance:
    """1-sigma of the keys of a whole channel."""

    turn_deg: float = checked(_ANGLE, default=0.0)

    def __post_init__(self) -> None:
        validate(self, TraceError)
