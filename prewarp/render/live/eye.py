"""Panels and perceived view of one eye, drawn again and again while it moves: all on the GPU, over meshes.

Per pupil position one small pass per channel sums the mesh from its table (`eye_table.py`,
`shaders/eye_mesh.frag`); nothing is uploaded. The panel pass then draws the mesh over the panel, the view
pass draws the same mesh where its nodes are seen, and the channels add up in linear light. Panels that store
8-bit sRGB are targets of that kind, so that the GPU encodes, rounds and decodes in its own units; other
panels are rounded to their codes in the shader and stored as light. What did not change is not drawn again.
"""

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from prewarp.content import ContentProjection
from prewarp.encoding import TransferFunction
from prewarp.head import HeadTurn
from prewarp.render.gpu import FRAMEBUFFER_SRGB, Program, Target, light_sampler
from prewarp.render.live.eye_table import EyeTable
from prewarp.render.live.mesh import LIGHTS, EyeMesh, FixedMesh, unwarped_content
from prewarp.render.live.outlook import Ghost, Outlook
from prewarp.render.live.panel import ContentTexture, LivePanel, PanelKind, Reloadable
from prewarp.render.live.weight_map import WeightMap
from prewarp.scan import PanelScan

if TYPE_CHECKING:
    import moderngl


class LiveView:
    """The perceived view: the light of every channel's panel, added up where its mesh is seen."""

    def __init__(self, context: "moderngl.Context", meshes: Mapping[str, EyeMesh], /) -> None:
        self._context = context
        self._meshes = dict(meshes)
        self.programs = self._made("view_mesh.frag", {}, {})
        self._textures: dict[str, dict[str, moderngl.Texture]] = {name: {} for name in self._meshes}

    def variant(self, fragment: str, options: Mapping[str, int] | None = None, /) -> dict[str, Program]:
        """Return programs that draw what nodes show instead of light, for `add_values`."""
        return self._made(fragment, options or {}, {"PREWARP_NODE_VALUES": 1})

    def add(
        self,
        target: Target,
        panels: Mapping[str, "moderngl.Texture"],
        outlook: Outlook,
        sampler: "moderngl.Sampler",
        /,
        *,
        ghost: Ghost | None = None,
        gain: float = 1.0,
    ) -> None:
        """Add the light of the panels to a target; as a ghost image if one is given."""
        middle, scale = outlook.middle_px, (outlook.scale_px, -outlook.scale_px)
        if ghost is not None:
            middle, scale = ghost.moved(outlook)
            gain = gain * ghost.strength
        for name, mesh in self._meshes.items():
            program, textures = self.programs[name], self._textures[name]
            self._place(program, outlook, middle, scale)
            program.set("u_gain", gain)
            textures["t_panel_linear"] = panels[name]
            textures["t_seen_where"], textures["t_seen_red"], textures["t_seen_blue"] = mesh.seen.textures
            target.draw(program, textures, add=True, sampler=sampler)

    def add_values(self, target: Target, programs: Mapping[str, Program], outlook: Outlook, /) -> None:
        """Add, or blend as the context says, what a variant draws for each channel."""
        for name, mesh in self._meshes.items():
            self._place(programs[name], outlook, outlook.middle_px, (outlook.scale_px, -outlook.scale_px))
            red, green, blue = mesh.shown.textures
            textures = {"t_seen_where": mesh.seen.textures[0]}
            textures |= {"t_mesh_red": red, "t_mesh_green": green, "t_mesh_blue": blue}
            target.draw(programs[name], textures, add=True)

    def _made(
        self, fragment: str, options: Mapping[str, int], vertex_options: Mapping[str, int]
    ) -> dict[str, Program]:
        programs = {}
        for name, mesh in self._meshes.items():
            # What nodes show does not depend on how bright they look.
            lit = {} if vertex_options else mesh.light_option
            program = Program(
                self._context,
                fragment,
                {**options, **lit},
                vertex="view_mesh.vert",
                vertex_options={**vertex_options, **lit},
                indices=mesh.indices,
            )
            for uniform, value in mesh.places().items():
                program.set(uniform, value)
            programs[name] = program
        return programs

    @staticmethod
    def _place(
        program: Program, outlook: Outlook, middle: tuple[float, float], scale: tuple[float, float]
    ) -> None:
        program.set("u_view_px", (float(outlook.size_px[0]), float(outlook.size_px[1])))
        program.set("u_view_middle", middle)
        program.set("u_view_scale", scale)


