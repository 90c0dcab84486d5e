"""The same two passes on a GPU, through OpenGL 3.3; held to `cpu.py`.

Every texture and target is made once; a new pupil position writes new coefficients into textures that exist. Row 0 of
every texture is the top row of its picture, and targets are drawn the same way, so nothing is turned upside down.
moderngl is imported when a context is opened, so that this module can be imported without it.
"""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from prewarp.checks import nearest_name
from prewarp.encoding import TransferFunction, largest_code, linear_from_srgb
from prewarp.errors import RenderError, ShaderError
from prewarp.glsl import compose
from prewarp.lattice import SplineLattice
from prewarp.mesh import PanelMesh
from prewarp.render.pictures import PanelPicture

if TYPE_CHECKING:
    import moderngl

_ENCODINGS = {"srgb": 0, "power": 1, "table": 2}
# Entries of the table of encoded values over the square root of light, for measured panels.
_ENCODING_ENTRIES = 4096
_MESHES = ("t_mesh_red", "t_mesh_green", "t_mesh_blue")


@contextmanager
def open_context() -> Iterator["moderngl.Context"]:
    """Yield an OpenGL 3.3 context without a window (EGL); all that was made in it is released at the end.

    Raises
    ------
    RenderError
        moderngl, EGL or a driver is missing; says what to install. The reference renderer needs none of them.
    """
    try:
        import moderngl

        context = moderngl.create_context(standalone=True, require=330, backend="egl")
    # moderngl reports a missing library, driver or version by different kinds of error.
    except Exception as cause:
        raise RenderError(
            f"no OpenGL 3.3 through EGL ({cause}). Install moderngl and EGL (on Debian: libegl1 and "
            "libgl1-mesa-dri), or use the CPU renderer."
        ) from cause
    context.gc_mode = "context_gc"
    try:
        yield context
    finally:
        context.gc()
        context.release()


class PanelPass:
    """Draws the panel of one channel, again and again, for content and pupils that change.

    Parameters
    ----------
    context : moderngl.Context
        Where to draw.
    panel_size_px, content_size_px : (int, int)
        Width and height, px.
    transfer, bit_depth
        How the panel turns codes into light.
    """

    def __init__(
        self,
        context: "moderngl.Context",
        /,
        *,
        panel_size_px: tuple[int, int],
        content_size_px: tuple[int, int],
        transfer: TransferFunction | None = None,
        bit_depth: int = 8,
    ) -> None:
        self.size_px = panel_size_px
        self.transfer = transfer or TransferFunction()
        self.bit_depth = bit_depth
        self._program = _Program(context, "panel_pass.frag", {"PW_ENCODING": _ENCODINGS[self.transfer.kind]})
        self._content = _texture(context, content_size_px, "f4")
        self._meshes = _MeshTextures(context)
        self._target = _Target(context, panel_size_px, "f1" if bit_depth <= 8 else "f4")
        self._program.set("u_largest_code", float(largest_code(bit_depth)))
        self._encoding = None
        if self.transfer.kind == "power":
            self._program.set("u_gamma", self.transfer.gamma)
        elif self.transfer.kind == "table":
            light = np.linspace(0.0, 1.0, _ENCODING_ENTRIES) ** 2
            self._encoding = _row_texture(context, self.transfer.encoded_from_linear(light))

    @property
    def texture(self) -> "moderngl.Texture":
        """The panel picture, encoded, 0 to 1; stays the same object."""
        return self._target.texture

    def set_content(self, image: NDArray[np.uint8], /) -> None:
        """Decode and upload an sRGB content picture (height, width, 3)."""
        width, height = self._content.size
        if image.shape != (height, width, 3):
            raise RenderError(f"content picture has shape {image.shape}; expected {(height, width, 3)}.")
        light = np.ones((height, width, 4), dtype=np.float32)
        light[..., :3] = linear_from_srgb(np.arange(256) / 255.0).astype(np.float32).take(image)
        self._content.write(light)

    def set_meshes(self, meshes: Sequence[PanelMesh], /) -> None:
        """Take the pre-warp maps of red, green and blue for the present tracked pupil."""
        splines = [mesh.spline() for mesh in meshes]
        self._meshes.write(splines)
        self._program.set("u_nodes_per_px", tuple(1.0 / splines[0].step))

    def draw(self) -> None:
        """Draw the panel picture into `texture`."""
        textures = {**self._meshes.named(), "t_content_linear": self._content}
        if self._encoding is not None:
            textures["t_encoding"] = self._encoding
        self._target.draw(self._program, textures)

    def read(self) -> PanelPicture:
        """Return the panel picture drawn last."""
        value = self._target.read()
        if self.bit_depth <= 8:
            # The 8-bit target holds code / largest scaled to 255; for 8 bits that is the code.
            codes = np.rint(value * (largest_code(self.bit_depth) / 255.0)).astype(np.uint8)
        else:
            codes = np.rint(value * largest_code(self.bit_depth)).astype(np.uint16)
        return PanelPicture(codes, self.transfer, self.bit_depth)


