"""Content and panels as light on the GPU, over triangles.

Panels of 8-bit sRGB are stored as such; others are rounded to their codes in the shader.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import NDArray

from prewarp.encoding import TransferFunction, linear_from_srgb, srgb_from_linear
from prewarp.errors import RenderError
from prewarp.glsl import ENCODINGS
from prewarp.render.gpu import Program, Target, make_texture, row_texture
from prewarp.render.live.mesh import EyeMesh
from prewarp.render.panel_tables import encoding_tables

if TYPE_CHECKING:
    import moderngl

# More bits than this make no difference to a preview, and some drivers take no table that large.
MOST_BITS = 12
# Pixels of a picture made into light at a time.
_BAND_PX = 1 << 20


class ContentTexture:
    """The content picture as light; `shrink` keeps the mean of so many pixels each way."""

    def __init__(self, context: "moderngl.Context", size_px: tuple[int, int], /, *, shrink: int = 1) -> None:
        self.shrink = shrink
        self._content_px = size_px
        width, height = (-(-length // shrink) for length in size_px)
        self.texture = make_texture(context, (width, height), "srgb")
        # In content px: shrunk texels at the right and lower rim may reach beyond the picture.
        self.size_px = (width * shrink, height * shrink)

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


def shrunk_size(size_px: tuple[int, int], shrink: int, /) -> tuple[int, int]:
    """Return width and height, px, of a panel that is drawn so many times smaller each way."""
    return max(size_px[0] // shrink, 1), max(size_px[1] // shrink, 1)


def shrunk_picture(image: NDArray[np.uint8], factor: int, /) -> NDArray[np.uint8]:
    """Return an sRGB picture `factor` times smaller each way: means of linear light, black beyond the rim."""
    of_code = linear_from_srgb(np.arange(256) / 255.0).astype(np.float32)
    height, width = (-(-length // factor) for length in image.shape[:2])
    small = np.empty((height, width, 3), dtype=np.uint8)
    # Some rows at a time: light of the whole picture takes many times as many bytes as the picture.
    rows = max(_BAND_PX // (width * factor * factor), 1)
    for top in range(0, height, rows):
        light = of_code.take(image[top * factor : (top + rows) * factor])
        count = min(rows, height - top)
        padded = np.zeros((count * factor, width * factor, 3), dtype=np.float32)
        padded[: light.shape[0], : light.shape[1]] = light
        mean = padded.reshape(count, factor, width, factor, 3).mean(axis=(1, 3))
        small[top : top + count] = np.rint(srgb_from_linear(mean) * 255.0)
    return small


class Reloadable(Protocol):
    """What can be compiled again from its files."""

    def reload(self) -> None:
        """Compile again; on any `ShaderError` what runs stays as it is."""


class PanelKind(Protocol):
    """A panel as light, drawn from mesh textures."""

    @property
    def texture(self) -> "moderngl.Texture":
        """The panel; stays the same object."""

    @property
    def programs(self) -> tuple[Reloadable, ...]:
        """All programs, for reloading."""

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
        size = shrunk_size(mesh.table.panel_size_px, shrink)
        self.target = Target(context, size, "srgb" if stores_srgb else "f2")
        self._textures = {"t_content_linear": content.texture}
        options = {} if stores_srgb else {"PREWARP_ROUNDED": 1, "PREWARP_ENCODING": ENCODINGS[transfer.kind]}
        self.program = Program(
            context, "panel_mesh.frag", options, vertex="panel_mesh.vert", indices=mesh.indices
        )
        for name, value in mesh.places().items():
            self.program.set(name, value)
        self.program.set("u_content_px", tuple(float(length) for length in content.size_px))
        self._tables = {} if stores_srgb else rounding_tables(self.program, transfer, bits)

    @property
    def programs(self) -> tuple[Program, ...]:
        """All programs, for reloading."""
        return (self.program,)

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


def rounding_tables(
    program: Program, transfer: TransferFunction, bits: int, /
) -> dict[str, "moderngl.Texture"]:
    """Return the textures by which `panel_light.glsl` rounds light to codes; sets its other uniforms."""
    light = row_texture(program.context, transfer.linear_of_codes(bits))
    return {"t_light": light, **encoding_tables(program, transfer)}
