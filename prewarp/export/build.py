"""What a device package is made from: one eye, pupils of the meshes, dither. Every artefact reads it, none
changes it.
"""

import re
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from prewarp.checks import FloatArray, as_pupil
from prewarp.content import ContentProjection
from prewarp.encoding import TransferFunction
from prewarp.errors import PackageError
from prewarp.export.share_textures import ShareMap
from prewarp.eye import Eye
from prewarp.field import FieldSet
from prewarp.files import file_stem
from prewarp.mesh import NODE_STEP_PX, PanelMesh, panel_mesh
from prewarp.photometry import LightMatch
from prewarp.photometry.panel import PanelLight, panel_light
from prewarp.render.pictures import field_colours
from prewarp.scan import PanelScan, scan_table
from prewarp.seam import Seam

MAX_PUPILS = 1000


@dataclass(frozen=True, eq=False)
class DeviceBuild:
    """One eye of a display, as a device is to draw it.

    Parameters
    ----------
    eye : Eye
        Fields, seam, panels, eye box, content, and gains and white where luminance is known.
    pupils_mm : (n, 3) float array
        Pupil positions of the meshes, mm from the eye-box centre.
    dither : str
        "none", "bayer" or "blue".
    step_px : float
        Largest distance between mesh nodes, panel px.
    late : bool
        Shaders turn directions with the head, line by line.

    Raises
    ------
    PackageError
        No pupils, too many, or not finite; or late rotation where a scan is not declared.
    """

    eye: Eye
    pupils_mm: FloatArray
    dither: str = "none"
    step_px: float = NODE_STEP_PX
    late: bool = False

    def __post_init__(self) -> None:
        pupils = as_pupil(self.pupils_mm, "pupils_mm").reshape(-1, 3)
        if not 1 <= len(pupils) <= MAX_PUPILS or not np.isfinite(pupils).all():
            raise PackageError(
                f"pupils_mm holds {len(pupils)} positions; expected 1 to {MAX_PUPILS}, all finite numbers."
            )
        object.__setattr__(self, "pupils_mm", pupils)
        missing = [scan_table(name) for name in self.channels if self.scan(name) is None]
        if self.late and missing:
            raise PackageError(
                f"late rotation needs to know when lines are lit; declare {' and '.join(missing)} in the "
                "module file."
            )

    @property
    def fields(self) -> FieldSet:
        """The fit."""
        return self.eye.fields

    @property
    def content(self) -> ContentProjection:
        """How the content picture lies on directions."""
        return self.eye.content

    @property
    def channels(self) -> tuple[str, ...]:
        """The channels of the eye."""
        return self.eye.channels

    @property
    def seam(self) -> Seam | None:
        """Blend weights; None where there is one channel."""
        return self.eye.seam if self.eye.has_seam else None

    @cached_property
    def shares(self) -> ShareMap | None:
        """What shaders form shares of light from; None where there is one channel."""
        return None if self.seam is None else ShareMap(self.seam, self.content)

    @cached_property
    def alone_px(self) -> dict[str, FloatArray]:
        """Content px that each channel of several shows alone, as `ShareMap.alone_px` says."""
        return {} if self.shares is None else self.shares.alone_px(self.pupil_box_mm)

    def with_content_px(self, size_px: tuple[int, int], /) -> "DeviceBuild":
        """Return the build with a content picture of another size, over the same directions."""
        content = replace(self.content, size_px=size_px)
        # The same directions in other px: what took long to find is not looked for again.
        made = replace(self, eye=replace(self.eye, content=content, known_seam=self.seam))
        factor = np.asarray(size_px) / self.content.size_px
        vars(made)["alone_px"] = {name: one * factor for name, one in self.alone_px.items()}
        return made

    @property
    def match(self) -> LightMatch | None:
        """Gains and white match, where luminance is known."""
        return self.eye.match

    @property
    def pupil_box_mm(self) -> FloatArray:
        """Nominal eye box: lowest and highest pupil position, (2, 3), mm."""
        return np.stack([-self.eye.eye_box.half_mm, self.eye.eye_box.half_mm])

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
        return self.eye.panels[channel].size_px

    def transfer(self, channel: str, /) -> TransferFunction:
        """How a channel's panel turns codes into light."""
        return self.eye.panels[channel].transfer

    def bit_depth(self, channel: str, /) -> int:
        """Bits per code of a channel's panel."""
        return self.eye.panels[channel].bit_depth

    def scan(self, channel: str, /) -> PanelScan | None:
        """When the lines of a channel's panel are lit; None where the module does not say."""
        return self.eye.panels[channel].scan

    def light(self, channel: str, /) -> PanelLight:
        """White match and dither of a channel."""
        return panel_light(self.match, channel, dither=self.dither)

    def stem(self, channel: str, /) -> str:
        """Beginning of the file names of a channel: its place, and its name without what file names cannot
        hold.
        """
        return f"c{self.channels.index(channel)}-{file_stem(channel)}"

    def colour_stem(self, colour: str, /) -> str:
        """Part of file names for a colour."""
        return re.sub(r"[^A-Za-z0-9-]", "_", colour)[:20]

    def mesh(self, channel: str, colour: str, pupil: int, /) -> PanelMesh:
        """Return the pre-warp map of a channel and colour for one of the pupil positions.

        Artefacts hold the weight of every node, and read it between nodes as they read the map.
        """
        return replace(self._mesh(channel, colour, pupil), light=None)

    def gain_mesh(self, channel: str, colour: str, pupil: int, /) -> PanelMesh:
        """Return the same with gains alone for weights: for shaders that form shares in every pixel."""
        mesh = self._mesh(channel, colour, pupil)
        return mesh if mesh.light is None else replace(mesh, weight=mesh.light.gain, light=None)

    def _mesh(self, channel: str, colour: str, pupil: int) -> PanelMesh:
        return panel_mesh(
            self.fields.field(channel, colour),
            self.content,
            tracked_pupil_mm=self.pupils_mm[pupil],
            seam=self.seam,
            match=self.match,
            step_px=self.step_px,
        )
