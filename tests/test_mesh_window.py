"""A window on a panel against the whole panel."""

import numpy as np
import pytest

from prewarp.content import ContentProjection
from prewarp.encoding import TransferFunction
from prewarp.mesh_window import MARGIN_NODES, window_around
from prewarp.render.cpu import content_planes, panel_meshes, panel_picture, perceived_light, view_maps
from prewarp.render.scenes import scene

PUPIL = np.array([1.0, -2.0, 0.5])
CONTENT = ContentProjection("flat", (800, 500), 80.0)
SRGB = TransferFunction()


@pytest.fixture(scope="module")
def meshes(fields, seam):
    return panel_meshes(fields, "left", CONTENT, tracked_pupil_mm=PUPIL, seam=seam)


def test_a_window_holds_its_points_and_a_margin(meshes):
    points = np.array([[201.0, 103.0], [300.0, 230.0]])
    window = window_around(points, meshes[0])
    cut = window.cut(meshes[0])
    low, high = window.corner_px, window.corner_px + cut.panel_size_px
    margin = MARGIN_NODES * window.step_px
    assert np.all(low <= points.min(axis=0) - margin) and np.all(
        low > points.min(axis=0) - margin - window.step_px
    )
    assert np.all(high >= points.max(axis=0) + margin)
    assert cut.weight.shape == tuple(
        np.array(cut.panel_size_px[::-1]) // window.step_px.astype(int)[::-1] + 1
    )


def test_points_off_the_panel_give_a_window_at_its_edge(meshes):
    width, height = meshes[0].panel_size_px
    window = window_around(np.array([[-500.0, -300.0], [width + 900.0, height + 20.0]]), meshes[0])
    assert np.all(window.corner_px == 0.0) and window.cut(meshes[0]).panel_size_px == (width, height)
    beyond = window_around(np.array([[width + 500.0, 0.0], [width + 600.0, 10.0]]), meshes[0])
    size = beyond.cut(meshes[0]).panel_size_px
    assert beyond.corner_px[0] + size[0] == width and size[0] > 0


def test_nodes_between_pixels_give_the_whole_panel(fields, seam):
    meshes = panel_meshes(fields, "left", CONTENT, tracked_pupil_mm=PUPIL, seam=seam, step_px=47.0)
    assert not (
        np.array(meshes[0].panel_size_px) / (np.array(meshes[0].weight.shape[::-1]) - 1) % 1.0 == 0.0
    ).all()
    window = window_around(np.array([[100.0, 100.0], [120.0, 130.0]]), meshes[0])
    cut = window.cut(meshes[0])
    assert np.all(window.corner_px == 0.0) and cut.panel_size_px == meshes[0].panel_size_px
    np.testing.assert_array_equal(cut.content_px, meshes[0].content_px)


def test_what_a_view_sees_of_a_window_is_what_it_sees_of_the_panel(fields, meshes):
    view = ContentProjection("flat", (160, 100), 8.0)
    maps = view_maps(fields, "left", view, pupil_mm=PUPIL)
    points = np.concatenate([spline.coefficients.reshape(-1, 2) for spline in maps])
    window = window_around(points, meshes[0])
    cut = [window.cut(mesh) for mesh in meshes]
    assert np.prod(cut[0].panel_size_px) < 0.5 * np.prod(meshes[0].panel_size_px)
    planes = content_planes(scene("grid", CONTENT.size_px))
    whole = perceived_light(
        {"left": panel_picture(planes, meshes, transfer=SRGB, bit_depth=12)}, {"left": maps}, view
    )
    part = perceived_light(
        {"left": panel_picture(planes, cut, transfer=SRGB, bit_depth=12)}, {"left": window.moved(maps)}, view
    )
    assert whole.std() > 0.02
    # The spline of a cut mesh ends otherwise; four nodes in, that has faded to 0.27 ** 4 of little.
    np.testing.assert_allclose(part, whole, atol=2e-3)