class ViewPass:
    """Draws the perceived view of several panels, again and again.

    Parameters
    ----------
    context : moderngl.Context
        Where to draw.
    view_size_px : (int, int)
        Width and height of the view picture, px.
    panels : mapping
        Channel name to its `PanelPass`, whose texture is seen.
    """

    def __init__(
        self,
        context: "moderngl.Context",
        /,
        *,
        view_size_px: tuple[int, int],
        panels: Mapping[str, PanelPass],
    ) -> None:
        self.size_px = view_size_px
        self._panels = dict(panels)
        self._decode = _Program(context, "decode_pass.frag", {})
        self._view = _Program(context, "view_pass.frag", {})
        self._encode = _Program(context, "encode_view.frag", {})
        self._light = {
            name: _row_texture(context, panel.transfer.linear_of_codes(panel.bit_depth))
            for name, panel in self._panels.items()
        }
        self._linear = {name: _Target(context, panel.size_px, "f4") for name, panel in self._panels.items()}
        self._meshes = {name: _MeshTextures(context) for name in self._panels}
        self._steps: dict[str, tuple[float, float]] = {}
        self._sum = _Target(context, view_size_px, "f4")
        self._target = _Target(context, view_size_px, "f1")

    @property
    def texture(self) -> "moderngl.Texture":
        """The perceived view, 8-bit sRGB; stays the same object."""
        return self._target.texture

    def set_maps(self, maps: Mapping[str, Sequence[SplineLattice]], /) -> None:
        """Take the maps from view px to panel px (`prewarp.mesh.view_mesh`), three for each channel."""
        for name, splines in maps.items():
            self._meshes[name].write(splines)
            self._steps[name] = tuple(1.0 / splines[0].step)

    def draw(self) -> None:
        """Draw the view of the panels' present textures into `texture`; panels without maps are dark."""
        self._sum.clear()
        for name, step in self._steps.items():
            self._linear[name].draw(
                self._decode, {"t_panel_encoded": self._panels[name].texture, "t_light": self._light[name]}
            )
            self._view.set("u_nodes_per_px", step)
            textures = {**self._meshes[name].named(), "t_panel_linear": self._linear[name].texture}
            self._sum.draw(self._view, textures, add=True)
        self._target.draw(self._encode, {"t_view_linear": self._sum.texture})

    def read(self) -> NDArray[np.uint8]:
        """Return the view drawn last, (height, width, 3) 8-bit sRGB; row 0 is the top."""
        return self._target.read()

    def read_light(self) -> NDArray[np.float32]:
        """Return the linear light of the view drawn last, (height, width, 3)."""
        return self._sum.read()


