"""One face for both renderers, panels, then views of them: the GPU where there is one, else the CPU."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import NDArray

from prewarp.encoding import TransferFunction
from prewarp.errors import RenderError
from prewarp.lattice import SplineLattice
from prewarp.mesh import PanelMesh, View
from prewarp.photometry.panel import PanelLight
from prewarp.render.choices import CHOICES
from prewarp.render.cpu import content_planes, panel_picture, perceived_light
from prewarp.render.gl import PanelPass, ViewPass, open_context
from prewarp.render.pictures import PanelPicture, encode_view
from prewarp.render.sampling import SamplingPlane

if TYPE_CHECKING:
    import moderngl

# Drivers that draw on the CPU. They are no faster than the reference renderer, so "auto" does not take them.
_SOFTWARE = ("llvmpipe", "softpipe", "swrast", "software")
THREADS = 2
_SRGB = TransferFunction()


class Drawing(Protocol):
    """A renderer: `name` for people; panels are drawn first, and views show the panels drawn last."""

    name: str

    def panels(
        self,
        image: NDArray[np.uint8],
        meshes: Mapping[str, Sequence[PanelMesh]],
        /,
        *,
        transfers: Mapping[str, TransferFunction] | None = None,
        bit_depths: Mapping[str, int] | None = None,
        lights: Mapping[str, PanelLight] | None = None,
    ) -> dict[str, PanelPicture]:
        """Draw one panel per channel from a content picture; sRGB and 8 bits where nothing else is given.

        `lights`: white match and dither by channel; none where not given.
        """

    def view(self, maps: Mapping[str, Sequence[SplineLattice]], view: View, /) -> NDArray[np.uint8]:
        """Return what the eye sees of the panels drawn last, (height, width, 3) 8-bit sRGB."""


@contextmanager
def open_drawing(choice: str = "auto", /) -> Iterator[Drawing]:
    """Yield a renderer.

    Parameters
    ----------
    choice : str
        "auto": a GPU through EGL if there is one, else the CPU renderer, which then says why in its name.
        "egl": OpenGL through EGL, be it a GPU or a software driver. "none": the CPU renderer.

    Raises
    ------
    RenderError
        The choice is unknown, or "egl" cannot be had.
    """
    if choice not in CHOICES:
        raise RenderError(f"renderer is '{choice}'; expected one of {', '.join(CHOICES)}.")
    if choice == "none":
        yield CpuDrawing("CPU renderer")
        return
    with ExitStack() as stack:
        try:
            context = stack.enter_context(open_context())
            of_gl = GlDrawing(context, f"OpenGL, {context.info['GL_RENDERER']}")
            if choice == "auto":
                _require_useful(of_gl)
            drawing: Drawing = of_gl
        # Drivers fail in many ways; the reference renderer needs none of them.
        except Exception as cause:
            if choice == "egl":
                raise
            drawing = CpuDrawing(
                f"CPU renderer, standing in for a GPU: {str(cause).split('. ')[0].rstrip('.')}"
            )
        yield drawing


def is_software(renderer: str, /) -> bool:
    """Return True for the name of a driver that draws on the CPU."""
    return any(word in renderer.lower() for word in _SOFTWARE)


def _require_useful(drawing: "GlDrawing") -> None:
    """Raise unless the driver is a GPU's and draws a tiny panel without complaint."""
    if is_software(drawing.name):
        raise RenderError(f"the only driver found draws on the CPU ({drawing.name.split(', ', 1)[1]}).")
    nodes = np.zeros((5, 5))
    vector = np.stack([nodes, nodes], axis=-1)
    mesh = PanelMesh("test", "G", (16, 16), np.zeros(3), vector, vector, nodes)
    drawing.panels(np.zeros((16, 16, 3), dtype=np.uint8), {"test": [mesh] * 3})


class CpuDrawing:
    """The reference renderer as a `Drawing`."""

    def __init__(self, name: str, /) -> None:
        self.name = name
        self._panels: dict[str, PanelPicture] = {}
        self._image: NDArray[np.uint8] | None = None
        self._planes: tuple[SamplingPlane, ...] = ()

    def panels(
        self,
        image: NDArray[np.uint8],
        meshes: Mapping[str, Sequence[PanelMesh]],
        /,
        *,
        transfers: Mapping[str, TransferFunction] | None = None,
        bit_depths: Mapping[str, int] | None = None,
        lights: Mapping[str, PanelLight] | None = None,
    ) -> dict[str, PanelPicture]:
        """See `Drawing.panels`."""
        if image is not self._image:
            self._image, self._planes = image, content_planes(image)
        self._panels = {
            channel: panel_picture(
                self._planes,
                maps,
                transfer=(transfers or {}).get(channel, _SRGB),
                bit_depth=(bit_depths or {}).get(channel, 8),
                light=(lights or {}).get(channel),
                threads=THREADS,
            )
            for channel, maps in meshes.items()
        }
        return self._panels

    def view(self, maps: Mapping[str, Sequence[SplineLattice]], view: View, /) -> NDArray[np.uint8]:
        """See `Drawing.view`."""
        return encode_view(perceived_light(self._panels, maps, view, threads=THREADS))


class GlDrawing:
    """The OpenGL renderer as a `Drawing`, for a few pictures; a live preview keeps its passes instead."""

    def __init__(self, context: "moderngl.Context", name: str, /) -> None:
        self.name = name
        self._context = context
        self._passes: dict[str, PanelPass] = {}

    def panels(
        self,
        image: NDArray[np.uint8],
        meshes: Mapping[str, Sequence[PanelMesh]],
        /,
        *,
        transfers: Mapping[str, TransferFunction] | None = None,
        bit_depths: Mapping[str, int] | None = None,
        lights: Mapping[str, PanelLight] | None = None,
    ) -> dict[str, PanelPicture]:
        """See `Drawing.panels`."""
        self._passes = {}
        self._context.gc()
        drawn = {}
        for channel, maps in meshes.items():
            panel = PanelPass(
                self._context,
                panel_size_px=maps[0].panel_size_px,
                content_size_px=(image.shape[1], image.shape[0]),
                transfer=(transfers or {}).get(channel, _SRGB),
                bit_depth=(bit_depths or {}).get(channel, 8),
                light=(lights or {}).get(channel),
            )
            panel.set_content(image)
            panel.set_meshes(maps)
            panel.draw()
            self._passes[channel] = panel
            drawn[channel] = panel.read()
        return drawn

    def view(self, maps: Mapping[str, Sequence[SplineLattice]], view: View, /) -> NDArray[np.uint8]:
        """See `Drawing.view`."""
        seen = ViewPass(self._context, view_size_px=view.size_px, panels=self._passes)
        seen.set_maps(maps)
        seen.draw()
        picture = seen.read()
        del seen
        self._context.gc()
        return picture
