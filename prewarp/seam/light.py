"""Where white light of a channel ends, as seen from a pupil position: the border that a seam must keep to.

White content is shown where every colour has a panel point and is lit; past that it would be coloured. The
border is that of the panel, or of what was captured, in each colour, or that of what is lit
(`prewarp.field.lit`), whichever comes first. What is captured ends one dot spacing outside the outermost
samples, or at the panel's edge.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from dataclasses import field as default
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import FloatArray, as_pupil, as_tangent
from prewarp.frames import unit_from_tangent
from prewarp.seam.reach import ChannelReach, channel_reach
from prewarp.seam.remembered import remembered

if TYPE_CHECKING:
    from prewarp.field import Field, FieldSet

# How far from the border distances are told apart, degrees: as far as light may fade (`edge_deg`).
FARTHEST_DEG = 45.0
# How far past the border of a panel what is lit is asked for, as a share of its size.
_PAST_EDGE = 0.1
# Pupil positions whose outlines are kept.
_KEPT = 64
# Sets of directions whose depths are kept, and numbers in the largest one.
_DEPTHS_KEPT, _MOST_REMEMBERED = 32, 100_000


@dataclass(frozen=True, eq=False)
class ChannelLight:
    """Where one channel shows white, from any pupil position.

    Parameters
    ----------
    channel : str
        Name of the channel.
    fields : tuple of Field
        Its colours.
    """

    channel: str
    fields: "tuple[Field, ...]"
    _made: dict[tuple[float, ...], ChannelReach] = default(default_factory=dict, repr=False)
    _depths: dict[tuple[Any, ...], FloatArray] = default(default_factory=dict, repr=False)

    @property
    def has_dark(self) -> bool:
        """Whether part of the captured panel is dark from some pupil position."""
        return any(one.lit for one in self.fields)

    def outline(self, pupil_mm: ArrayLike, /) -> ChannelReach:
        """Return what the captured part of the panel spans in every colour, from a pupil (3,), mm."""
        pupil = as_pupil(pupil_mm).reshape(3)
        key = tuple(np.round(pupil, 9).tolist())
        return remembered(self._made, key, lambda: channel_reach(self.fields, pupils_mm=pupil), most=_KEPT)

    def middle(self, pupil_mm: ArrayLike, /) -> FloatArray:
        """Return the direction (2,), tangents, in which the middle of the panel is seen from a pupil (3,)."""
        field = self.fields[0]
        size = np.asarray(field.panel_size_px, dtype=float)
        return np.asarray(field.forward(0.5 * size, pupil_mm=as_pupil(pupil_mm).reshape(3)))

    def spacing_deg(self, pupil_mm: ArrayLike, /) -> float:
        """Return the dot spacing, degrees, to which the border of what is lit is known; 0: all is lit."""
        pupil = as_pupil(pupil_mm).reshape(3)
        spacings = [
            _degrees_per_px(one, pupil) * region.spacing_px for one in self.fields for region in one.lit
        ]
        return max(spacings, default=0.0)

    def depth_deg(
        self, tangent: ArrayLike, /, *, pupil_mm: ArrayLike, margin_spacings: float = 0.0
    ) -> FloatArray:
        """Return how far inside the white part directions lie, degrees, (...): negative outside.

        Parameters
        ----------
        tangent : (..., 2) float array
            Viewing directions, tangents, eye frame; NaN is outside.
        pupil_mm : (3,) float array
            Where they are seen from, mm.
        margin_spacings : float
            Draws the border of what is lit in by so many dot spacings: it is known to about a tenth.

        Returns
        -------
        (...) float array
            Not to be written to: meshes ask for the same directions again and again, and get the same array.

        Notes
        -----
        Exact at the border, to first order near it; cut at `FARTHEST_DEG`.
        """
        tangent, pupil = as_tangent(tangent), as_pupil(pupil_mm).reshape(3)
        if not self.has_dark or tangent.size > _MOST_REMEMBERED:
            return self._depth_deg(tangent, pupil, margin_spacings)
        key = (*pupil.tolist(), margin_spacings, tangent.shape, tangent.tobytes())

        def made() -> FloatArray:
            depth = self._depth_deg(tangent, pupil, margin_spacings)
            depth.flags.writeable = False
            return depth

        return remembered(self._depths, key, made, most=_DEPTHS_KEPT)

    def _depth_deg(self, tangent: FloatArray, pupil: FloatArray, margin_spacings: float) -> FloatArray:
        flat = tangent.reshape(-1, 2)
        edge = np.nan_to_num(self.outline(pupil).edge_deg(flat), nan=-FARTHEST_DEG)
        depth = np.clip(edge, -FARTHEST_DEG, FARTHEST_DEG)
        for field in self.fields:
            if not field.lit:
                continue
            scale = _degrees_per_px(field, pupil)
            past_px = _PAST_EDGE * max(field.panel_size_px)
            asked = np.flatnonzero(depth > -past_px * scale)
            found = field.inverse(flat[asked], pupil_mm=pupil, margin_px=past_px)
            good = asked[found.valid]
            margin_px = margin_spacings * max(one.spacing_px for one in field.lit)
            lit = scale * (field.lit_depth_px(found.pixel[found.valid], pupil_mm=pupil) - margin_px)
            depth[good] = np.minimum(depth[good], lit)
            # Inside the outline every direction has a panel point, but where the map folds.
            lost = asked[~found.valid & (depth[asked] > 0.0)]
            depth[lost] = -FARTHEST_DEG
        return np.maximum(depth, -FARTHEST_DEG).reshape(tangent.shape[:-1])


def channel_lights(fields: "FieldSet", channels: Sequence[str], /) -> tuple[ChannelLight, ...]:
    """Return where each channel shows white."""
    return tuple(
        ChannelLight(name, tuple(fields.field(name, colour) for colour in fields.colours))
        for name in channels
    )


def _degrees_per_px(field: "Field", pupil: FloatArray) -> float:
    """Return the size of a panel pixel, degrees, about the middle of the captured part: its root area."""
    middle = field.border_pixel.mean(axis=0)
    slope = field.jacobian(middle, pupil_mm=pupil)
    forward = unit_from_tangent(field.forward(middle, pupil_mm=pupil))[2]
    # Solid angle of a piece of the tangent plane: times the cube of the cosine.
    return float(np.degrees(np.sqrt(abs(np.linalg.det(slope)) * forward**3)))
