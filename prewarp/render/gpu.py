"""What every OpenGL pass needs: a context, programs from shader pieces, targets, textures. No optics.

Nothing here allocates while drawing: programs remember the uniforms that they were given and send only those
that change, and textures are bound by name. moderngl is imported when a context is opened, so that this
module can be imported without it.
"""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from prewarp.checks import nearest_name
from prewarp.errors import RenderError, ShaderError
from prewarp.glsl import ShaderText, compose

if TYPE_CHECKING:
    import moderngl

# OpenGL's names for what moderngl does not wrap (OpenGL 3.3 core specification).
SRGB8_ALPHA8 = 0x8C43
FRAMEBUFFER_SRGB = 0x8DB9
# What a target may store: bytes, halves, floats; "srgb": bytes of sRGB, light to whoever draws or samples.
STORAGE = ("f1", "f2", "f4", "srgb")
_COMPUTE_VERSION = 430


@contextmanager
def open_context() -> Iterator["moderngl.Context"]:
    """Yield an OpenGL context without a window (EGL), 4.3 where there is one, else 3.3; released at the end.

    Raises
    ------
    RenderError
        moderngl, EGL or a driver is missing; says what to install. The reference renderer needs none of them.
    """
    context, failure = None, None
    for version in (_COMPUTE_VERSION, 330):
        try:
            import moderngl

            # The stub takes settings of the window system for mappings; they are keywords.
            context = moderngl.create_context(standalone=True, require=version, backend="egl")  # type: ignore[arg-type]
            break
        # moderngl reports a missing library, driver or version by different kinds of error.
        except Exception as cause:  # noqa: BLE001
            failure = cause
    if context is None:
        raise RenderError(
            f"no OpenGL 3.3 through EGL ({failure}). Install moderngl and EGL (on Debian: libegl1 and "
            "libgl1-mesa-dri), or use the CPU renderer."
        ) from failure
    context.gc_mode = "context_gc"
    try:
        yield context
    finally:
        context.gc()
        context.release()


def has_compute(context: "moderngl.Context", /) -> bool:
    """Return True where compute shaders run (OpenGL 4.3)."""
    return context.version_code >= _COMPUTE_VERSION


class Program:
    """Shaders composed from pieces, whose uniforms are set by name.

    Parameters
    ----------
    context : moderngl.Context
        Where to draw.
    name : str
        The fragment stage, or a compute stage (`.comp`), or a vertex stage (`.vert`) to be captured.
    options : mapping, optional
        Options of that stage.
    vertex : str
        The vertex stage; the default draws one triangle over the whole target.
    vertex_options : mapping, optional
        Options of the vertex stage.
    indices : moderngl.Buffer, optional
        Triangles as 32-bit indices; the vertex stage finds its node by `gl_VertexID`.
    captured : sequence of str
        Outputs of a vertex stage that `capture` writes, vertex by vertex.

    Raises
    ------
    ShaderError
        A piece is missing or does not compile; the driver's message names file and line of the piece.
    """

    def __init__(
        self,
        context: "moderngl.Context",
        name: str,
        /,
        options: Mapping[str, int | float] | None = None,
        *,
        vertex: str = "picture.vert",
        vertex_options: Mapping[str, int | float] | None = None,
        indices: "moderngl.Buffer | None" = None,
        captured: Sequence[str] = (),
    ) -> None:
        self.name = name
        self.context = context
        self._captured = tuple(captured)
        self._stages = {name: dict(options or {})}
        if not name.endswith((".comp", ".vert")):
            self._stages[vertex] = dict(vertex_options or {})
        self._indices = indices
        self._values: dict[str, Any] = {}
        self._program, self._array = self._built()
        self._known = frozenset(self._program)

    def reload(self) -> None:
        """Compose and compile again from the files; on any `ShaderError` what runs stays as it is."""
        self._program, self._array = self._built()
        kept, self._values = self._values, {}
        # Uniforms that the shader had when it was made may have gone in the edit; they are remembered until
        # they come back.
        for name, value in kept.items():
            self.set(name, value)

    def has(self, name: str) -> bool:
        """Return True where the program uses a uniform (compilers remove those without effect)."""
        return name in self._program

    def set(self, name: str, value: Any) -> None:
        """Set a uniform; one that the program never had is an error. A value it has already is not sent."""
        if name in self._values and self._values[name] == value:
            return
        if name in self._program:
            self._program[name].value = value
        elif name not in self._known:
            raise ShaderError(f"{self.name}: no uniform '{name}'.{nearest_name(name, self._known)}")
        self._values[name] = value

    def bind(
        self,
        textures: Mapping[str, "moderngl.Texture"],
        *,
        sampler: "moderngl.Sampler | None" = None,
        first_unit: int = 0,
    ) -> None:
        """Bind textures by name; `sampler` filters those named `..._linear` (pictures of light)."""
        for unit, (name, texture) in enumerate(textures.items(), start=first_unit):
            texture.use(unit)
            if sampler is not None and name.endswith("_linear"):
                sampler.use(unit)
            self.set(name, unit)

    def render(
        self, textures: Mapping[str, "moderngl.Texture"], *, sampler: "moderngl.Sampler | None" = None
    ) -> None:
        """Draw into the framebuffer in use."""
        self.bind(textures, sampler=sampler)
        if self._indices is None:
            self._array.render(vertices=3)
        else:
            self._array.render()
        if sampler is not None:
            self.context.clear_samplers(0, len(textures))

    def run(self, groups: tuple[int, int]) -> None:
        """Run a compute stage in so many work groups."""
        self._program.run(*groups)

    def capture(
        self, buffer: "moderngl.Buffer", textures: Mapping[str, "moderngl.Texture"], count: int
    ) -> None:
        """Write the captured outputs of so many vertices into a buffer; no pixel is drawn."""
        self.bind(textures)
        self._array.transform(buffer, self.context.POINTS, vertices=count)

    def _built(self) -> tuple[Any, Any]:
        texts = {name: self._composed(name, options) for name, options in self._stages.items()}
        fragment, *rest = texts.values()
        try:
            if self._captured:
                program = self.context.program(vertex_shader=fragment.text, varyings=self._captured)
                return program, self.context.vertex_array(program, [])
            if not rest:
                return self.context.compute_shader(fragment.text), None
            program = self.context.program(vertex_shader=rest[0].text, fragment_shader=fragment.text)
        except Exception as cause:
            message = str(cause)
            text = rest[0] if rest and "vertex_shader" in message else fragment
            raise ShaderError(f"{self.name}: {text.explain(message).strip()}", piece=self.name) from cause
        return program, self.context.vertex_array(program, [], index_buffer=self._indices)

    def _composed(self, name: str, options: Mapping[str, int | float]) -> ShaderText:
        return compose(name, options=options, dialect="430" if name.endswith(".comp") else "330")


