"""Panels and perceived view of one eye by compute shaders (OpenGL 4.3): the same meshes, no triangles.

On chips whose graphics units are few beside their compute units this is several times faster
(`tests/bench/bench_preview.py` measures both). The view needs the mesh the other way round: Newton's method
finds the panel point of every eighth view pixel on the mesh itself, so no inverse table has to be made.
Panels are stored as light, rounded to their codes.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from prewarp.encoding import TransferFunction
from prewarp.errors import RenderError
from prewarp.glsl import ENCODINGS
from prewarp.render.gpu import Program, make_texture
from prewarp.render.live.eye import LiveEye
from prewarp.render.live.mesh import EyeMesh
from prewarp.render.live.outlook import Outlook
from prewarp.render.live.panel import MOST_BITS, ContentTexture, rounding_tables, shrunk_size

if TYPE_CHECKING:
    import moderngl

# Distance of the view's nodes, px: as `shaders/view_mesh.comp` takes them.
PITCH_PX = 8
MOST_CHANNELS = 4
_TILE = 16


class ComputePanel:
    """The panel of one channel as light, by a compute stage; face and arguments of `LivePanel`."""

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
        self._size_px = shrunk_size(mesh.table.panel_size_px, shrink)
        self.texture = make_texture(context, self._size_px, "f2")
        step = np.array(self._size_px) / np.array(mesh.table.panel_size_px) * mesh.table.step_px
        nodes = int(np.ceil(_TILE / step.min())) + 2
        self.program = Program(
            context,
            "panel_mesh.comp",
            {"PREWARP_ENCODING": ENCODINGS[transfer.kind], "PREWARP_TILE_NODES": nodes},
        )
        self.program.set("u_step_px", tuple(step.tolist()))
        self.program.set("u_first_px", tuple((-step).tolist()))
        self.program.set("u_content_px", tuple(float(length) for length in content.size_px))
        self._textures = {
            "t_content_linear": content.texture,
            **rounding_tables(self.program, transfer, bits),
        }

    @property
    def programs(self) -> tuple[Program, ...]:
        """All programs, for reloading."""
        return (self.program,)

    def draw(self, shown: Sequence["moderngl.Texture"], sampler: "moderngl.Sampler", /) -> None:
        """Write the panel from mesh textures (red, green, blue)."""
        for name, texture in zip(("t_mesh_red", "t_mesh_green", "t_mesh_blue"), shown, strict=True):
            self._textures[name] = texture
        self.program.bind(self._textures, sampler=sampler)
        self.texture.bind_to_image(0, read=False, write=True)
        self.program.run(_groups(self._size_px, _TILE))
        self.program.context.clear_samplers(0, len(self._textures))
        self.program.context.memory_barrier()


class ComputeView:
    """The perceived view of a `LiveEye` by compute stages.

    Parameters
    ----------
    eye : LiveEye
        Meshes and panels.
    size_px : (int, int)
        Width and height of the view.
    as_light : bool
        Write linear light (halves), for drawing on; else sRGB bytes.

    Raises
    ------
    RenderError
        More channels than `MOST_CHANNELS`.
    """

    def __init__(self, eye: LiveEye, size_px: tuple[int, int], /, *, as_light: bool = False) -> None:
        if len(eye.meshes) > MOST_CHANNELS:
            raise RenderError(
                f"{len(eye.meshes)} channels; the compute path takes at most {MOST_CHANNELS}. "
                "Use the mesh path."
            )
        self._eye = eye
        context = eye.context
        self.size_px = size_px
        self.texture = make_texture(context, size_px, "f2" if as_light else "f1")
        nodes = (-(-size_px[0] // PITCH_PX) + 1, -(-size_px[1] // PITCH_PX) + 1)
        self._nodes = {
            name: tuple(make_texture(context, nodes, "f4") for _ in range(3 if eye.light_option else 2))
            for name in eye.meshes
        }
        self._inverse = {name: _inverse_program(context, mesh) for name, mesh in eye.meshes.items()}
        options = {"PREWARP_CHANNELS": len(eye.meshes), "PREWARP_AS_LIGHT": int(as_light), **eye.light_option}
        self._view = Program(context, "view_mesh.comp", options)
        self._textures: dict[str, moderngl.Texture] = {}
        for place, name in enumerate(eye.meshes):
            samplers = (f"t_red_green_{place}", f"t_blue_{place}", f"t_light_{place}")
            self._textures.update(zip(samplers, self._nodes[name], strict=False))

    @property
    def programs(self) -> list[Program]:
        """All programs, for reloading."""
        return [*self._inverse.values(), self._view]

    def find_nodes(self, outlook: Outlook, /) -> None:
        """Find what is seen at the view's nodes."""
        for name, mesh in self._eye.meshes.items():
            program = self._inverse[name]
            program.set("u_view_middle", outlook.middle_px)
            program.set("u_view_scale", (outlook.scale_px, -outlook.scale_px))
            where, red, blue = mesh.seen.textures
            program.bind({"t_seen_where": where, "t_seen_red": red, "t_seen_blue": blue})
            for unit, texture in enumerate(self._nodes[name]):
                texture.bind_to_image(unit, read=False, write=True)
            program.run(_groups(self._nodes[name][0].size, 8))
        self._eye.context.memory_barrier()

    def add_light(self) -> None:
        """Write the view into `texture`, from the nodes found last."""
        for place, texture in enumerate(self._eye.textures().values()):
            self._textures[f"t_panel_{place}_linear"] = texture
        self._view.bind(self._textures, sampler=self._eye.sampler)
        self.texture.bind_to_image(0, read=False, write=True)
        self._view.run(_groups(self.size_px, _TILE))
        self._eye.context.clear_samplers(0, len(self._textures))
        self._eye.context.memory_barrier()

    def draw(self, outlook: Outlook, /) -> None:
        """Write the view of the panels as they are."""
        self.find_nodes(outlook)
        self.add_light()

    def read(self) -> NDArray[np.uint8]:
        """Return the view of bytes, (height, width, 3) 8-bit sRGB; row 0 is the top."""
        width, height = self.size_px
        return np.frombuffer(self.texture.read(), dtype=np.uint8).reshape(height, width, 4)[..., :3].copy()


def _inverse_program(context: "moderngl.Context", mesh: EyeMesh) -> Program:
    program = Program(context, "view_nodes.comp", mesh.light_option)
    for name, value in mesh.places().items():
        program.set(name, value)
    program.set("u_pitch_px", float(PITCH_PX))
    # Newton's method starts from the best straight map from the plane to nodes, for a centred pupil.
    where = mesh.plane_at_centre()
    rows, columns = where.shape[:2]
    node = np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), axis=-1).reshape(-1, 2)
    basis = np.concatenate([np.ones((rows * columns, 1)), where.reshape(-1, 2)], axis=1)
    guess, *_ = np.linalg.lstsq(basis, node, rcond=None)
    for name, row in zip(("u_guess_0", "u_guess_x", "u_guess_y"), guess, strict=True):
        program.set(name, tuple(row.tolist()))
    return program


def _groups(size_px: tuple[int, int], tile: int) -> tuple[int, int]:
    return -(-size_px[0] // tile), -(-size_px[1] // tile)
