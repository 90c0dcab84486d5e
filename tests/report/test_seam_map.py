"""The reach-and-seam map: both modules on one scale, same bytes, colour where the error is."""

import io

import numpy as np
from PIL import Image

from prewarp.report.seam_map import SeamMap, seam_map_picture
from prewarp.seam import build_seam
from tests.closed_form import plane_set, two_channels


def a_map(error: float) -> SeamMap:
    seam = build_seam(plane_set(*two_channels()), pupils_mm=(0.0, 0.0, 0.0))
    axes = (np.arange(-4.0, 4.5, 0.5), np.arange(-10.0, 10.5, 0.5))
    plane = np.full((len(axes[1]), len(axes[0])), error)
    plane[:5] = np.nan
    return SeamMap("A module", seam, axes, plane)


def test_same_input_same_bytes():
    pictures = [seam_map_picture([a_map(1.0), a_map(3.0)], title="T", error_label="arcmin") for _ in range(2)]
    assert pictures[0] == pictures[1]
    with Image.open(io.BytesIO(pictures[0])) as picture:
        assert picture.size == (1760, 640)


def test_one_scale_for_all_modules():
    with Image.open(
        io.BytesIO(seam_map_picture([a_map(0.0), a_map(3.0)], title="T", error_label="arcmin"))
    ) as picture:
        pixels = np.asarray(picture.convert("RGB")).reshape(640, 1760, 3)
    # Ends of the cividis scale: dark blue for none on the left, yellow for most on the right.
    dark, light = np.array([0, 34, 78]), np.array([254, 232, 56])
    assert np.all(np.abs(pixels[:, :880].astype(int) - dark) < 12, axis=-1).sum() > 2000
    assert np.all(np.abs(pixels[:, 880:1640].astype(int) - light) < 12, axis=-1).sum() > 2000
    assert np.all(np.abs(pixels[:, :880].astype(int) - light) < 12, axis=-1).sum() == 0


def test_an_empty_overlap_is_drawn_without_a_warning():
    item = a_map(1.0)
    hollow = SeamMap(item.title, item.seam, item.axes_deg, np.full_like(item.error_arcmin, np.nan))
    assert seam_map_picture([hollow], title="T", error_label="arcmin").startswith(b"\x89PNG")
