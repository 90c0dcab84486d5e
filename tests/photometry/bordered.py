"""The closed-form channels with a border, as a fitted field has one."""

from dataclasses import dataclass, fields

from tests.closed_form import PlaneChannel, PlaneSet, two_channels
from tests.photometry.truth import SIZE

WHOLE = ((0.0, 0.0), (SIZE[0], 0.0), (SIZE[0], SIZE[1]), (0.0, SIZE[1]))


@dataclass(frozen=True)
class BorderedChannel(PlaneChannel):
    border_pixel: tuple = WHOLE
    lit: tuple = ()


def bordered_set():
    """Return both channels in green."""
    return PlaneSet(
        {
            (c.channel, "G"): BorderedChannel(**{f.name: getattr(c, f.name) for f in fields(c)})
            for c in two_channels(SIZE)
        }
    )