class LiveEye:
    """All channels of one eye: tables, content, panels before and after, and the view of them.

    Parameters
    ----------
    context : moderngl.Context
        Where to draw. sRGB targets are switched on in it.
    tables, weights : mapping
        Channel name to its `EyeTable` and `WeightMap`.
    content : ContentProjection
        How the content picture lies on directions.
    transfers, bit_depths : mapping, optional
        Channel name to how its panel turns codes into light; sRGB and 8 bits where none is given.
    shrink : int
        Draws panels that many times smaller each way, for views that show less than their pixels.
    panel_kind : type
        `LivePanel`, `prewarp.render.live.compute.ComputePanel`, or
        `prewarp.render.live.device_panel.DevicePanel` with its own arguments filled in and `with_gains` true.
    whole_content : bool
        Give these panels the content picture in its own size, however small panels are drawn.
    scans : mapping, optional
        Channel name to when its panel's lines are lit, where that is known; a turning head needs it.
    """

    def __init__(
        self,
        context: "moderngl.Context",
        tables: Mapping[str, EyeTable],
        weights: Mapping[str, WeightMap],
        content: ContentProjection,
        /,
        *,
        transfers: Mapping[str, TransferFunction] | None = None,
        bit_depths: Mapping[str, int] | None = None,
        shrink: int = 1,
        panel_kind: Callable[..., "PanelKind"] = LivePanel,
        whole_content: bool = False,
        scans: Mapping[str, PanelScan | None] | None = None,
    ) -> None:
        context.enable_direct(FRAMEBUFFER_SRGB)
        self._panel_kind = panel_kind
        self._whole_content = whole_content
        self.context = context
        self.content = content
        self.sampler = light_sampler(context)
        self.meshes = {
            name: EyeMesh(
                context,
                table,
                weights[name],
                content,
                scan=(scans or {}).get(name),
                with_gains=getattr(panel_kind, "with_gains", False),
            )
            for name, table in tables.items()
        }
        self._transfers = {name: (transfers or {}).get(name) or TransferFunction() for name in tables}
        self._bit_depths = {name: (bit_depths or {}).get(name, 8) for name in tables}
        self._unwarped = {
            name: FixedMesh(context, unwarped_content(table, content)) for name, table in tables.items()
        }
        self.view = LiveView(context, self.meshes)
        self._stale: dict[str, bool] = {}
        self._shrink = 0
        self._light = LIGHTS[0]
        self._head = (HeadTurn(), True)
        self.resize_panels(shrink)

    @property
    def light_option(self) -> dict[str, int]:
        """See `EyeMesh.light_option`; luminance is known for all channels of an eye or for none."""
        return next(iter(self.meshes.values())).light_option

    def resize_panels(self, shrink: int, /) -> bool:
        """Draw panels so many times smaller each way; False when they are. Content must be set again."""
        if shrink == self._shrink:
            return False
        self._shrink = shrink
        shrunk = ContentTexture(self.context, self.content.size_px, shrink=shrink)
        is_whole = shrink == 1 or not self._whole_content
        own = shrunk if is_whole else ContentTexture(self.context, self.content.size_px)
        self._pictures = (shrunk,) if is_whole else (shrunk, own)
        self.panels = self._made_panels(self._panel_kind, own)
        self._before = self._made_panels(LivePanel, shrunk)
        self._stale = {"after": True, "before": True}
        self.context.gc()
        return True

    def _made_panels(
        self, kind: Callable[..., "PanelKind"], picture: ContentTexture
    ) -> dict[str, "PanelKind"]:
        return {
            name: kind(
                self.context,
                mesh,
                picture,
                transfer=self._transfers[name],
                bit_depth=self._bit_depths[name],
                shrink=self._shrink,
            )
            for name, mesh in self.meshes.items()
        }

    @property
    def programs(self) -> list[Reloadable]:
        """All programs, for reloading edited shaders."""
        return [
            *(program for mesh in self.meshes.values() for program in mesh.programs),
            *(
                program
                for panels in (self.panels, self._before)
                for panel in panels.values()
                for program in panel.programs
            ),
            *self.view.programs.values(),
        ]

    def set_content(self, image: NDArray[np.uint8], /) -> None:
        """Upload a content picture (height, width, 3), sRGB."""
        for picture in self._pictures:
            picture.write(image)
        self._stale = dict.fromkeys(self._stale, True)

    def set_eye(self, pupil_mm: ArrayLike, tracked_mm: ArrayLike, /) -> None:
        """Take the pupil and the tracked pupil, (3,) mm; nothing is done for what stays."""
        for mesh in self.meshes.values():
            mesh.set_pupil(pupil_mm)
            self._stale["after"] |= mesh.set_tracked(tracked_mm)

    def set_light(self, light: str, /) -> None:
        """Take how bright panels look, of `LIGHTS` in `mesh.py`, where that is known; "even" at first."""
        if light != self._light and self.light_option:
            self._light = light
            for mesh in self.meshes.values():
                mesh.set_light(light)
            self._stale["after"] = True

    def set_head(self, head: HeadTurn, /, *, late: bool = True) -> None:
        """Take how the head turns while panels are lit, and whether they are drawn with late rotation.

        The eye keeps still in the world. Nothing is done for what stays.
        """
        if (head, late) != self._head:
            for mesh in self.meshes.values():
                mesh.set_head(head, late=late)
            self._head = (head, late)
            self._stale["after"] = True

    def draw_panels(self) -> None:
        """Draw the pre-warped panels, if anything about them changed."""
        if self._stale["after"]:
            for name, panel in self.panels.items():
                panel.draw(self.meshes[name].shown.textures, self.sampler)
            self._stale["after"] = False

    def draw_before(self) -> None:
        """Draw the panels as they would be without a pre-warp and without a blend, if the content changed."""
        if self._stale["before"]:
            for name, panel in self._before.items():
                panel.draw(self._unwarped[name].textures, self.sampler)
            self._stale["before"] = False

    def forget(self) -> None:
        """Make meshes and panels anew from now on, after shaders were reloaded."""
        for mesh in self.meshes.values():
            mesh.forget()
        self.spoil()

    def spoil(self) -> None:
        """Draw all panels anew when they are next asked for."""
        self._stale = dict.fromkeys(self._stale, True)

    def textures(self, *, before: bool = False) -> dict[str, "moderngl.Texture"]:
        """Return the panels' textures by channel."""
        return {name: panel.texture for name, panel in (self._before if before else self.panels).items()}
