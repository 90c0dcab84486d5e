"""Meshes as KTX2 textures: spline coefficients of content u, v and gain (`quantise`).

Plane and scale are those of a channel and colour, so one shader serves the textures of all pupil positions.
"""

from collections.abc import Mapping

import numpy as np

from prewarp.export.build import DeviceBuild
from prewarp.export.ktx2 import FORMATS, Texture, ktx2_bytes, stored_texels, texture_from_ktx2
from prewarp.export.package_file import CONTENT_FRAME, ArrayNote, PackageFile, map_file
from prewarp.export.quantise import LEAST_RANGE, TableScale, nearest_plane
from prewarp.lattice import SplineLattice
from prewarp.mesh import PanelMesh

KIND = "table texture"
SNORM16 = "snorm16"
STORAGES = {SNORM16: "R16G16B16A16_SNORM", "half": "R16G16B16A16_SFLOAT"}
_TEXELS = (
    "value(u, v) = affine . (1, u, v) + scale x bicubic B-spline of the texels at node coordinates "
    "(u / step_u, v / step_v), u and v in panel px; texel (0, 0) lies one node before the panel's top-left "
    "corner both ways; fetch texels one by one"
)


def texture_scale(build: DeviceBuild, channel: str, colour: str, /) -> TableScale:
    """Return plane and scale that hold the maps of all pupils: the middle one's best plane, the range."""
    count = len(build.pupils_mm)
    plane = nearest_plane(build.gain_mesh(channel, colour, count // 2).spline())
    low, high = np.full(3, np.inf), np.full(3, -np.inf)
    for pupil in range(count):
        rest = plane.rest(build.gain_mesh(channel, colour, pupil).spline())
        low, high = np.minimum(low, rest.min(axis=(0, 1))), np.maximum(high, rest.max(axis=(0, 1)))
    plane.affine[:, 0] += 0.5 * (low + high)
    scale = np.maximum(0.5 * (high - low), LEAST_RANGE).astype(np.float32) * np.float32(1.0 + 1e-4)
    # As a shader holds them.
    return TableScale(plane.affine.astype(np.float32).astype(float), scale.astype(float), plane.step)


def texture_file(
    build: DeviceBuild, mesh: PanelMesh, pupil: int, shared: TableScale, storage: str, /
) -> tuple[PackageFile, SplineLattice]:
    """Return the texture of one mesh (`DeviceBuild.gain_mesh`), and the map that it stands for."""
    form = FORMATS[STORAGES[storage]]
    numbers = shared.numbers(mesh.spline())
    # The fourth component is nothing.
    texels = np.concatenate([numbers, np.zeros_like(numbers[..., :1])], axis=-1)
    texture = Texture(form, stored_texels(texels, form), {})
    note = ArrayNote(
        "coefficients",
        texels.shape,
        ("rows along v, nodes + 2", "columns along u, nodes + 2", "content_u, content_v, gain, unused"),
        form.name,
        "content px, content px, factor on linear light, none; after affine and scale",
        CONTENT_FRAME,
        _TEXELS,
    )
    path, what = "textures/{}.ktx2", "spline coefficients of a pre-warp map"
    details = {"storage": storage, **shared.as_dict()}
    file = map_file(build, mesh, pupil, path, ktx2_bytes(texture), KIND, what, note, **details)
    return file, shared.spline(texture.values()[..., :3])


def spline_from_texture(data: bytes, details: Mapping[str, object], /, *, where: str) -> SplineLattice:
    """Return the map of a texture file from its bytes and the manifest's details."""
    shared, values = TableScale.from_dict(details), texture_from_ktx2(data, where=where).values()
    if values.shape[2] != 4 or min(values.shape[:2]) < 6:
        raise ValueError(f"{where}: a texture of shape {values.shape}")
    return shared.spline(values[..., :3])