class _Program:
    """A full-picture fragment program whose uniforms are set by name."""

    def __init__(self, context: "moderngl.Context", fragment: str, options: Mapping[str, int]) -> None:
        texts = {"vertex": compose("picture.vert"), "fragment": compose(fragment, options=options)}
        try:
            self._program = context.program(
                vertex_shader=texts["vertex"].text, fragment_shader=texts["fragment"].text
            )
        except Exception as cause:
            message = str(cause)
            stage = "vertex" if "vertex_shader" in message else "fragment"
            raise ShaderError(f"{fragment}: {texts[stage].explain(message).strip()}") from cause
        self.name = fragment
        self.context = context
        self._array = context.vertex_array(self._program, [])

    def set(self, name: str, value: Any) -> None:
        """Set a uniform; one that the program does not have is an error."""
        try:
            self._program[name].value = value
        except KeyError as cause:
            raise ShaderError(
                f"{self.name}: no uniform '{name}'.{nearest_name(name, list(self._program))}"
            ) from cause

    def render(self, textures: Mapping[str, "moderngl.Texture"]) -> None:
        for unit, (name, texture) in enumerate(textures.items()):
            texture.use(unit)
            self.set(name, unit)
        self._array.render(vertices=3)


class _Target:
    """A texture that is drawn into."""

    def __init__(self, context: "moderngl.Context", size_px: tuple[int, int], dtype: str) -> None:
        self._context = context
        self._dtype = np.uint8 if dtype == "f1" else np.float32
        self.texture = _texture(context, size_px, dtype)
        self._frame = context.framebuffer(color_attachments=[self.texture])

    def clear(self) -> None:
        self._frame.clear()

    def draw(
        self, program: _Program, textures: Mapping[str, "moderngl.Texture"], *, add: bool = False
    ) -> None:
        """Draw over the whole target; `add` adds to what is there."""
        self._frame.use()
        if add:
            self._context.enable(self._context.BLEND)
            self._context.blend_func = self._context.ONE, self._context.ONE
        try:
            program.render(textures)
        finally:
            self._context.disable(self._context.BLEND)

    def read(self) -> np.ndarray:
        """Return red, green, blue, (height, width, 3)."""
        width, height = self.texture.size
        kind = "f1" if self._dtype == np.uint8 else "f4"
        data = self._frame.read(components=3, alignment=1, dtype=kind)
        return np.frombuffer(data, dtype=self._dtype).reshape(height, width, 3).copy()


class _MeshTextures:
    """Coefficient textures of three maps, made at the first write and kept while the size stays."""

    def __init__(self, context: "moderngl.Context") -> None:
        self._context = context
        self._textures: list[moderngl.Texture] = []

    def write(self, splines: Sequence[SplineLattice]) -> None:
        for place, spline in enumerate(splines):
            rows, columns, count = spline.coefficients.shape
            table = np.zeros((rows, columns, 4), dtype=np.float32)
            table[..., :count] = spline.coefficients
            if place == len(self._textures):
                self._textures.append(_texture(self._context, (columns, rows), "f4"))
            elif self._textures[place].size != (columns, rows):
                raise RenderError(
                    f"mesh has {columns} x {rows} coefficients; this pass was begun with "
                    f"{self._textures[place].size[0]} x {self._textures[place].size[1]}. Keep the node step."
                )
            self._textures[place].write(table)

    def named(self) -> dict[str, "moderngl.Texture"]:
        if not self._textures:
            raise RenderError(
                "nothing can be drawn before meshes are set; call set_meshes or set_maps first."
            )
        return dict(zip(_MESHES, self._textures, strict=True))


def _texture(context: "moderngl.Context", size_px: tuple[int, int], dtype: str) -> "moderngl.Texture":
    largest = context.info["GL_MAX_TEXTURE_SIZE"]
    if max(size_px) > largest:
        raise RenderError(
            f"a texture of {size_px[0]} x {size_px[1]} px is needed; this driver takes at most {largest}."
        )
    texture = context.texture(size_px, 4, dtype=dtype, alignment=1)
    # Texels are fetched one by one; filters of GPUs carry few bits.
    texture.filter = (context.NEAREST, context.NEAREST)
    return texture


def _row_texture(context: "moderngl.Context", values: NDArray[np.floating]) -> "moderngl.Texture":
    """A texture one texel high, for lookups by whole number."""
    largest = context.info["GL_MAX_TEXTURE_SIZE"]
    if len(values) > largest:
        raise RenderError(f"a table of {len(values)} entries is needed; this driver takes at most {largest}.")
    texture = context.texture((len(values), 1), 1, np.asarray(values, dtype=np.float32).tobytes(), dtype="f4")
    texture.filter = (context.NEAREST, context.NEAREST)
    return texture
