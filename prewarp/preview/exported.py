"""The preview's panels by the very shaders that `prewarp export` writes for desktops (vertex meshes).

Nodes and gains come from the live mesh; what shares of light are formed from is made on the CPU for every
tracked pupil (some 30 ms), as a device makes it by the C evaluator.
"""

from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from prewarp.checks import FloatArray
from prewarp.export.build import DeviceBuild
from prewarp.export.gltf import triangle_indices
from prewarp.export.ktx2 import texture_from_ktx2
from prewarp.export.shader_files import KIND, shader_package_files
from prewarp.export.shader_text import GLSL
from prewarp.export.shader_textures import KIND as TEXTURE
from prewarp.preview.subject import Subject
from prewarp.render.live.device_panel import DeviceDrawing, DevicePanel
from prewarp.render.live.mesh import EyeMesh
from prewarp.render.live.panel import ContentTexture

if TYPE_CHECKING:
    import moderngl

_PATH = "mesh"


def device_build(subject: Subject, /) -> DeviceBuild:
    """Return what an export of the subject is made from."""
    # The live mesh brings gains with its nodes.
    return DeviceBuild(replace(subject.eye, match=None, known_seam=subject.eye.seam), np.zeros((1, 3)))


def device_drawing(build: DeviceBuild, channel: str, node_shape: tuple[int, int], /) -> DeviceDrawing:
    """Return a channel's shaders and textures, read from the bytes that would be written into a package.

    `node_shape`: rows and columns of the mesh, whose cells are cut in two as those of exported meshes.

    Raises
    ------
    ShaderError
        A piece in `shaders/` is missing or cannot be composed.
    """
    texts: dict[str, str] = {}
    textures: dict[str, NDArray[np.float32]] = {}
    for file in shader_package_files(build, channel, (GLSL,), None, {}):
        if file.kind == KIND and file.details["path"] == _PATH:
            texts[str(file.details["stage"])] = file.data.decode("utf-8")
        elif file.kind == TEXTURE:
            values = texture_from_ktx2(file.data, where=file.path).values()
            textures[str(file.details["sampler"])] = values.astype(np.float32)
    return DeviceDrawing(texts["vertex"], texts["fragment"], textures, triangle_indices(*node_shape))


class ExportedPanels:
    """Makes panels as an export has them: the `panel_kind` of a `LiveEye` with `whole_content`."""

    with_gains = True

    def __init__(self, build: DeviceBuild, /) -> None:
        self.build = build
        self._made: tuple[tuple[float, ...], dict[str, FloatArray]] | None = None

    def _shares(self, pupil_mm: tuple[float, ...]) -> dict[str, FloatArray]:
        """Return the texels of a pupil; all panels of the eye read the same."""
        assert self.build.shares is not None
        if self._made is None or self._made[0] != pupil_mm:
            self._made = pupil_mm, self.build.shares.textures(np.array(pupil_mm))
        return self._made[1]

    def __call__(
        self, context: "moderngl.Context", mesh: EyeMesh, content: ContentTexture, /, **options: Any
    ) -> DevicePanel:
        """Return one channel's panel; arguments of `LivePanel`."""
        return DevicePanel(
            context,
            mesh,
            content,
            content_projection=self.build.content,
            drawing=partial(device_drawing, self.build, mesh.table.channel, mesh.table.node_shape),
            shares=None if self.build.shares is None else self._shares,
            **options,
        )
