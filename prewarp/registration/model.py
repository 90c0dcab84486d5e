"""What turning the channels does to seam pairs: parameters to mismatch, with its slopes."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.spatial.transform import Rotation

from prewarp.checks import FloatArray
from prewarp.field.mount import UNMOUNTED, Mount
from prewarp.frames import arcmin_step
from prewarp.registration.pairs import SeamPairs

if TYPE_CHECKING:
    from prewarp.field import Field, FieldSet

TURNS = ("turn_x_deg", "turn_y_deg", "turn_z_deg")
SCALE = "scale_percent"
# Steps of the difference quotients: a hundredth of a degree or per cent leaves errors of 1e-6 and less.
_STEP = 1e-2


@dataclass(frozen=True)
class PairModel:
    """Mismatch of pairs as a function of the free parameters of some channels.

    `free` lists (channel, parameter): degrees of turn about the eye's axes on top of the mount so far, or per
    cent of scale. `fields` by (channel, colour) are in their channels' own frames.
    """

    fields: Mapping[tuple[str, str], "Field"]
    pairs: SeamPairs
    free: tuple[tuple[str, str], ...]

    def moved(self, mounts: Mapping[str, Mount], change: FloatArray, /) -> dict[str, Mount]:
        """Return the mounts after a change of the free parameters (p,)."""
        moved = dict(mounts)
        for channel in dict.fromkeys(name for name, _ in self.free):
            own = {
                kind: value for (name, kind), value in zip(self.free, change, strict=True) if name == channel
            }
            turn = Rotation.from_rotvec([own.get(kind, 0.0) for kind in TURNS], degrees=True)
            before = mounts[channel]
            after = turn * Rotation.from_rotvec(before.turn_deg, degrees=True)
            moved[channel] = replace(
                before,
                turn_deg=tuple(after.as_rotvec(degrees=True).tolist()),
                scale=before.scale + own.get(SCALE, 0.0) / 100.0,
            )
        return moved

    def mismatch_arcmin(self, mounts: Mapping[str, Mount], /) -> FloatArray:
        """Return (n, 2): step from a's picture to b's less the measured one, right and up, arcmin."""
        shown = []
        for channels, pixel in (
            (self.pairs.channel_a, self.pairs.pixel_a),
            (self.pairs.channel_b, self.pairs.pixel_b),
        ):
            tangent = np.full_like(pixel, np.nan)
            for channel, colour in self.fields:
                here = np.flatnonzero((channels == channel) & (self.pairs.colour == colour))
                if here.size:
                    mount = mounts[channel]
                    pupil = mount.pupil_inward(self.pairs.pupil_mm[here])
                    seen = self.fields[channel, colour].forward(pixel[here], pupil_mm=pupil)
                    tangent[here] = mount.outward(seen)
            shown.append(tangent)
        return arcmin_step(*shown) - self.pairs.step_arcmin

    def slopes(self, mounts: Mapping[str, Mount], /) -> FloatArray:
        """Return d(mismatch)/d(free parameters) (n, 2, p), arcmin per degree or per cent."""
        columns = []
        for place in range(len(self.free)):
            change = np.zeros(len(self.free))
            change[place] = _STEP
            ends = [self.mismatch_arcmin(self.moved(mounts, sign * change)) for sign in (1.0, -1.0)]
            columns.append((ends[0] - ends[1]) / (2.0 * _STEP))
        return np.stack(columns, axis=-1)


def own_fields(
    fields: "FieldSet", channels: Sequence[str], /
) -> tuple[dict[tuple[str, str], "Field"], dict[str, Mount]]:
    """Return the channels' fields in their own frames by (channel, colour), and the mounts they have so far.

    A channel without a scale so far gets the direction of its panel's middle as the axis of one.
    """
    own: dict[tuple[str, str], Field] = {}
    mounts: dict[str, Mount] = {}
    for channel in channels:
        for colour in fields.colours:
            if (channel, colour) in fields.fields:
                field = fields.field(channel, colour)
                own[channel, colour] = field.mounted(UNMOUNTED)
                if channel not in mounts:
                    middle = np.array(field.panel_size_px) / 2.0
                    axis = own[channel, colour].forward(middle, pupil_mm=np.zeros(3))
                    mount = field.mount
                    mounts[channel] = (
                        mount if mount.scale != 1.0 else replace(mount, axis=tuple(axis.tolist()))
                    )
    return own, mounts
