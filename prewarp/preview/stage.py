"""One frame on the GPU: what the state asks for, drawn into a target of the window's size.

The window shows that target, a film reads it; so a screenshot and an offscreen picture are the same.
"""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from prewarp.checks import FloatArray
from prewarp.content import PROJECTIONS
from prewarp.errors import RenderError
from prewarp.preview.exported import ExportedPanels, device_build
from prewarp.preview.legend import tint
from prewarp.preview.state import GHOSTS, State
from prewarp.preview.subject import Subject
from prewarp.preview.views import FINE, Box, centre_of_seam, outlook_of, regions_of, shrink_for
from prewarp.render.drawing import is_software
from prewarp.render.gpu import FRAMEBUFFER_SRGB, Program, Target, has_compute, make_texture
from prewarp.render.live.compute import MOST_CHANNELS, ComputePanel, ComputeView
from prewarp.render.live.eye import LiveEye
from prewarp.render.live.outlook import Outlook
from prewarp.render.live.panel import LivePanel, PanelKind, Reloadable

if TYPE_CHECKING:
    import moderngl

# Below every tangent: where the seam error's first pass starts.
_LOWEST = -1.0e4
DIMMED = 0.35
PATHS = ("mesh", "compute", "exported")
# Those that `faster_path` chooses from.
_TRIED = ("mesh", "compute")
_TRIAL_FRAMES = 8
# Nodes along a side of a mesh above which a coarse frame does with half as many.
_MANY_NODES = 100


@dataclass(frozen=True)
class Page:
    """A picture over a frame: sRGB and alpha (height, width, 4), its top-left corner at (left, top), px."""

    pixels: NDArray[np.uint8]
    left: int
    top: int


