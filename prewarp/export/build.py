"""What a device package is made from, in one place: fit, panels, pupils, seam, light. Every artefact reads it, none changes it."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from prewarp.checks import FloatArray, as_pupil
from prewarp.content import ContentProjection
from prewarp.encoding import TransferFunction
from prewarp.errors import PackageError
from prewarp.mesh import NODE_STEP_PX, PanelMesh, panel_mesh
from prewarp.photometry.panel import PanelLight, panel_light
from prewarp.render.pictures import field_colours
from prewarp.seam import Seam

if TYPE_CHECKING:
    from prewarp.field import FieldSet
    from prewarp.photometry.match import LightMatch

MAX_PUPILS = 1000


@dataclass(frozen=True, eq=False)
class DeviceBuild:
    """One eye of a display, as a device is to draw it.

    Parameters
    ----------
    fields : FieldSet
        The fit.
    content : ContentProjection
        How the content picture lies on directions.
    channels : tuple of str
        Which to build.
    pupils_mm : (n, 3) float array
        Pupil positions of the meshes, mm from the eye-box centre.
    pupil_box_mm : (2, 3) float array
        Eye box: lowest and highest pupil position, mm.
    seam : Seam, optional
        Blend weights; 1 everywhere without one.
    match : LightMatch, optional
        Gains and white match.
    dither : str
        "none", "bayer" or "blue".
    transfers, bit_depths : mapping
        Per channel: how its panel turns codes into light; sRGB and 8 bits where not given.
    step_px : float
        Largest distance between mesh nodes, panel px.

    Raises
    ------
    PackageError
        No pupils, too many, or not finite; no channels.
    """

    fields: "FieldSet"
    content: ContentProjection
    channels: tuple[str, ...]
    pupils_mm: FloatArray
    pupil_box_mm: FloatArray
    seam: Seam | None = None
    match: "LightMatch | None" = None
    dither: str = "none"
    transfers: Mapping[str, TransferFunction] = field(default_factory=dict)
    bit_depths: Mapping[str, int] = field(default_factory=dict)
    step_px: float = NODE_STEP_PX

    def __post_init__(self) -> None:
        pupils = as_pupil(self.pupils_mm, "pupils_mm").reshape(-1, 3)
        if not 1 <= len(pupils) <= MAX_PUPILS or not np.isfinite(pupils).all():
            raise PackageError(
                f"pupils_mm holds {len(pupils)} positions; expected 1 to {MAX_PUPILS}, all finite numbers."
            )
        if not self.channels:
            raise PackageError("no channel to build; name at least one.")
        object.__setattr__(self, "pupils_mm", pupils)
        object.__setattr__(self, "pupil_box_mm", np.asarray(self.pupil_box_mm, dtype=float).reshape(2, 3))

    @property
    def colours(self) -> tuple[str, ...]:
        """Names of the fit's colours."""
        return tuple(self.fields.colours)

    @property
    def planes(self) -> tuple[str, str, str]:
        """Which colour's field draws the red, green and blue plane."""
        return field_colours(self.colours)

    def panel_size_px(self, channel: str, /) -> tuple[int, int]:
        """Width and height of a channel's panel."""
        return tuple(self.fields.field(channel, self.colours[0]).panel_size_px)

    def transfer(self, channel: str, /) -> TransferFunction:
        """How a channel's panel turns codes into light."""
        return self.transfers.get(channel, TransferFunction())

    def bit_depth(self, channel: str, /) -> int:
        """Bits per code of a channel's panel."""
        return self.bit_depths.get(channel, 8)

    def light(self, channel: str, /) -> PanelLight:
        """White match and dither of a channel."""
        return panel_light(self.match, channel, dither=self.dither)

    def stem(self, channel: str, /) -> str:
        """Beginning of the file names of a channel: its place, and its name without what file names cannot hold."""
        return f"c{self.channels.index(channel)}-{re.sub(r'[^A-Za-z0-9_-]', '_', channel)[:40]}"

    def colour_stem(self, colour: str, /) -> str:
        """Part of file names for a colour."""
        return re.sub(r"[^A-Za-z0-9-]", "_", colour)[:20]

    def mesh(self, channel: str, colour: str, pupil: int, /) -> PanelMesh:
        """Return the pre-warp map of a channel and colour for one of the pupil positions."""
        return panel_mesh(
            self.fields.field(channel, colour),
            self.content,
            tracked_pupil_mm=self.pupils_mm[pupil],
            seam=self.seam,
            match=self.match,
            step_px=self.step_px,
        )
