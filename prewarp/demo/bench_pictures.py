"""The bench's pictures: what the camera saw and found, the residuals, and what the eye sees in the end."""

from pathlib import Path

import numpy as np
from PIL import Image

from prewarp.checks import FloatArray
from prewarp.demo.bench_build import BenchBuilt
from prewarp.demo.bench_judged import Judged
from prewarp.demo.pictures import overview_cells, overview_sheet
from prewarp.demo.views import Looks
from prewarp.poses.gauge import orthonormal, similarity_vectors
from prewarp.render.drawing import open_drawing
from prewarp.render.pictures import png_bytes
from prewarp.report.bench import bench_picture
from prewarp.report.residuals import residual_picture

# What the map should be right to without an earlier fit.
WANTED_ARCMIN = 0.1


def bench_pictures(
    built: BenchBuilt, found: Judged, name: str, photograph: Path, true_mm: FloatArray, renderer: str, /
) -> dict[str, bytes]:
    """Return the pictures by file name.

    Parameters
    ----------
    built, found, name
        What was made, how good it is, and of which module.
    photograph : Path
        One of the whole frames.
    true_mm : (k, 3) float array
        Where the camera truly stood beside its label, in the order of the poses found.
    renderer : str
        As `open_drawing` takes it.
    """
    label_mm = built.poses.shots.label_mm
    with Image.open(photograph) as opened:
        seen = np.asarray(opened)
    errors = {
        "fit, without what no capture shows (shift, turn, scale)": found.map_arcmin,
        "fit as it is": found.raw_arcmin,
        "seam of the package": found.seam_arcmin,
    }
    bench = bench_picture(
        seen,
        label_mm,
        without_common(true_mm, label_mm),
        without_common(built.poses.poses.offset_mm, label_mm),
        errors,
        (WANTED_ARCMIN,),
        title=f"{name.capitalize()} module: from photographs to a package",
    )
    content = built.module.content
    with open_drawing(renderer) as drawing:
        cells = overview_cells(Looks(drawing, built.eye), content)
    sheet = overview_sheet([cells], content.field_x_deg, heads=(f"{name.capitalize()} module",))
    title = f"{name.capitalize()} module: how far the capture lies off the fit"
    residuals = residual_picture(built.fields, built.poses.moved(built.grid), title=title)
    return {"bench.png": bench, "overview.png": png_bytes(sheet), "residuals.png": residuals}


def without_common(offset_mm: FloatArray, place_mm: FloatArray, /) -> FloatArray:
    """Return offsets (k, 3) of poses at (k, 3) mm without the shift, turn and scale that they share."""
    motions = similarity_vectors(place_mm).reshape(7, len(place_mm), -1)[:, :, :3].reshape(7, -1)
    common = orthonormal(motions, np.ones(motions.shape[1]))
    flat = offset_mm.ravel()
    return np.asarray(flat - common.T @ (common @ flat), dtype=np.float64).reshape(-1, 3)
