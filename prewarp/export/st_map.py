"""ST maps: for every panel pixel, where in the content picture its light comes from; as OpenEXR.

Compositing programs move pixels by such a picture (common practice): red is s, from 0 at the left edge of the
content picture to 1 at its right edge; green is t, from 0 at the bottom to 1 at the top; both absolute, of
the point that the pixel's centre must show. Values outside 0 to 1 lie outside the content, which is black
there.
"""

import numpy as np

from prewarp.checks import FloatArray
from prewarp.content import ContentProjection
from prewarp.errors import PackageError
from prewarp.export.exr import exr_bytes
from prewarp.mesh import PanelMesh

RED, GREEN, WEIGHT = "R", "G", "weight"
_COMMENTS = (
    "ST map, absolute: R = s from the left edge of the content picture, G = t from its bottom edge, for the "
    "centre of each panel pixel; outside 0 to 1 is black. weight = blend weight, linear light. "
)


def st_map(mesh: PanelMesh, content: ContentProjection, /) -> FloatArray:
    """Return (s, t, weight) at the centre of every panel pixel, (height, width, 3).

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
    values = mesh.spline().on_lattice(columns, rows)
    across, down = content.size_px
    s, t = values[..., 0] / across, 1.0 - values[..., 1] / down
    return np.stack([s, t, values[..., 2]], axis=-1)


def st_map_exr(mesh: PanelMesh, content: ContentProjection, /) -> bytes:
    """Return the ST map of a mesh as an OpenEXR file with the channels R, G and weight."""
    planes = np.moveaxis(st_map(mesh, content), -1, 0)
    x, y, z = mesh.tracked_pupil_mm
    about = (
        f"Channel {mesh.channel}, colour {mesh.colour}, pupil ({x:g}, {y:g}, {z:g}) mm; "
        f"content {content.projection}, {content.size_px[0]} x {content.size_px[1]} px, "
        f"{content.field_x_deg:g} degrees wide."
    )
    return exr_bytes(dict(zip((RED, GREEN, WEIGHT), planes, strict=True)), comments=_COMMENTS + about)
