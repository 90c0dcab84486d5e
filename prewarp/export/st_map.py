"""ST maps: for every panel pixel, where in the content picture its light comes from; as OpenEXR.

Compositing programs move pixels by such a picture (common practice): red is s, from 0 at the left edge of the
content picture to 1 at its right edge; green is t, from 0 at the bottom to 1 at the top; both absolute, of
the point that the pixel's centre must show. Values outside 0 to 1 lie outside the content, which is black
there.
"""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from prewarp.checks import FloatArray, IntArray
from prewarp.content import ContentProjection
from prewarp.errors import PackageError
from prewarp.export.build import DeviceBuild
from prewarp.export.exr import exr_bytes
from prewarp.export.package_file import ArrayNote, PackageFile, map_file
from prewarp.mesh import PanelMesh

KIND = "ST map"
RED, GREEN, WEIGHT = "R", "G", "weight"
# Of all maps of a package: every pixel of every panel, colour and pupil position.
MOST_BYTES = 4 << 30
# Pixels of a map made at a time.
_BAND_PX = 1 << 18
_COMMENTS = (
    "ST map, absolute: R = s from the left edge of the content picture, G = t from its bottom edge, for the "
    "centre of each panel pixel; outside 0 to 1 is black. weight = blend weight, linear light. "
)


def require_room(build: DeviceBuild, /) -> None:
    """Raise before the work where the maps of a build would take more than `MOST_BYTES`."""
    sizes = [build.panel_size_px(channel) for channel in build.channels]
    texels = sum(width * height for width, height in sizes) * len(build.colours) * len(build.pupils_mm)
    if texels * 12 > MOST_BYTES:
        raise PackageError(
            f"ST maps of {len(build.pupils_mm)} pupil positions would take {texels * 12 / 1e9:.1f} GB; "
            f"expected at most {MOST_BYTES / 1e9:.1f} GB. Ask for fewer positions, such as --pupil 0,0,0."
        )


def st_file(build: DeviceBuild, mesh: PanelMesh, pupil: int, /) -> PackageFile:
    """Return the ST map of one mesh."""
    width, height = mesh.panel_size_px
    note = ArrayNote(
        "st",
        (height, width, 3),
        ("rows along v", "columns along u", f"{RED}: s, {GREEN}: t, {WEIGHT}"),
        "float32",
        "fraction of the content's width, of its height, fraction of linear light",
        "s from the content picture's left edge, t from its bottom edge",
        "at the centre of every panel pixel, row 0 the panel's top row",
    )
    what = "ST map: where in the content each panel pixel's light comes from"
    return map_file(build, mesh, pupil, "st/{}.exr", st_map_exr(mesh, build.content), KIND, what, note)


def at_panel(
    planes: Mapping[str, NDArray[np.float32]], content: ContentProjection, pixel: FloatArray, /
) -> FloatArray:
    """Return content u, v, px, and weight (n, 3) of a map's channels at panel points (n, 2), px.

    Linear between the centres of pixels, and on from there in the outermost half pixel.
    """
    rows, columns = planes[RED].shape
    place = pixel - 0.5
    left = np.clip(np.floor(place[:, 0]).astype(int), 0, max(columns - 2, 0))
    top = np.clip(np.floor(place[:, 1]).astype(int), 0, max(rows - 2, 0))
    a, b = (place - np.stack([left, top], axis=-1)).T[..., None]
    right, bottom = np.minimum(left + 1, columns - 1), np.minimum(top + 1, rows - 1)

    def value(row: IntArray, column: IntArray) -> FloatArray:
        found = [planes[name][row, column] for name in (RED, GREEN, WEIGHT)]
        return np.stack(found, axis=-1).astype(np.float64)

    upper = value(top, left) * (1.0 - a) + value(top, right) * a
    lower = value(bottom, left) * (1.0 - a) + value(bottom, right) * a
    found = upper * (1.0 - b) + lower * b
    across, down = content.size_px
    return np.stack([found[:, 0] * across, (1.0 - found[:, 1]) * down, found[:, 2]], axis=-1)


def st_map(mesh: PanelMesh, content: ContentProjection, /) -> NDArray[np.float32]:
    """Return s, t, weight at the centre of every panel pixel, (3, height, width).

    Parameters
    ----------
    mesh : PanelMesh
        The pre-warp map of a channel and colour for one pupil position.
    content : ContentProjection
        The content picture that the mesh was made for.
    """
    width, height = mesh.panel_size_px
    if not (np.isfinite(mesh.content_px).all() and np.isfinite(mesh.weight).all()):
        raise PackageError(
            f"channel '{mesh.channel}', {mesh.colour}: its mesh holds values that are no numbers."
        )
    columns, rows = ((np.arange(length) + 0.5).astype(np.float64) for length in (width, height))
    spline, (across, down) = mesh.spline(), content.size_px
    planes = np.empty((3, height, width), dtype=np.float32)
    # Some rows at a time: what a spline is summed from takes many times as many bytes as the map.
    step = max(_BAND_PX // width, 1)
    for top in range(0, height, step):
        band = slice(top, top + step)
        values = spline.on_lattice(columns, rows[band])
        planes[0, band], planes[1, band] = values[..., 0] / across, 1.0 - values[..., 1] / down
        planes[2, band] = values[..., 2]
    return planes


def st_map_exr(mesh: PanelMesh, content: ContentProjection, /) -> bytes:
    """Return the ST map of a mesh as an OpenEXR file with the channels R, G and weight."""
    planes = st_map(mesh, content)
    x, y, z = mesh.tracked_pupil_mm
    about = (
        f"Channel {mesh.channel}, colour {mesh.colour}, pupil ({x:g}, {y:g}, {z:g}) mm; "
        f"content {content.projection}, {content.size_px[0]} x {content.size_px[1]} px, "
        f"{content.field_x_deg:g} degrees wide."
    )
    return exr_bytes(dict(zip((RED, GREEN, WEIGHT), planes, strict=True)), comments=_COMMENTS + about)
