"""Panels drawn by the shaders of devices: text as it is, nodes of the live mesh, codes decoded for the view.

The text comes from outside (`DeviceDrawing`) and is compiled without a change. What a device would take from
the evaluator or a file, the vertices of its mesh, is made on the GPU from the mesh for the tracked pupil;
nothing is uploaded when the eye moves.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from prewarp.content import PROJECTIONS, ContentProjection
from prewarp.encoding import TransferFunction
from prewarp.errors import RenderError, ShaderError
from prewarp.render.gpu import Program, Target, make_texture, row_texture
from prewarp.render.live.mesh import EyeMesh
from prewarp.render.live.panel import MOST_BITS, ContentTexture, Reloadable, shrunk_size

if TYPE_CHECKING:
    import moderngl

# Vertex inputs of the vertex-mesh path (`shaders/device_mesh.vert`) and how many floats each has.
INPUTS = {
    "panel_px": 2,
    "direction_red": 2,
    "direction_green": 2,
    "direction_blue": 2,
    "gain_red": 1,
    "gain_green": 1,
    "gain_blue": 1,
}
_CONTENT = "t_content_linear"


@dataclass(frozen=True, eq=False)
class DeviceDrawing:
    """What one channel of a device draws with, on the vertex-mesh path.

    Parameters
    ----------
    vertex, fragment : str
        Texts of the two stages, GLSL 330.
    textures : mapping
        Name of a sampler to its texels (rows, columns, components), float32; all but the content picture.
    triangles : (n, 3) integer array
        Nodes of each triangle, numbered row by row.
    """

    vertex: str
    fragment: str
    textures: Mapping[str, NDArray[np.float32]]
    triangles: NDArray[np.integer]


class DevicePanel:
    """The panel of one channel by a device's own shaders; face and arguments of `LivePanel`, and these.

    Parameters
    ----------
    content_projection : ContentProjection
        How the content picture lies on directions.
    drawing : callable
        Makes what is drawn with; asked again when shaders are reloaded.
    shares : callable, optional
        Texels (rows, columns, 4) of filtered textures over the content picture, by sampler, for a tracked
        pupil: what shaders form shares of light from.
    """

    def __init__(
        self,
        context: "moderngl.Context",
        mesh: EyeMesh,
        content: ContentTexture,
        /,
        *,
        content_projection: ContentProjection,
        drawing: Callable[[], DeviceDrawing],
        shares: Callable[[tuple[float, ...]], Mapping[str, NDArray[np.floating]]] | None = None,
        transfer: TransferFunction | None = None,
        bit_depth: int = 8,
        shrink: int = 1,
    ) -> None:
        transfer = transfer or TransferFunction()
        self._mesh, self._shares = mesh, shares
        self._shared_for: tuple[float, ...] | None = None
        rows, columns = mesh.table.node_shape
        self._count = rows * columns
        self._nodes = _node_program(context, mesh, content_projection)
        # Interleaved as `INPUTS` says; written on the GPU.
        self.vertices = context.buffer(reserve=4 * sum(INPUTS.values()) * self._count)
        self._device = _DeviceProgram(context, drawing, self.vertices)
        self._content = content.texture
        size = mesh.table.panel_size_px
        # Codes as the device stores them, whatever the view needs; halves hold no more than eight bits.
        self.codes = Target(context, size, "f1" if bit_depth <= 8 else "f4")
        seen = shrunk_size(size, shrink)
        self._seen = Target(context, seen, "f2")
        self._decode = Program(context, "decode_pass.frag", {"PREWARP_MEAN": shrink})
        if shrink > 1:
            self._decode.set("u_texels", tuple((np.array(size) / seen).tolist()))
        levels = transfer.linear_of_codes(min(bit_depth, MOST_BITS))
        self._decoded = {
            "t_panel_encoded": self.codes.texture,
            "t_light": row_texture(context, levels),
        }
        self._meshes: dict[str, moderngl.Texture] = {}

    @property
    def texture(self) -> "moderngl.Texture":
        """The panel as light; stays the same object."""
        return self._seen.texture

    @property
    def programs(self) -> tuple[Reloadable, ...]:
        """All programs, for reloading."""
        return (self._nodes, self._device, self._decode)

    @property
    def drawing(self) -> DeviceDrawing:
        """What is drawn with now."""
        return self._device.drawing

    def draw(self, shown: Sequence["moderngl.Texture"], sampler: "moderngl.Sampler", /) -> None:
        """Draw the panel for the tracked pupil, with gains in place of drives.

        Raises
        ------
        RenderError
            The mesh has no gains, or was not made yet.
        """
        if self._mesh.gained is None:
            raise RenderError("this mesh has no gains of its own; make it with with_gains=True.")
        names = ("t_mesh_red", "t_mesh_green", "t_mesh_blue")
        self._meshes |= zip(names, self._mesh.gained.textures, strict=True)
        if self._shares is not None and self._shared_for != self._mesh.tracked_mm:
            self._shared_for = self._mesh.tracked_mm
            self._device.share(self._shares(self._shared_for))
        # Capturing writes no pixel, yet needs a framebuffer in use.
        self.codes.frame.use()
        self._nodes.capture(self.vertices, self._meshes, self._count)
        self._device.render(self._content)
        self._seen.draw(self._decode, self._decoded)


class _DeviceProgram:
    """Two stages compiled from texts that are left as they are, with their textures."""

    def __init__(
        self,
        context: "moderngl.Context",
        drawing: Callable[[], DeviceDrawing],
        vertices: "moderngl.Buffer",
    ) -> None:
        self._context, self._make, self._vertices = context, drawing, vertices
        self._shares: dict[str, moderngl.Texture] = {}
        self.reload()

    def reload(self) -> None:
        """Ask for the texts again and compile them; on any `ShaderError` what runs stays as it is."""
        drawing = self._make()
        try:
            program = self._context.program(vertex_shader=drawing.vertex, fragment_shader=drawing.fragment)
        except Exception as cause:
            raise ShaderError(f"the device's shaders do not compile: {str(cause).strip()}") from cause
        textures: dict[str, moderngl.Texture] = {}
        for name, texels in drawing.textures.items():
            rows, columns, components = texels.shape
            textures[name] = make_texture(self._context, (columns, rows), "f4", components=components)
            textures[name].write(np.ascontiguousarray(texels, dtype=np.float32))
        # Compilers remove textures and inputs that have no effect.
        for unit, name in enumerate((_CONTENT, *textures)):
            if name in program:
                program[name] = unit
        names = [f"in_{name}" for name in INPUTS if f"in_{name}" in program]
        layout = " ".join(
            f"{count}f4" if f"in_{name}" in names else f"{count}x4" for name, count in INPUTS.items()
        )
        indices = self._context.buffer(np.ascontiguousarray(drawing.triangles, dtype="<i4").tobytes())
        self._array: Any = self._context.vertex_array(
            program, [(self._vertices, layout, *names)], index_buffer=indices
        )
        self.drawing, self._textures, self._program = drawing, tuple(textures.values()), program

    def share(self, shares: Mapping[str, NDArray[np.floating]]) -> None:
        """Take the texels that shares of light are formed from."""
        for name, texels in shares.items():
            rows, columns = texels.shape[:2]
            if name not in self._shares:
                texture = make_texture(self._context, (columns, rows), "f2")
                texture.filter = (self._context.LINEAR, self._context.LINEAR)
                texture.repeat_x = texture.repeat_y = False
                self._shares[name] = texture
            self._shares[name].write(np.ascontiguousarray(texels, dtype=np.float16))

    def render(self, content: "moderngl.Texture") -> None:
        """Draw into the framebuffer in use."""
        content.use(0)
        for unit, texture in enumerate(self._textures, start=1):
            texture.use(unit)
        for unit, (name, texture) in enumerate(self._shares.items(), start=len(self._textures) + 1):
            if name in self._program:
                self._program[name] = unit
                texture.use(unit)
        self._array.render()


def _node_program(context: "moderngl.Context", mesh: EyeMesh, content: ContentProjection) -> Program:
    program = Program(
        context,
        "node_vertices.vert",
        {"PREWARP_PROJECTION": PROJECTIONS.index(content.projection)},
        captured=[f"v_{name}" for name in INPUTS],
    )
    for name, value in mesh.places().items():
        if name != "u_panel_px":
            program.set(name, value)
    program.set("u_content_middle", (content.size_px[0] / 2.0, content.size_px[1] / 2.0))
    program.set("u_content_scale", (content.focal_px, -content.focal_px))
    return program
