"""Meshes as 16-bit PNG: one picture per component, spline coefficients as whole numbers (`quantise`)."""

import io
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from prewarp.errors import PackageError
from prewarp.export.build import DeviceBuild
from prewarp.export.package_file import CONTENT_FRAME, ArrayNote, PackageFile, map_file
from prewarp.export.quantise import COMPONENTS, TableScale, coded_table
from prewarp.lattice import SplineLattice
from prewarp.mesh import PanelMesh
from prewarp.render.pictures import png_bytes

KIND = "table png"
MAX_TEXELS = 1 << 26
UNITS = {"content_u": "px", "content_v": "px", "weight": "fraction of linear light"}
_TEXELS = (
    "value(u, v) = affine . (1, u, v) + scale x bicubic B-spline of the codes at node coordinates "
    "(u / step_u, v / step_v), u and v in panel px; code (0, 0) lies one node before the panel's top-left "
    "corner both ways"
)


def png_files(build: DeviceBuild, mesh: PanelMesh, pupil: int, /) -> list[PackageFile]:
    """Return the pictures of one mesh, in the order of `COMPONENTS`."""
    codes, scale = coded_table(mesh.spline())
    files = []
    for place, name in enumerate(COMPONENTS):
        note = ArrayNote(
            name,
            codes.shape[:2],
            ("rows along v, nodes + 2", "columns along u, nodes + 2"),
            "uint16 codes",
            UNITS[name],
            CONTENT_FRAME if name != "weight" else "",
            _TEXELS,
        )
        details = {
            "component": name,
            "affine": scale.affine[place].tolist(),
            "scale": float(scale.scale[place]),
            "step_px": scale.step.tolist(),
            "largest_rounding": float(0.5 * scale.scale[place]),
        }
        path, what = f"tables/{{}}_{name}.png", f"spline coefficients of {name}, 16 bits"
        data = png_bytes(codes[..., place])
        files.append(map_file(build, mesh, pupil, path, data, KIND, what, note, **details))
    return files


def codes_from_png(data: bytes, shape: tuple[int, int], /, *, where: str) -> NDArray[np.uint16]:
    """Return the codes of a 16-bit grey PNG of a shape (rows, columns) that is known beforehand.

    Raises
    ------
    PackageError
        Not a PNG, another size, or not 16-bit grey.
    """
    try:
        with Image.open(io.BytesIO(data), formats=["PNG"]) as picture:
            found = (picture.height, picture.width), picture.mode
            if found != (shape, "I;16") or shape[0] * shape[1] > MAX_TEXELS:
                raise PackageError(
                    f"{where}: {found[0]} px of kind {found[1]}; expected {shape} of kind I;16. Export again."
                )
            return np.asarray(picture).astype(np.uint16)
    # Pillow raises several kinds of error on damaged bytes; each means the same to the reader.
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as cause:
        raise PackageError(f"{where}: not a readable PNG ({cause}). Export again.") from cause


def spline_from_pngs(
    pictures: Sequence[NDArray[np.uint16]], details: Sequence[Mapping[str, Any]], /
) -> SplineLattice:
    """Return one mesh's map from its pictures and the manifest's details, in the order of `COMPONENTS`."""
    joined = {name: [one[name] for one in details] for name in ("affine", "scale")}
    scale = TableScale.from_dict({**joined, "step_px": details[0]["step_px"]})
    return scale.spline(np.stack(pictures, axis=-1))