class Target:
    """A texture that is drawn into, or `count` of them; `storage` is one of `STORAGE`."""

    def __init__(
        self, context: "moderngl.Context", size_px: tuple[int, int], storage: str, /, *, count: int = 1
    ) -> None:
        self._context = context
        self._storage = storage
        self.size_px = size_px
        self.textures = tuple(make_texture(context, size_px, storage) for _ in range(count))
        self.frame = context.framebuffer(color_attachments=self.textures)

    @property
    def texture(self) -> "moderngl.Texture":
        """The first texture; stays the same object."""
        return self.textures[0]

    def clear(self, value: float = 0.0) -> None:
        """Fill all components with one value."""
        self.frame.clear(value, value, value, value)

    def draw(
        self,
        program: Program,
        textures: Mapping[str, "moderngl.Texture"],
        *,
        add: bool = False,
        sampler: "moderngl.Sampler | None" = None,
    ) -> None:
        """Draw into the target; `add` adds light to what is there."""
        self.frame.use()
        if add:
            self._context.enable(self._context.BLEND)
            self._context.blend_func = self._context.ONE, self._context.ONE
        try:
            program.render(textures, sampler=sampler)
        finally:
            if add:
                self._context.disable(self._context.BLEND)

    def read(self, *, components: int = 3, attachment: int = 0) -> np.ndarray:
        """Return what is stored, (height, width, components); bytes, or floats for halves and floats."""
        width, height = self.size_px
        in_bytes = self._storage in ("f1", "srgb")
        kind = "f1" if in_bytes else "f4"
        data = self.frame.read(components=components, alignment=1, dtype=kind, attachment=attachment)
        dtype = np.uint8 if in_bytes else np.float32
        return np.frombuffer(data, dtype=dtype).reshape(height, width, components).copy()


def make_texture(
    context: "moderngl.Context", size_px: tuple[int, int], storage: str, /, *, components: int = 4
) -> "moderngl.Texture":
    """Return an empty texture of a kind in `STORAGE`, read texel by texel unless a sampler says otherwise.

    Raises
    ------
    RenderError
        The driver takes no texture that large.
    """
    require_texture_size(context, size_px)
    form = {"dtype": "f1", "internal_format": SRGB8_ALPHA8} if storage == "srgb" else {"dtype": storage}
    texture = context.texture(size_px, components, alignment=1, **form)
    # Texels are fetched one by one where places must be exact: filters of GPUs carry few bits.
    texture.filter = (context.NEAREST, context.NEAREST)
    return texture


def row_texture(context: "moderngl.Context", values: NDArray[np.floating], /) -> "moderngl.Texture":
    """Return a texture one texel high, for lookups by whole number."""
    require_texture_size(context, (len(values), 1))
    texture = context.texture((len(values), 1), 1, np.asarray(values, dtype=np.float32).tobytes(), dtype="f4")
    texture.filter = (context.NEAREST, context.NEAREST)
    return texture


def light_sampler(context: "moderngl.Context", /) -> "moderngl.Sampler":
    """Return a sampler for pictures of light: the driver's bilinear filter, black beyond the picture."""
    sampler = context.sampler()
    sampler.filter = (context.LINEAR, context.LINEAR)
    sampler.border_color = (0.0, 0.0, 0.0, 0.0)
    return sampler


def require_texture_size(context: "moderngl.Context", size_px: tuple[int, int], /) -> None:
    """Raise when the driver takes no texture of this size."""
    largest = context.info["GL_MAX_TEXTURE_SIZE"]
    if max(size_px) > largest:
        raise RenderError(
            f"a texture of {size_px[0]} x {size_px[1]} px is needed; this driver takes at most {largest}."
        )