class Stage:
    """Draws frames of one subject into `frame`.

    Parameters
    ----------
    context : moderngl.Context
        Where to draw.
    subject : Subject
        What is looked at.
    size_px : (int, int)
        Width and height of the frame.
    picture_of : callable
        Scene name and size to the picture (height, width, 3), sRGB; "quay_by_day" is the world behind.
    finesse : float
        See `shrink_for`.
    path : str
        Of `PATHS`. "mesh": triangles, on any OpenGL 3.3. "compute": compute stages where nothing but light is
        asked for, OpenGL 4.3. "exported": panels by the shaders that `prewarp export` writes for desktops, in
        every pixel of theirs.

    Raises
    ------
    RenderError
        The path is unknown.
    """

    def __init__(
        self,
        context: "moderngl.Context",
        subject: Subject,
        size_px: tuple[int, int],
        /,
        *,
        picture_of: Callable[[str, tuple[int, int]], NDArray[np.uint8]],
        finesse: float = FINE,
        path: str = "mesh",
    ) -> None:
        if path not in PATHS:
            raise RenderError(f"path is '{path}'; expected one of {', '.join(PATHS)}.")
        self._finesse = finesse
        self._computed: ComputeView | None = None
        self.context = context
        self.subject = subject
        self._picture_of = picture_of
        self._centre = centre_of_seam(subject)
        # Where panels are drawn coarsely, half as many nodes each way follow the optics as well.
        tables = subject.tables
        thins = finesse < FINE and path != "exported"
        if thins and max(max(table.node_shape) for table in tables.values()) > _MANY_NODES:
            tables = {name: table.thinned() for name, table in tables.items()}
        self.eye = LiveEye(
            context,
            tables,
            subject.weights,
            subject.eye.content,
            transfers=subject.eye.transfers,
            bit_depths=subject.eye.bit_depths,
            panel_kind=_panel_kind(path, subject),
            whole_content=path == "exported",
            scans=subject.eye.scans,
            shrink=self._first_shrink(size_px),
        )
        self._show = Program(context, "show.frag")
        self._present = Program(context, "show.frag", {"PREWARP_ENCODED": 1})
        self._weights = self.eye.view.variant("weight_view.frag")
        self._spread = self.eye.view.variant(
            "seam_spread.frag", {"PREWARP_PROJECTION": PROJECTIONS.index(subject.eye.content.projection)}
        )
        self._error = Program(context, "seam_error.frag")
        middle = tuple(length / 2.0 for length in subject.eye.content.size_px)
        focal = subject.eye.content.focal_px
        for place, program in enumerate(self._spread.values()):
            program.set("u_channel", float(place))
            program.set("u_content_middle", middle)
            program.set("u_content_scale", (focal, -focal))
        for place, program in enumerate(self._weights.values()):
            program.set("u_tint_linear", tint(place))
        self._scene = ""
        self._world: moderngl.Texture | None = None
        self._pages: dict[str, tuple[Page, moderngl.Texture]] = {}
        self._spread_target: Target | None = None
        self.frame = Target(context, size_px, "srgb")

    def _first_shrink(self, size_px: tuple[int, int]) -> int:
        """Return how small panels are most likely drawn: whole ones of large displays take gigabytes."""
        state = State()
        box = regions_of(state.view, size_px, self.subject).view
        return shrink_for(
            self.subject, outlook_of(state, self.subject, box, self._centre), finesse=self._finesse
        )

    @property
    def programs(self) -> list[Reloadable]:
        """All programs, for reloading edited shaders."""
        return [
            *self.eye.programs,
            self._show,
            self._present,
            self._error,
            *self._weights.values(),
            *self._spread.values(),
            *(self._computed.programs if self._computed is not None else ()),
        ]

    def reload(self) -> None:
        """Compile all shaders again; on a `ShaderError` every program that cannot be made stays as it is."""
        for program in self.programs:
            program.reload()
        self.eye.forget()

    def resize(self, size_px: tuple[int, int], /) -> None:
        """Draw frames of another size from now on."""
        if size_px != self.frame.size_px:
            self.frame = Target(self.context, size_px, "srgb")
            self._spread_target = None
            self.context.gc()

    def set_page(self, name: str, page: Page | None, /) -> None:
        """Lay a page over the frames, replace it, or take it away; the same page again is not uploaded."""
        if page is None:
            self._pages.pop(name, None)
            return
        old = self._pages.get(name)
        if old is not None and old[0] is page:
            return
        height, width = page.pixels.shape[:2]
        texture = (
            old[1]
            if old is not None and old[1].size == (width, height)
            else make_texture(self.context, (width, height), "srgb")
        )
        texture.write(np.ascontiguousarray(page.pixels))
        self._pages[name] = (page, texture)

    def draw(self, state: State, pupil_mm: FloatArray, tracked_mm: FloatArray, /) -> None:
        """Draw one frame into `frame`."""
        size = self.frame.size_px
        boxes = regions_of(state.view, size, self.subject)
        outlook = outlook_of(state, self.subject, boxes.view, self._centre)
        self._use_content(state, outlook)
        self.eye.set_light(state.light)
        self.eye.set_head(self.subject.eye.head_turn(state.head), late=state.late)
        self.eye.set_eye(pupil_mm, tracked_mm)
        self.frame.frame.viewport = self.frame.frame.scissor = (0, 0, *size)
        self.frame.clear()
        if state.view != "blend weight":
            self.eye.draw_panels()
        if state.wipe is not None:
            self.eye.draw_before()
        if boxes.view is not None:
            self._draw_view(state, outlook, boxes.view)
        for box, name in zip(boxes.panels, self.subject.eye.channels, strict=False):
            self._draw_panel(box, name, state.wipe)
        for page, texture in self._pages.values():
            self._draw_page(page, texture)

    def present(self, screen: "moderngl.Framebuffer", /) -> None:
        """Show the frame in a window's framebuffer, whose row 0 is the bottom row."""
        width, height = self.frame.size_px
        self.context.disable_direct(FRAMEBUFFER_SRGB)
        screen.use()
        screen.viewport = (0, 0, width, height)
        self._put(self._present, self.frame.texture, (0.0, 1.0), (1.0 / width, -1.0 / height), 1.0)
        self.context.enable_direct(FRAMEBUFFER_SRGB)

    def read(self) -> NDArray[np.uint8]:
        """Return the frame drawn last, (height, width, 3) 8-bit sRGB; row 0 is the top."""
        return self.frame.read()

    def _use_content(self, state: State, outlook: Outlook) -> None:
        shrink = shrink_for(self.subject, outlook, finesse=self._finesse)
        if self.eye.resize_panels(shrink) or state.scene != self._scene:
            self.eye.set_content(self._picture_of(state.scene, self.subject.eye.content.size_px))
            self._scene = state.scene

    def _draw_view(self, state: State, outlook: Outlook, box: Box) -> None:
        if state.view == "blend weight":
            with self._part(box):
                self._draw_weights(outlook)
            return
        if state.wipe is None:
            with self._part(box):
                self._draw_perceived(state, outlook, before=False)
        else:
            edge = round(state.wipe * box.width)
            with self._part(box, Box(box.left, box.top, edge, box.height)):
                self._draw_perceived(state, outlook, before=True)
            with self._part(box, Box(box.left + edge, box.top, box.width - edge, box.height)):
                self._draw_perceived(state, outlook, before=False)
        if state.view == "seam error":
            self._draw_seam_error(outlook, box, state.error_end_arcmin)

    def _draw_perceived(self, state: State, outlook: Outlook, *, before: bool) -> None:
        dimmed = state.view == "seam error"
        if state.transmittance > 0.0 and not dimmed:
            self._draw_world(state.transmittance, outlook)
        textures = self.eye.textures(before=before)
        ghost = GHOSTS[state.ghost][1]
        if ghost.strength > 0.0 and not dimmed:
            self.eye.view.add(self.frame, textures, outlook, self.eye.sampler, ghost=ghost)
        self.eye.view.add(self.frame, textures, outlook, self.eye.sampler, gain=DIMMED if dimmed else 1.0)

    def _draw_world(self, transmittance: float, outlook: Outlook) -> None:
        content = self.subject.eye.content
        per_px = np.array([1.0, 1.0]) * content.focal_px / outlook.scale_px / np.array(content.size_px)
        corner = self.frame.frame.viewport[:2]
        first = 0.5 - (np.array(outlook.middle_px) + corner) * per_px
        self._put(
            self._show, self._world_texture(), tuple(first.tolist()), tuple(per_px.tolist()), transmittance
        )

    def _world_texture(self) -> "moderngl.Texture":
        if self._world is None:
            width, height = self.subject.eye.content.size_px
            factor = min(1.0, 2048.0 / max(width, height))
            size = (max(int(width * factor), 16), max(int(height * factor), 16))
            self._world = make_texture(self.context, size, "srgb")
            opaque = np.full((size[1], size[0], 4), 255, dtype=np.uint8)
            opaque[..., :3] = self._picture_of("quay_by_day", size)
            self._world.write(opaque)
        return self._world

    def _draw_weights(self, outlook: Outlook) -> None:
        self.eye.view.add_values(self.frame, self._weights, outlook)

    def _draw_seam_error(self, outlook: Outlook, box: Box, end_arcmin: float) -> None:
        self._error.set("u_full_arcmin", end_arcmin)
        size = self.frame.size_px
        if self._spread_target is None:
            self._spread_target = Target(self.context, size, "f4", count=2)
        target = self._spread_target
        target.frame.viewport = (box.left, box.top, box.width, box.height)
        target.clear(_LOWEST)
        # The stub knows only the setting of one equation each for colour and alpha.
        self.context.blend_equation = self.context.MAX  # type: ignore[assignment]
        try:
            self.eye.view.add_values(target, self._spread, outlook)
        finally:
            self.context.blend_equation = self.context.FUNC_ADD  # type: ignore[assignment]
        with self._part(box), self._over():
            self._error.render(dict(zip(("t_spread", "t_channels"), target.textures, strict=True)))

    def _draw_panel(self, box: Box, name: str, wipe: float | None) -> None:
        per_px = (1.0 / box.width, 1.0 / box.height)
        first = (-box.left * per_px[0], -box.top * per_px[1])
        edge = box.width if wipe is None else box.width - round(wipe * box.width)
        with self._part(box, Box(box.left + box.width - edge, box.top, edge, box.height)):
            self._put(self._show, self.eye.textures()[name], first, per_px, 1.0)
        if wipe is not None:
            with self._part(box, Box(box.left, box.top, box.width - edge, box.height)):
                self._put(self._show, self.eye.textures(before=True)[name], first, per_px, 1.0)

    def _draw_page(self, page: Page, texture: "moderngl.Texture") -> None:
        width, height = texture.size
        box = Box(page.left, page.top, width, height)
        with self._part(box), self._over():
            first = (-page.left / width, -page.top / height)
            self._put(self._show, texture, first, (1.0 / width, 1.0 / height), 1.0)

    def _put(
        self,
        program: Program,
        texture: "moderngl.Texture",
        first: Sequence[float],
        per_px: Sequence[float],
        gain: float,
    ) -> None:
        program.set("u_first", tuple(first))
        program.set("u_per_px", tuple(per_px))
        program.set("u_gain", gain)
        program.render({"t_picture_linear": texture}, sampler=self.eye.sampler)

    @contextmanager
    def _part(self, box: Box, cut: Box | None = None) -> Iterator[None]:
        """Draw into a part of the frame: coordinates run over `box`, pixels outside `cut` stay."""
        frame = self.frame.frame
        cut = cut or box
        frame.viewport = (box.left, box.top, box.width, box.height)
        frame.scissor = (cut.left, cut.top, cut.width, cut.height)
        frame.use()
        try:
            yield
        finally:
            frame.viewport = frame.scissor = (0, 0, *self.frame.size_px)

    @contextmanager
    def _over(self) -> Iterator[None]:
        """Blend over what is there by alpha."""
        context = self.context
        context.enable(context.BLEND)
        context.blend_func = context.SRC_ALPHA, context.ONE_MINUS_SRC_ALPHA
        try:
            yield
        finally:
            context.disable(context.BLEND)


def _panel_kind(path: str, subject: Subject) -> Callable[..., PanelKind]:
    if path == "exported":
        return ExportedPanels(device_build(subject))
    return ComputePanel if path == "compute" else LivePanel


def faster_path(
    context: "moderngl.Context",
    subject: Subject,
    size_px: tuple[int, int],
    picture_of: Callable[[str, tuple[int, int]], NDArray[np.uint8]],
    /,
) -> str:
    """Return which of "mesh" and "compute" is faster here by the GPU's clock; "mesh" where it has none."""
    if not has_compute(context) or is_software(context.info["GL_RENDERER"]):
        return "mesh"
    if len(subject.eye.channels) > MOST_CHANNELS:
        return "mesh"
    times = {}
    for path in _TRIED:
        stage = Stage(context, subject, size_px, picture_of=picture_of, path=path)
        stage.draw(State(), np.zeros(3), np.zeros(3))
        query = context.query(time=True)
        with query:
            for number in range(1, _TRIAL_FRAMES + 1):
                pupil = np.array([0.05 * number, 0.0, 0.0])
                stage.draw(State(), pupil, pupil)
        times[path] = query.elapsed
        del stage
        context.gc()
    return min(_TRIED, key=times.__getitem__)
