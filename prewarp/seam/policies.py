"""Blend policies: where light is handed over as the pupil moves, and what each way of choosing loses.

`fixed`: one seam in direction for the whole eye box, over what every channel shows from everywhere in it;
content never crawls through the seam. `following`: for each tracked pupil a seam of its own over what is
shown from there; it uses all of the overlap, and the hand-over crawls over the picture as the eye moves.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import FloatArray, as_pupil
from prewarp.errors import SeamError
from prewarp.seam.blend import Seam, build_seam, join_reaches
from prewarp.seam.light import channel_lights
from prewarp.seam.reach import reaches_of
from prewarp.seam.remembered import remembered

if TYPE_CHECKING:
    from prewarp.field import FieldSet

POLICIES = ("fixed", "following")
# Tracked pupils whose seams are kept.
_KEPT = 64


class BlendPolicy(Protocol):
    """What gives the blend weights for a tracked pupil; a `Seam` is one that gives itself."""

    @property
    def channels(self) -> tuple[str, ...]:
        """The channels that are joined."""

    def at(self, tracked_pupil_mm: ArrayLike, /) -> Seam:
        """Return the seam for a tracked pupil (3,), mm."""


@dataclass(frozen=True)
class FollowingBlend:
    """A seam for each tracked pupil, over the reaches from there.

    Parameters
    ----------
    fields : FieldSet
        All channels and colours.
    channels : tuple of str
        The channels to join.
    feather_deg : float or None
        Width of the hand-over, degrees; where a pupil position has less room, the widest that fits. None:
        always the widest.
    edge_deg : float
        Width over which light fades towards the rim of what is lit, degrees.
    """

    fields: "FieldSet"
    channels: tuple[str, ...]
    feather_deg: float | None = None
    edge_deg: float = 0.0
    _made: dict[tuple[float, ...], Seam] = field(default_factory=dict, repr=False, compare=False)

    def at(self, tracked_pupil_mm: ArrayLike, /) -> Seam:
        """Return the seam for a tracked pupil (3,), mm, of what is lit from there."""
        pupil = as_pupil(tracked_pupil_mm, "tracked_pupil_mm").reshape(3)
        key = tuple(np.round(pupil, 6).tolist())
        return remembered(self._made, key, lambda: self._build(pupil), most=_KEPT)

    def _build(self, pupil: FloatArray) -> Seam:
        reaches = reaches_of(self.fields, self.channels, pupils_mm=pupil)

        def joined(feather_deg: float | None) -> Seam:
            lights = channel_lights(self.fields, self.channels)
            pupils = pupil.reshape(1, 3)
            return join_reaches(
                reaches, feather_deg=feather_deg, edge_deg=self.edge_deg, lights=lights, pupils_mm=pupils
            ).at(pupil)

        widest = joined(None)
        if self.feather_deg is None or self.feather_deg >= widest.feather_deg:
            return widest
        return joined(self.feather_deg)


def blend_policy(
    kind: str,
    fields: "FieldSet",
    /,
    *,
    pupils_mm: ArrayLike,
    channels: Sequence[str] | None = None,
    feather_deg: float | None = None,
    edge_deg: float = 0.0,
) -> BlendPolicy:
    """Return a blend policy by name.

    Parameters
    ----------
    kind : str
        One of `POLICIES`.
    fields : FieldSet
        All channels and colours.
    pupils_mm : (n, 3) float array
        Corners of the eye box, mm; only "fixed" needs them.
    channels, feather_deg, edge_deg
        See `build_seam`.

    Raises
    ------
    SeamError
        The kind is unknown; or the channels have no room for the feather, over the eye box ("fixed").
    """
    if kind not in POLICIES:
        raise SeamError(f"blend policy is {kind!r}; expected one of {', '.join(POLICIES)}.")
    names = tuple(fields.channels if channels is None else channels)
    if kind == "fixed":
        return build_seam(
            fields, pupils_mm=pupils_mm, channels=names, feather_deg=feather_deg, edge_deg=edge_deg
        )
    if feather_deg is not None and not 1e-3 <= feather_deg <= 90.0:
        raise SeamError(f"feather_deg is {feather_deg!r}; expected 0.001 to 90 degrees.")
    return FollowingBlend(fields, names, feather_deg, edge_deg)
