"""The same two passes on a GPU (OpenGL 3.3), map by map as exported, from spline tables; held to `cpu.py`.

Every texture and target is made once; a new pupil position writes new coefficients into textures that exist,
and maps that are there already are not sent again. Row 0 of every texture is the top row of its picture, and
targets are drawn the same way, so nothing is turned upside down. For an eye that moves see `live/`.
"""

import operator
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from prewarp.encoding import TransferFunction, largest_code, linear_from_srgb
from prewarp.errors import RenderError
from prewarp.glsl import ENCODINGS
from prewarp.lattice import SplineLattice
from prewarp.mesh import PanelMesh
from prewarp.photometry.dither import plane_tiles
from prewarp.photometry.panel import PLAIN, PanelLight
from prewarp.render.gpu import Program, Target, make_texture, open_context, row_texture
from prewarp.render.panel_tables import encoding_tables
from prewarp.render.pictures import PanelPicture

if TYPE_CHECKING:
    import moderngl

__all__ = ["PanelPass", "ViewPass", "open_context"]

# Channels of one eye whose weights are made at every pixel.
MOST_CHANNELS = 4
_MESHES = ("t_mesh_red", "t_mesh_green", "t_mesh_blue")


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
    light : PanelLight, optional
        White match and dither.
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
        light: PanelLight | None = None,
    ) -> None:
        light = light or PLAIN
        self.size_px = panel_size_px
        self.transfer = transfer or TransferFunction()
        self.bit_depth = bit_depth
        self._context, self._light = context, light
        self._content = make_texture(context, content_size_px, "f4")
        self._meshes = _MeshTextures(context, _MESHES)
        self._claims: list[_MeshTextures] = []
        self._taken: tuple[PanelMesh, ...] = ()
        self._target = Target(context, panel_size_px, "f1" if bit_depth <= 8 else "f4")
        self._compile(0)

    def _compile(self, claims: int) -> None:
        """Make the program for meshes with so many textures of shares and depths a colour."""
        light = self._light
        options = {
            "PREWARP_ENCODING": ENCODINGS[self.transfer.kind],
            "PREWARP_MIXED": int(light.mixes),
            "PREWARP_DITHERED": int(light.tile is not None),
            **({} if light.tile is None else {"PREWARP_TILE": len(light.tile)}),
            "PREWARP_CLAIMS": claims,
        }
        self._program = Program(self._context, "panel_pass.frag", options)
        self._claims = [
            _MeshTextures(self._context, [f"t_claim_{colour}_{k}" for colour in ("red", "green", "blue")])
            for k in range(claims)
        ]
        self._tables = encoding_tables(self._program, self.transfer)
        if light.mixes:
            # A matrix goes column by column, so that its rows arrive as columns.
            self._program.set("u_mixing", tuple(light.mixing.ravel().tolist()))
        self._program.set("u_largest_code", float(largest_code(self.bit_depth)))
        self._program.set("u_content_px", tuple(float(length) for length in self._content.size))
        if light.tile is not None:
            if self.transfer.kind == "table":
                codes = self.transfer.linear_of_codes(self.bit_depth)
                self._tables["t_light"] = row_texture(self._context, codes)
            size = light.tile.shape[::-1]
            self._tables["t_dither"] = make_texture(self._context, size, "f1")
            self._tables["t_dither"].write(plane_tiles(light.tile).tobytes())

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
        if len(meshes) == len(self._taken) and all(map(operator.is_, meshes, self._taken)):
            return
        splines = [mesh.spline() for mesh in meshes]
        claims = claim_splines(meshes)
        if len(claims) != len(self._claims):
            self._compile(len(claims))
        self._meshes.write(splines)
        for textures, own in zip(self._claims, claims, strict=True):
            textures.write(own)
        if claims and (shown := meshes[0].light) is not None:
            self._program.set("u_edge_deg", float(shown.edge_deg))
        self._taken = tuple(meshes)
        self._program.set("u_nodes_per_px", tuple(1.0 / splines[0].step))

    def draw(self) -> None:
        """Draw the panel picture into `texture`."""
        textures = {**self._meshes.named(), "t_content_linear": self._content, **self._tables}
        for claims in self._claims:
            textures |= claims.named()
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


