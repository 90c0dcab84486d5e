"""Meshes as KTX2 textures: spline coefficients of content u, v and drive, less a plane that all pupil positions share.

value(u, v) = affine . (1, u, v) + scale x bicubic B-spline of the texels at node coordinates (u / step_u, v / step_v). Plane
and scale are those of a channel and colour, so one shader serves the textures of all pupil positions.
"""

from dataclasses import dataclass

import numpy as np

from prewarp.checks import FloatArray
from prewarp.export.build import DeviceBuild
from prewarp.export.ktx2 import FORMATS, TexelFormat, Texture, ktx2_bytes, stored_texels, texture_from_ktx2
from prewarp.export.package_file import CONTENT_FRAME, ArrayNote, PackageFile
from prewarp.export.quantise import COMPONENTS
from prewarp.lattice import SplineLattice
from prewarp.mesh import PanelMesh

KIND = "table texture"
STORAGES = {"snorm16": "R16G16B16A16_SNORM", "half": "R16G16B16A16_SFLOAT"}
_LEAST_SCALE = 1e-9
_TEXELS = (
    "value(u, v) = affine . (1, u, v) + scale x bicubic B-spline of the texels at node coordinates (u / step_u, v / step_v), "
    "u and v in panel px; texel (0, 0) lies one node before the panel's top-left corner both ways; fetch texels one by one"
)


@dataclass(frozen=True)
class TextureScale:
    """What the textures of a channel and colour share: `affine` (3, 3), rows per component; `scale` (3,); `step` (2,) px."""

    affine: FloatArray
    scale: FloatArray
    step: FloatArray

    def texels(self, spline: SplineLattice, form: TexelFormat, /) -> np.ndarray:
        """Return the texels (rows, columns, 4) of a map; the fourth component is 0."""
        rest = (spline.coefficients - self._plane(spline.coefficients.shape[:2])) / self.scale
        return stored_texels(np.concatenate([rest, np.zeros((*rest.shape[:2], 1))], axis=-1), form)

    def spline(self, values: FloatArray, /) -> SplineLattice:
        """Return the map that texel values (rows, columns, 4) stand for."""
        plane = self._plane(values.shape[:2])
        return SplineLattice(plane + self.scale * values[..., :3], np.zeros(2), self.step)

    def _plane(self, shape: tuple[int, ...]) -> FloatArray:
        u, v = np.meshgrid(*(self.step[axis] * (np.arange(shape[1 - axis]) - 1.0) for axis in range(2)))
        return self.affine[:, 0] + u[..., None] * self.affine[:, 1] + v[..., None] * self.affine[:, 2]

    def as_dict(self) -> dict:
        """Return it for the manifest."""
        return {"affine": self.affine.tolist(), "scale": self.scale.tolist(), "step_px": self.step.tolist()}


def texture_scale(build: DeviceBuild, channel: str, colour: str, /) -> TextureScale:
    """Return plane and scale that hold the maps of all pupil positions: the best plane of the middle one, then the range."""
    count = len(build.pupils_mm)
    middle = build.mesh(channel, colour, count // 2).spline()
    rows, columns = middle.coefficients.shape[:2]
    u, v = np.meshgrid(*(middle.step[axis] * (np.arange(n) - 1.0) for axis, n in enumerate((columns, rows))))
    basis = np.stack([np.ones_like(u), u, v], axis=-1).reshape(-1, 3)
    affine = np.zeros((3, 3))
    content = middle.coefficients[..., :2].reshape(-1, 2)
    affine[:2] = np.linalg.lstsq(basis, content, rcond=None)[0].T
    shared = TextureScale(affine, np.ones(3), middle.step)
    low, high = np.full(3, np.inf), np.full(3, -np.inf)
    for pupil in range(count):
        rest = build.mesh(channel, colour, pupil).spline().coefficients - shared._plane((rows, columns))
        low, high = np.minimum(low, rest.min(axis=(0, 1))), np.maximum(high, rest.max(axis=(0, 1)))
    affine[:, 0] += 0.5 * (low + high)
    # As a shader holds them.
    affine = affine.astype(np.float32).astype(float)
    scale = np.maximum(0.5 * (high - low), _LEAST_SCALE).astype(np.float32) * np.float32(1.0 + 1e-4)
    return TextureScale(affine, scale.astype(float), middle.step)


def texture_file(
    build: DeviceBuild, mesh: PanelMesh, pupil: int, shared: TextureScale, storage: str, /
) -> tuple[PackageFile, SplineLattice]:
    """Return the texture of one mesh, and the map that it stands for."""
    form = FORMATS[STORAGES[storage]]
    texture = Texture(form, shared.texels(mesh.spline(), form), {})
    rows, columns = texture.texels.shape[:2]
    note = ArrayNote(
        "coefficients",
        (rows, columns, 4),
        ("rows along v, nodes + 2", "columns along u, nodes + 2", f"{', '.join(COMPONENTS)}, unused"),
        form.name,
        "content px, content px, share of linear light, none; after affine and scale",
        CONTENT_FRAME,
        _TEXELS,
    )
    details = {
        "channel": mesh.channel,
        "colour": mesh.colour,
        "pupil": pupil,
        "storage": storage,
        **shared.as_dict(),
    }
    stem = f"{build.stem(mesh.channel)}_{build.colour_stem(mesh.colour)}_p{pupil:03d}"
    file = PackageFile(
        f"textures/{stem}.ktx2",
        ktx2_bytes(texture),
        KIND,
        "spline coefficients of a pre-warp map",
        (note,),
        details,
    )
    return file, shared.spline(texture.values())


def spline_from_texture(data: bytes, details: dict, /, *, where: str) -> SplineLattice:
    """Return the map of a texture file from its bytes and the manifest's details."""
    shared = TextureScale(
        np.array(details["affine"], dtype=float).reshape(3, 3),
        np.array(details["scale"], dtype=float).reshape(3),
        np.array(details["step_px"], dtype=float).reshape(2),
    )
    values = texture_from_ktx2(data, where=where).values()
    if values.shape[2] != 4 or min(values.shape[:2]) < 6:
        raise ValueError(f"{where}: a texture of shape {values.shape}")
    return shared.spline(values)
