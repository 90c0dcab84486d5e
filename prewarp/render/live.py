"""Panels and perceived view of one eye, drawn again and again while the eye moves: all on the GPU, over meshes.

Per pupil position one small pass per channel sums the mesh from its table (`eyemesh.py`, `shaders/eye_mesh.frag`); nothing is
uploaded. The panel pass then draws the mesh over the panel, the view pass draws the same mesh where its nodes are seen, and the
channels add up in linear light. Panels that store 8-bit sRGB are targets of that kind, so that the GPU encodes, rounds and
decodes in its own units; other panels are rounded to their codes in the shader and stored as light. What did not change is
not drawn again.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from prewarp.checks import FloatArray
from prewarp.content import PROJECTIONS, ContentProjection
from prewarp.encoding import TransferFunction, linear_from_srgb, srgb_from_linear
from prewarp.errors import RenderError
from prewarp.render.eyemesh import EyeTable, WeightMap, modes_of, plane_from_tangent
from prewarp.render.gpu import (
    FRAMEBUFFER_SRGB,
    Program,
    Target,
    has_compute,
    light_sampler,
    make_texture,
    row_texture,
)

if TYPE_CHECKING:
    import moderngl

ENCODINGS = {"srgb": 0, "power": 1, "table": 2}
ENCODING_ENTRIES = 4096
# More bits than this make no difference to a preview, and a table of their light would be larger than some drivers take.
MOST_BITS = 12
# What leaving modes out of a table may cost, panel px.
MODE_TOLERANCE_PX = 0.01


@dataclass(frozen=True)
class Outlook:
    """How a view picture lies on the plane of its projection: px = `middle_px` + plane * (`scale_px`, -`scale_px`).

    `size_px` width and height; `middle_px` where straight ahead is, px; `scale_px` px per unit of the plane.
    """

    size_px: tuple[int, int]
    middle_px: tuple[float, float]
    scale_px: float

    @staticmethod
    def whole(content: ContentProjection, size_px: tuple[int, int], /) -> "Outlook":
        """Return the view that shows all of a content picture, as large as `size_px` takes it."""
        factor = min(size / full for size, full in zip(size_px, content.size_px, strict=True))
        return Outlook(size_px, (size_px[0] / 2.0, size_px[1] / 2.0), content.focal_px * factor)


@dataclass(frozen=True)
class Ghost:
    """A weak second image: `strength` of the light, shifted by degrees, scaled about straight ahead, or flipped."""

    strength: float = 0.0
    shift_deg: tuple[float, float] = (2.0, 1.0)
    scale: float = 1.0
    flip_x: bool = False
    flip_y: bool = False

    def moved(self, outlook: Outlook, /) -> tuple[tuple[float, float], tuple[float, float]]:
        """Return middle and scale, px, of the ghost in a view."""
        factor = outlook.scale_px * self.scale
        degree = np.radians(1.0) * outlook.scale_px
        middle = (
            outlook.middle_px[0] + self.shift_deg[0] * degree,
            outlook.middle_px[1] - self.shift_deg[1] * degree,
        )
        return middle, (-factor if self.flip_x else factor, factor if self.flip_y else -factor)


class ContentTexture:
    """The content picture as light; `shrink` keeps every so-manieth pixel's mean, for panels drawn smaller."""

    def __init__(self, context: "moderngl.Context", size_px: tuple[int, int], /, *, shrink: int = 1) -> None:
        self.shrink = shrink
        self._content_px = size_px
        size = tuple(-(-length // shrink) for length in size_px)
        self.texture = make_texture(context, size, "srgb")
        # In content px: shrunk texels at the right and lower rim may reach beyond the picture.
        self.size_px = (size[0] * shrink, size[1] * shrink)

    def write(self, image: NDArray[np.uint8], /) -> None:
        """Upload an sRGB picture (height, width, 3); row 0 is the top."""
        width, height = self._content_px
        if image.shape != (height, width, 3):
            raise RenderError(f"content picture has shape {image.shape}; expected {(height, width, 3)}.")
        if self.shrink > 1:
            image = shrunk_picture(image, self.shrink)
        opaque = np.full((*image.shape[:2], 4), 255, dtype=np.uint8)
        opaque[..., :3] = image
        self.texture.write(opaque)


def shrunk_picture(image: NDArray[np.uint8], factor: int, /) -> NDArray[np.uint8]:
    """Return an sRGB picture `factor` times smaller each way: means of linear light, black beyond the rim."""
    light = linear_from_srgb(np.arange(256) / 255.0).astype(np.float32).take(image)
    height, width = (-(-length // factor) for length in image.shape[:2])
    padded = np.zeros((height * factor, width * factor, 3), dtype=np.float32)
    padded[: image.shape[0], : image.shape[1]] = light
    mean = padded.reshape(height, factor, width, factor, 3).mean(axis=(1, 3))
    return np.rint(srgb_from_linear(mean) * 255.0).astype(np.uint8)


class EyeMesh:
    """One channel's mesh on the GPU, for a tracked pupil (`shown`) and for the true pupil (`seen`)."""

    def __init__(
        self,
        context: "moderngl.Context",
        table: EyeTable,
        weights: WeightMap,
        content: ContentProjection,
        /,
        *,
        compute: bool | None = None,
    ) -> None:
        self.table = table
        self._context = context
        self._projection = content.projection
        rows, columns = table.node_shape
        self.indices = context.buffer(_triangles(rows, columns).tobytes())
        self.shown = Target(context, (columns, rows), "f4", count=3)
        self.seen = Target(context, (columns, rows), "f4", count=3)
        per_cosine = table.px_per_cosine
        modes = (
            modes_of(table.cosine, np.full(3, per_cosine), tolerance=MODE_TOLERANCE_PX),
            modes_of(
                np.concatenate([table.cosine[..., 1:2, :], table.seen_px], axis=-2),
                np.array([per_cosine, 1.0, 1.0]),
                tolerance=MODE_TOLERANCE_PX,
            ),
        )
        self._tables = tuple(_pattern_textures(context, each.pattern) for each in modes)
        self._weight = _float_texture(context, weights.weight)
        common = {
            "PW_PUPIL_DEGREE": table.degree,
            "PW_PROJECTION": PROJECTIONS.index(content.projection),
        }
        # Where there are compute shaders the few thousand nodes are spread over the whole GPU.
        self._computes = has_compute(context) if compute is None else compute
        stage = "eye_mesh.comp" if self._computes else "eye_mesh.frag"
        self._programs = tuple(
            Program(context, stage, {**common, "PW_SIDE": side, "PW_MODES": len(each.mix)})
            for side, each in enumerate(modes)
        )
        for program, each in zip(self._programs, modes, strict=True):
            program.set("u_half_mm", tuple(table.half_mm.tolist()))
            program.set("u_rows", rows)
            program.set("u_mix", each.mix.ravel().tolist())
        panel = self._programs[0]
        panel.set("u_content_middle", (content.size_px[0] / 2.0, content.size_px[1] / 2.0))
        panel.set("u_content_scale", (content.focal_px, -content.focal_px))
        panel.set("u_weight_origin", tuple(weights.origin.tolist()))
        panel.set("u_weight_per_unit", weights.per_unit)
        self._pupils: list[tuple[float, ...] | None] = [None, None]

    @property
    def programs(self) -> tuple[Program, ...]:
        """All programs, for reloading."""
        return self._programs

    def set_tracked(self, pupil_mm: ArrayLike, /) -> bool:
        """Make `shown` for a tracked pupil (3,), mm; False when it is that already."""
        return self._set(0, self.shown, pupil_mm)

    def set_pupil(self, pupil_mm: ArrayLike, /) -> bool:
        """Make `seen` for the true pupil (3,), mm; False when it is that already."""
        return self._set(1, self.seen, pupil_mm)

    def plane_at_centre(self) -> FloatArray:
        """Return where nodes are seen from the eye-box centre, (rows, columns, 2), plane coordinates."""
        return plane_from_tangent(self.table.tangents(np.zeros(3))[..., 1, :], self._projection)

    def forget(self) -> None:
        """Make both meshes anew when they are next asked for."""
        self._pupils = [None, None]

    def places(self) -> dict[str, tuple[float, float]]:
        """Return the uniforms that say where nodes lie on the panel."""
        return {
            "u_first_px": tuple(self.table.first_px.tolist()),
            "u_step_px": tuple(self.table.step_px.tolist()),
            "u_panel_px": tuple(float(length) for length in self.table.panel_size_px),
        }

    def _set(self, side: int, target: Target, pupil_mm: ArrayLike) -> bool:
        pupil = tuple(np.asarray(pupil_mm, dtype=float).reshape(3).tolist())
        if pupil == self._pupils[side]:
            return False
        program = self._programs[side]
        program.set("u_pupil_mm", pupil)
        pair, single = self._tables[side]
        textures = {"t_pair": pair, "t_single": single}
        if side == 0:
            textures["t_weight"] = self._weight
        if self._computes:
            program.bind(textures)
            for unit, texture in enumerate(target.textures):
                texture.bind_to_image(unit, read=False, write=True)
            columns, rows = target.size_px
            program.run((-(-columns // 8), -(-rows // 8)))
            self._context.memory_barrier()
        else:
            target.draw(program, textures)
        self._pupils[side] = pupil
        return True


class FixedMesh:
    """A mesh that does not follow the eye: content px (rows, columns, 3, 2) for the same nodes as a table's."""

    def __init__(self, context: "moderngl.Context", content_px: FloatArray, /) -> None:
        rows, columns = content_px.shape[:2]
        self.textures = tuple(make_texture(context, (columns, rows), "f4") for _ in range(3))
        for colour, texture in enumerate(self.textures):
            value = np.ones((rows, columns, 4), dtype=np.float32)
            value[..., :2] = content_px[..., colour, :]
            texture.write(value)


class PanelKind(Protocol):
    """A panel as light, drawn from mesh textures: `texture`, `program`, and this."""

    texture: "moderngl.Texture"
    program: Program

    def draw(self, shown: Sequence["moderngl.Texture"], sampler: "moderngl.Sampler", /) -> None:
        """Draw the panel from mesh textures (red, green, blue)."""


class LivePanel:
    """The panel of one channel, as light; `shrink` draws it that many times smaller each way."""

    def __init__(
        self,
        context: "moderngl.Context",
        mesh: EyeMesh,
        content: ContentTexture,
        /,
        *,
        transfer: TransferFunction | None = None,
        bit_depth: int = 8,
        shrink: int = 1,
    ) -> None:
        transfer = transfer or TransferFunction()
        bits = min(bit_depth, MOST_BITS)
        stores_srgb = transfer.kind == "srgb" and bits == 8
        self._content = content
        size = tuple(max(length // shrink, 1) for length in mesh.table.panel_size_px)
        self.target = Target(context, size, "srgb" if stores_srgb else "f2")
        self._textures = {"t_content_linear": content.texture}
        options = {} if stores_srgb else {"PW_ROUNDED": 1, "PW_ENCODING": ENCODINGS[transfer.kind]}
        self.program = Program(
            context, "panel_mesh.frag", options, vertex="panel_mesh.vert", indices=mesh.indices
        )
        for name, value in mesh.places().items():
            self.program.set(name, value)
        self.program.set("u_content_px", tuple(float(length) for length in content.size_px))
        self._tables: dict[str, moderngl.Texture] = {}
        if not stores_srgb:
            self._tables["t_light"] = row_texture(context, transfer.linear_of_codes(bits))
            if transfer.kind == "power":
                self.program.set("u_gamma", transfer.gamma)
            elif transfer.kind == "table":
                light = np.linspace(0.0, 1.0, ENCODING_ENTRIES) ** 2
                self._tables["t_encoding"] = row_texture(context, transfer.encoded_from_linear(light))

    @property
    def texture(self) -> "moderngl.Texture":
        """The panel as light to whoever samples it; stays the same object."""
        return self.target.texture

    def draw(self, shown: Sequence["moderngl.Texture"], sampler: "moderngl.Sampler", /) -> None:
        """Draw the panel from mesh textures (red, green, blue)."""
        textures = self._textures
        for name, texture in zip(("t_mesh_red", "t_mesh_green", "t_mesh_blue"), shown, strict=True):
            textures[name] = texture
        self.target.frame.use()
        self.program.bind(self._tables, first_unit=len(textures))
        self.program.render(textures, sampler=sampler)


class LiveView:
    """The perceived view: the light of every channel's panel, added up where its mesh is seen."""

    def __init__(self, context: "moderngl.Context", meshes: Mapping[str, EyeMesh], /) -> None:
        self._context = context
        self._meshes = dict(meshes)
        self.programs = self._made("view_mesh.frag", {}, {})
        self._textures: dict[str, dict[str, moderngl.Texture]] = {name: {} for name in self._meshes}

    def variant(self, fragment: str, options: Mapping[str, int] | None = None, /) -> dict[str, Program]:
        """Return programs that draw, over the same meshes, what nodes show instead of light (`add_values`)."""
        return self._made(fragment, options or {}, {"PW_NODE_VALUES": 1})

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
            textures = {"t_seen_where": mesh.seen.textures[0], "t_mesh_green": mesh.shown.textures[1]}
            target.draw(programs[name], textures, add=True)

    def _made(
        self, fragment: str, options: Mapping[str, int], vertex_options: Mapping[str, int]
    ) -> dict[str, Program]:
        programs = {}
        for name, mesh in self._meshes.items():
            program = Program(
                self._context,
                fragment,
                options,
                vertex="view_mesh.vert",
                vertex_options=vertex_options,
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
        `LivePanel`, or `prewarp.render.livecompute.ComputePanel`.
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
    ) -> None:
        context.enable_direct(FRAMEBUFFER_SRGB)
        self._panel_kind = panel_kind
        self.context = context
        self.content = content
        self.sampler = light_sampler(context)
        self.meshes = {
            name: EyeMesh(context, table, weights[name], content) for name, table in tables.items()
        }
        self._transfers = {name: (transfers or {}).get(name) or TransferFunction() for name in tables}
        self._bit_depths = {name: (bit_depths or {}).get(name, 8) for name in tables}
        self._unwarped = {
            name: FixedMesh(context, unwarped_content(table, content)) for name, table in tables.items()
        }
        self.view = LiveView(context, self.meshes)
        self._stale: dict[str, bool] = {}
        self._shrink = 0
        self.resize_panels(shrink)

    def resize_panels(self, shrink: int, /) -> bool:
        """Draw panels so many times smaller each way from now on; False when they are. Content must be set again."""
        if shrink == self._shrink:
            return False
        self._shrink = shrink
        self.picture = ContentTexture(self.context, self.content.size_px, shrink=shrink)
        self.panels, self._before = self._made_panels(self._panel_kind), self._made_panels(LivePanel)
        self._stale = {"after": True, "before": True}
        self.context.gc()
        return True

    def _made_panels(self, kind: Callable[..., "PanelKind"]) -> dict[str, "PanelKind"]:
        return {
            name: kind(
                self.context,
                mesh,
                self.picture,
                transfer=self._transfers[name],
                bit_depth=self._bit_depths[name],
                shrink=self._shrink,
            )
            for name, mesh in self.meshes.items()
        }

    @property
    def programs(self) -> list[Program]:
        """All programs, for reloading edited shaders."""
        return [
            *(program for mesh in self.meshes.values() for program in mesh.programs),
            *(panel.program for panels in (self.panels, self._before) for panel in panels.values()),
            *self.view.programs.values(),
        ]

    def set_content(self, image: NDArray[np.uint8], /) -> None:
        """Upload a content picture (height, width, 3), sRGB."""
        self.picture.write(image)
        self._stale = dict.fromkeys(self._stale, True)

    def set_eye(self, pupil_mm: ArrayLike, tracked_mm: ArrayLike, /) -> None:
        """Take where the pupil truly is and where the tracker says it is, (3,) mm; nothing is done for what stays."""
        for mesh in self.meshes.values():
            mesh.set_pupil(pupil_mm)
            self._stale["after"] |= mesh.set_tracked(tracked_mm)

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


def unwarped_content(table: EyeTable, content: ContentProjection, /) -> FloatArray:
    """Return content px (rows, columns, 3, 2) of each colour's best straight map, seen from the eye-box centre."""
    tangent = table.tangents(np.zeros(3))
    u, v = np.moveaxis(table.node_px / np.array(table.panel_size_px) - 0.5, -1, 0)
    basis = np.stack([np.ones_like(u), u, v], axis=-1)
    # The ring beyond the panel has no say.
    inner = (slice(1, -1), slice(1, -1))
    solution, *_ = np.linalg.lstsq(basis[inner].reshape(-1, 3), tangent[inner].reshape(-1, 6), rcond=None)
    return content.pixel_from_tangent((basis @ solution).reshape(tangent.shape))


def _triangles(rows: int, columns: int) -> NDArray[np.int32]:
    """Return two triangles for every cell, row by row, as indices (n,)."""
    node = np.arange(rows * columns, dtype=np.int32).reshape(rows, columns)
    a, b, c, d = node[:-1, :-1], node[:-1, 1:], node[1:, :-1], node[1:, 1:]
    return np.stack([a, b, c, c, b, d], axis=-1).ravel()


def _pattern_textures(
    context: "moderngl.Context", pattern: FloatArray
) -> tuple["moderngl.Texture", "moderngl.Texture"]:
    """Return textures of (modes, rows, columns, 3, 2): the first two vectors of a node together, the third alone."""
    modes, rows, columns = pattern.shape[:3]
    values = pattern.astype(np.float32).reshape(modes * rows, columns, 6)
    size = (columns, modes * rows)
    pair, single = make_texture(context, size, "f4"), make_texture(context, size, "f4", components=2)
    pair.write(np.ascontiguousarray(values[..., :4]))
    single.write(np.ascontiguousarray(values[..., 4:]))
    return pair, single


def _float_texture(context: "moderngl.Context", values: FloatArray) -> "moderngl.Texture":
    texture = make_texture(context, (values.shape[1], values.shape[0]), "f4", components=1)
    texture.write(np.ascontiguousarray(values, dtype=np.float32))
    return texture