def claim_splines(meshes: Sequence[PanelMesh], /) -> list[tuple[SplineLattice, ...]]:
    """Return what weights between nodes are made from, two channels a texture; none for smooth weights.

    Per texture one spline for each mesh, with components claim, depth (degrees) of one channel and of the
    next: first the mesh's own, then the others.

    Raises
    ------
    RenderError
        More channels than `MOST_CHANNELS`.
    """
    lights = [mesh.light for mesh in meshes]
    if any(light is None for light in lights):
        return []
    packed = []
    for mesh, light in zip(meshes, lights, strict=True):
        assert light is not None  # looked at above
        count = light.claims.shape[-1]
        if count > MOST_CHANNELS:
            raise RenderError(
                f"{count} channels share the field of one eye; this renderer blends at most {MOST_CHANNELS}. "
                "Draw with the CPU renderer."
            )
        both = mesh.light_spline()
        order = [light.own, *(k for k in range(count) if k != light.own)]
        nothing = np.zeros(both.coefficients.shape[:2])
        components = [
            one for k in order for one in (both.coefficients[..., k], both.coefficients[..., count + k])
        ]
        # A channel that is not there is dark.
        components += [nothing, nothing - 1.0] * (count % 2)
        packed.append(
            [
                replace(both, coefficients=np.stack(components[k : k + 4], axis=-1))
                for k in range(0, len(components), 4)
            ]
        )
    return [tuple(own) for own in zip(*packed, strict=True)]


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
        self._decode = Program(context, "decode_pass.frag", {})
        self._view = Program(context, "view_pass.frag", {})
        self._encode = Program(context, "encode_view.frag", {})
        self._light = {
            name: row_texture(context, panel.transfer.linear_of_codes(panel.bit_depth))
            for name, panel in self._panels.items()
        }
        self._linear = {name: Target(context, panel.size_px, "f4") for name, panel in self._panels.items()}
        self._meshes = {name: _MeshTextures(context, _MESHES) for name in self._panels}
        self._steps: dict[str, tuple[float, float]] = {}
        self._sum = Target(context, view_size_px, "f4")
        self._target = Target(context, view_size_px, "f1")

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


class _MeshTextures:
    """Coefficient textures of three maps, made at the first write and kept while the size stays.

    Components that a map does not bring are 1 everywhere: even luminance, lit.
    """

    def __init__(self, context: "moderngl.Context", names: Sequence[str]) -> None:
        self._context = context
        self._names = tuple(names)
        self._textures: dict[str, moderngl.Texture] = {}
        self._written: dict[str, SplineLattice] = {}

    def write(self, splines: Sequence[SplineLattice]) -> None:
        """Upload coefficients; maps that are there already (the same objects) are not sent again."""
        for name, spline in zip(self._names, splines, strict=True):
            if self._written.get(name) is spline:
                continue
            rows, columns, count = spline.coefficients.shape
            if name not in self._textures:
                self._textures[name] = make_texture(self._context, (columns, rows), "f4")
            texture = self._textures[name]
            if texture.size != (columns, rows):
                raise RenderError(
                    f"mesh has {columns} x {rows} coefficients; this pass was begun with "
                    f"{texture.size[0]} x {texture.size[1]}. Keep the node step."
                )
            table = np.ones((rows, columns, 4), dtype=np.float32)
            table[..., :count] = spline.coefficients
            texture.write(table)
            self._written[name] = spline

    def named(self) -> Mapping[str, "moderngl.Texture"]:
        if not self._textures:
            raise RenderError(
                "nothing can be drawn before meshes are set; call set_meshes or set_maps first."
            )
        return self._textures
