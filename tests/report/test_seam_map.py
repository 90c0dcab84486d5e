"""The reach-and-seam map: both modules on one scale, same bytes, everything where it belongs."""

import io

import numpy as np
from PIL import Image

from prewarp.frames import degrees_from_tangent, tangent_from_degrees
from prewarp.report.seam_map import SeamMap, seam_map_figure, seam_map_picture
from prewarp.seam import build_seam
from tests.closed_form import plane_set, two_channels
from tests.report.drawn import contour_points, mesh_points, meshes


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


def test_errors_outlines_and_hand_over_lie_where_they_are():
    """An error that says its own place: x + 100 y at (x, y)."""
    item = a_map(1.0)
    x, y = item.axes_deg
    place = SeamMap("one", item.seam, item.axes_deg, x + 100.0 * y[:, None] + 0.0 * item.error_arcmin)
    axes = seam_map_figure([place], title="T", error_label="arcmin").axes[0]
    (mesh,) = meshes(axes)
    places, values = mesh_points(mesh)
    assert len(values) == len(x) * (len(y) - 5)
    np.testing.assert_allclose(values, places @ [1.0, 100.0], atol=1e-9)
    for limits in (axes.get_xlim(), axes.get_ylim()):
        assert limits[0] < limits[1]
    for drawn, reach in zip(axes.lines, item.seam.reaches, strict=True):
        np.testing.assert_allclose(
            np.column_stack(drawn.get_data())[:-1], degrees_from_tangent(reach.outline)
        )
    assert [text.get_text() for text in axes.texts] == ["left\nchannel", "right\nchannel"]
    left, right = (text.get_position()[0] for text in axes.texts)
    assert left < -8.0 and right > 8.0
    for level in (0.1, 0.5, 0.9):
        share = item.seam.weights(tangent_from_degrees(contour_points(axes, level)))[0]
        # A lattice of half a degree draws a ramp of seven degrees.
        assert len(share) > 10 and np.median(np.abs(share - level)) < 0.01


def test_a_seam_draws_itself_and_says_where_there_is_none():
    seam = a_map(1.0).seam
    drawn = seam.plot(title="T")
    assert drawn.get_suptitle() == "T"
    axes, scale = drawn.axes
    assert axes.get_title() == f"feather {seam.feather_deg:.3g} degrees" and "per cent" in scale.get_ylabel()
    places, values = mesh_points(meshes(axes)[0])
    shares = 100.0 * seam.weights(tangent_from_degrees(places))
    np.testing.assert_allclose(values, shares.max(axis=0), atol=1e-6)
    alone = build_seam(plane_set(two_channels()[0]), pupils_mm=(0.0, 0.0, 0.0)).plot()
    assert alone.axes[0].get_title() == "one channel: no seam"
    assert len(mesh_points(meshes(alone.axes[0])[0])[1]) == 0
