"""Meshes as 16-bit PNG: one picture per component, spline coefficients as whole numbers (`quantise`)."""

import io

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from prewarp.errors import PackageError
from prewarp.export.build import DeviceBuild
from prewarp.export.package_file import CONTENT_FRAME, ArrayNote, PackageFile
from prewarp.export.quantise import COMPONENTS, CodedTable, coded_table
from prewarp.mesh import PanelMesh
from prewarp.render.pictures import png_bytes

KIND = "table png"
MAX_TEXELS = 1 << 26
UNITS = {"content_u": "px", "content_v": "px", "weight": "share of linear light"}
_TEXELS = (
    "value(u, v) = affine . (1, u, v) + scale x bicubic B-spline of the codes at node coordinates (u / step_u, "
    "v / step_v), u and v in panel px; code (0, 0) lies one node before the panel's top-left corner both ways"
)


def png_files(build: DeviceBuild, mesh: PanelMesh, pupil: int, /) -> list[PackageFile]:
    """Return the pictures of one mesh, in the order of `COMPONENTS`."""
    table = coded_table(mesh.spline())
    stem = f"{build.stem(mesh.channel)}_{build.colour_stem(mesh.colour)}_p{pupil:03d}"
    files = []
    for place, name in enumerate(COMPONENTS):
        note = ArrayNote(
            name,
            table.codes.shape[:2],
            ("rows along v, nodes + 2", "columns along u, nodes + 2"),
            "uint16 codes",
            UNITS[name],
            CONTENT_FRAME if name != "weight" else "",
            _TEXELS,
        )
        details = {
            "channel": mesh.channel,
            "colour": mesh.colour,
            "pupil": pupil,
            "component": name,
            "affine": table.affine[place].tolist(),
            "scale": float(table.scale[place]),
            "step_px": table.step.tolist(),
            "largest_rounding": float(0.5 * table.scale[place]),
        }
        files.append(
            PackageFile(
                f"tables/{stem}_{name}.png", png_bytes(table.codes[..., place]), KIND,
                f"spline coefficients of {name}, 16 bits", (note,), details,
            )
        )  # fmt: skip
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
            if found != (tuple(shape), "I;16") or shape[0] * shape[1] > MAX_TEXELS:
                raise PackageError(
                    f"{where}: {found[0]} px of kind {found[1]}; expected {tuple(shape)} of kind I;16. Export again."
                )
            return np.asarray(picture).astype(np.uint16)
    # Pillow raises several kinds of error on damaged bytes; each means the same to the reader.
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as cause:
        raise PackageError(f"{where}: not a readable PNG ({cause}). Export again.") from cause


def table_from_pngs(pictures: list[NDArray[np.uint16]], details: list[dict], /) -> CodedTable:
    """Return the table of one mesh from its pictures and the manifest's details, both in the order of `COMPONENTS`."""
    return CodedTable(
        np.stack(pictures, axis=-1),
        np.array([one["affine"] for one in details], dtype=np.float64).reshape(3, 3),
        np.array([one["scale"] for one in details], dtype=np.float64).reshape(3),
        np.array(details[0]["step_px"], dtype=np.float64).reshape(2),
    )
