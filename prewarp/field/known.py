"""What may be said from a fit: quantities that its capture does not determine, and places outside it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import FloatArray, as_pupil
from prewarp.errors import ExtrapolationError
from prewarp.field.border import inside_convex
from prewarp.field.captured import Captured
from prewarp.field.fieldset import FieldSet
from prewarp.points import box_lattice

# Directions of a channel, each way, for which a pupil position is looked at.
DIRECTIONS = 7
# Beyond this share of the spacing of captured positions, for half of the directions, nothing is said unasked.
LARGEST_SHARE = 0.5


@dataclass(frozen=True)
class NotKnown:
    """A quantity that the capture does not determine: why, and what would be needed."""

    quantity: str
    why: str
    needs: str

    def text(self) -> str:
        """Return this in one sentence."""
        return f"{self.quantity}: not known: needs {self.needs} ({self.why})."

    def as_dict(self) -> dict[str, str]:
        """Return this for machines."""
        return {"quantity": self.quantity, "why": self.why, "needs": self.needs}


def motion_not_known(fields: FieldSet, channels: Sequence[str], quantity: str, /) -> NotKnown | None:
    """Return why `quantity` is not known where it needs every motion of the pupil; None where it is."""
    for channel in channels:
        captured = fields.captured.get(channel)
        if captured is not None and not captured.shows_motion:
            return NotKnown(quantity, _why(channel, captured), needs_of(captured))
    return None


def common_motion(fields: FieldSet, channels: Sequence[str], /) -> FloatArray | None:
    """Return the one direction (2,) in which the pupil moves in the captures of all channels.

    None where there is none, or where every motion is shown.
    """
    found = [fields.captured[name].motions for name in channels if name in fields.captured]
    lines = [motions[0] for motions in found if len(motions) == 1]
    if not lines or any(len(motions) == 0 for motions in found):
        return None
    alike = all(abs(float(one @ lines[0])) > 1.0 - 1e-6 for one in lines)
    return lines[0] if alike else None


def _why(channel: str, captured: Captured) -> str:
    count = captured.positions
    return (
        f"channel '{channel}' was captured at {count} pupil position{'' if count == 1 else 's'}, which "
        f"show{'s' if count == 1 else ''} {captured.motion_text()}"
    )


def needs_of(captured: Captured, /) -> str:
    """Return in words which pupil positions a capture lacks for every motion to be shown."""
    if len(captured.motions) == 0:
        return "pupil positions that differ in x and in y: three or more, not on one line"
    x, y = np.abs(captured.motions[0])
    across = "y" if x > 0.999 else "x" if y > 0.999 else f"({y:.2f}, {-captured.motions[0][0]:.2f})"
    return f"pupil positions that differ along {across} too"


@dataclass(frozen=True)
class Outside:
    """The pupil position farthest outside the capture of a channel, mm.

    `half_mm`: how far its rays lie outside for half of the directions looked at; `farthest_mm`: for the
    worst of them.
    """

    channel: str
    pupil_mm: tuple[float, float, float]
    half_mm: float
    farthest_mm: float
    captured: Captured

    @property
    def is_far(self) -> bool:
        """Whether it lies beyond half a spacing of captured positions, for half of the directions."""
        return self.half_mm > LARGEST_SHARE * self.captured.spacing_mm

    def text(self) -> str:
        """Return this in one sentence."""
        x, y, z = self.pupil_mm
        low, high = self.captured.corners_mm.min(axis=0), self.captured.corners_mm.max(axis=0)
        count = self.captured.positions
        spacing = f", {self.captured.spacing_mm:.3g} mm apart" if self.captured.spacing_mm else ""
        return (
            f"pupil ({x:.3g}, {y:.3g}, {z:.3g}) mm lies {self.farthest_mm:.3g} mm outside what was captured "
            f"of channel '{self.channel}' ({count} position{'' if count == 1 else 's'}{spacing}; x "
            f"{low[0]:.3g} to {high[0]:.3g}, y {low[1]:.3g} to {high[1]:.3g}, z {low[2]:.3g} to "
            f"{high[2]:.3g} mm)"
        )

    def as_dict(self) -> dict[str, Any]:
        """Return this for machines; units are in the keys."""
        return {
            "channel": self.channel,
            "pupil_mm": list(self.pupil_mm),
            "outside_mm": self.farthest_mm,
            "outside_for_half_of_directions_mm": self.half_mm,
            "spacing_mm": self.captured.spacing_mm,
        }


def outside_capture(
    fields: FieldSet, channels: Sequence[str], pupils_mm: ArrayLike, /, *, tangent: ArrayLike | None = None
) -> tuple[Outside, ...]:
    """Return, for each channel with pupils outside its capture, the one that lies farthest out.

    Parameters
    ----------
    fields : FieldSet
    channels : sequence of str
    pupils_mm : (..., 3) array
        Pupil positions asked about, mm.
    tangent : (n, 2) array, optional
        Directions asked about, tangents; those that each channel's capture holds if not given.
    """
    pupils = as_pupil(pupils_mm).reshape(-1, 1, 3)
    found = []
    for channel in channels:
        captured = fields.captured.get(channel)
        if captured is None:
            continue
        directions = _directions(fields, channel) if tangent is None else np.asarray(tangent, float)
        outside = fields.outside_mm(channel, directions, pupil_mm=pupils)
        if not np.any(outside):
            continue
        half, farthest = np.median(outside, axis=1), outside.max(axis=1)
        place = int(np.lexsort((farthest, half))[-1])
        x, y, z = pupils[place, 0]
        position = (float(x), float(y), float(z))
        found.append(Outside(channel, position, float(half[place]), float(farthest[place]), captured))
    return tuple(found)


def require_captured(found: Sequence[Outside], /) -> None:
    """Raise `ExtrapolationError` where a pupil lies far outside what was captured."""
    far = [one for one in found if one.is_far]
    if far:
        worst = max(far, key=lambda one: one.half_mm)
        raise ExtrapolationError(
            f"{worst.text()}; expected at most half the distance of neighbouring positions. "
            "Capture there, stay inside, or give --extrapolate to accept a guess.",
            channel=worst.channel,
            pupil_mm=worst.pupil_mm,
        )


def _directions(fields: FieldSet, channel: str) -> FloatArray:
    """Return directions (n, 2), tangents, spread over what a channel's capture holds."""
    hull = fields.field(channel, fields.colours[0]).captured_tangent
    lattice = box_lattice(hull.min(axis=0), hull.max(axis=0), (DIRECTIONS, DIRECTIONS))
    inside = lattice[inside_convex(lattice, hull, slack=1e-9)]
    return inside if len(inside) else hull
