"""Pre-warp and view meshes against the closed form that they stand for."""

from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
import pytest

from prewarp.content import ContentProjection
from prewarp.errors import RenderError
from prewarp.mesh import panel_mesh, view_mesh
from prewarp.seam import build_seam
from tests.closed_form import EYE_BOX_CORNERS, PlaneChannel, plane_set, two_channels

PUPIL = np.array([1.0, -2.0, 0.5])
# Error of a map read from its mesh, px: under a hundredth of an 8-bit code at the sharpest edge.
MESH_ERROR_PX = 0.002
CONTENT = ContentProjection("flat", (2560, 1600), 80.0)


@pytest.fixture(scope="module")
def channels():
    return two_channels((2560, 2560))


@pytest.mark.parametrize("projection", ["flat", "equidistant"])
def test_panel_mesh_follows_the_map(channels, projection):
    content = ContentProjection(projection, (2560, 1600), 80.0)
    for channel in channels:
        mesh = panel_mesh(channel, content, tracked_pupil_mm=PUPIL)
        pixel = np.random.default_rng(2).uniform(0.0, 2560.0, (50_000, 2))
        exact = content.pixel_from_tangent(channel.forward(pixel, pupil_mm=PUPIL))
        assert np.max(np.abs(mesh.spline().at(pixel)[:, :2] - exact)) < MESH_ERROR_PX
        assert np.all(mesh.weight == 1.0)


def test_view_mesh_follows_the_inverse(channels):
    view = ContentProjection("flat", (1280, 960), 80.0)
    for channel in channels:
        mesh = view_mesh(channel, view, pupil_mm=PUPIL)
        pixel = np.random.default_rng(3).uniform([0, 0], [1280, 960], (100_000, 2))
        exact = channel.inverse(view.tangent_from_pixel(pixel), pupil_mm=PUPIL)
        got = mesh.at(pixel)
        assert exact.valid.mean() > 0.1
        assert np.max(np.abs(got - exact.pixel)[exact.valid]) < MESH_ERROR_PX
        on_panel = np.all((got >= 0.0) & (got <= 2560.0), axis=-1)
        differ = on_panel != exact.valid
        # Only points within the error of the panel's edge may fall on the other side of it.
        edge = np.min(np.abs(got[differ][:, :, None] - [0.0, 2560.0]), axis=(1, 2))
        assert np.all(edge < MESH_ERROR_PX)


def test_view_mesh_follows_the_inverse_into_a_pointed_corner_and_shows_no_ghost_outside():
    """A panel seen askew has corners where few nodes stand in line."""
    channel = PlaneChannel(
        "askew",
        panel_size_px=(2560, 2208),
        half_width=0.3,
        turn_deg=12.0,
        division=-0.12,
        keystone=(0.25, 0.3),
    )
    view = ContentProjection("flat", (800, 400), 80.0)
    x, y = (np.arange(size) + 0.5 for size in view.size_px)
    got = view_mesh(channel, view, pupil_mm=PUPIL).on_lattice(x, y)
    exact = channel.inverse(view.tangent_from_pixel(np.stack(np.meshgrid(x, y), axis=-1)), pupil_mm=PUPIL)
    # Twelve panel px a view px, and as many times the error of a mesh with three.
    assert np.max(np.abs(got - exact.pixel)[exact.valid]) < 0.05
    on_panel = np.all((got >= 0.0) & (got <= channel.panel_size_px), axis=-1)
    assert exact.valid.sum() > 10_000 and (on_panel != exact.valid).sum() <= 2


@dataclass(frozen=True)
class Straying(PlaneChannel):
    """Past its border its map leads anywhere, as high-degree polynomials do where no sample held them."""

    def inverse(self, tangent, /, *, pupil_mm, tolerance_px=1e-9, margin_px=0.0):
        found = super().inverse(tangent, pupil_mm=pupil_mm)
        if margin_px == 0.0:
            return found
        astray = np.random.default_rng(4).uniform(
            -margin_px, self.panel_size_px[0] + margin_px, tangent.shape
        )
        pixel = np.where(found.valid[..., None], found.pixel, astray)
        return SimpleNamespace(pixel=pixel, valid=np.ones_like(found.valid), iterations=1)


def test_view_mesh_does_not_follow_a_map_that_turns_wild_past_its_border(channels):
    view = ContentProjection("flat", (640, 480), 80.0)
    x, y = (np.arange(size) + 0.5 for size in view.size_px)
    for channel in channels:
        wild = Straying(**vars(channel))
        got = view_mesh(wild, view, pupil_mm=PUPIL).on_lattice(x, y)
        exact = channel.inverse(view.tangent_from_pixel(np.stack(np.meshgrid(x, y), axis=-1)), pupil_mm=PUPIL)
        on_panel = np.all((got >= 0.0) & (got <= channel.panel_size_px), axis=-1)
        assert exact.valid.sum() > 20_000 and (on_panel != exact.valid).sum() <= 2
        # Polynomials continue the nodes at the rim, where the field cannot.
        assert np.max(np.abs(got - exact.pixel)[exact.valid]) < 1.0


def test_nodes_sit_on_the_panel_edges(channels):
    mesh = panel_mesh(channels[0], CONTENT, tracked_pupil_mm=PUPIL, step_px=100.0)
    u, v = mesh.node_px
    assert (u[0], u[-1], v[0], v[-1]) == (0.0, 2560.0, 0.0, 2560.0)
    assert len(u) == 27
    corner = channels[0].forward(np.array([2560.0, 0.0]), pupil_mm=PUPIL)
    np.testing.assert_allclose(mesh.tangent[0, -1], corner, atol=1e-12)


def test_weights_come_from_the_seam(channels):
    seam = build_seam(plane_set(*channels, colours=("G",)), pupils_mm=EYE_BOX_CORNERS)
    mesh = panel_mesh(channels[1], CONTENT, tracked_pupil_mm=PUPIL, seam=seam)
    here = seam.at(PUPIL)
    np.testing.assert_array_equal(mesh.weight, here.weights(mesh.tangent)[1])
    assert mesh.weight.min() == 0.0 and mesh.weight.max() == 1.0
    pixel = np.random.default_rng(4).uniform(100.0, 2460.0, (20_000, 2))
    tangent = channels[1].forward(pixel, pupil_mm=PUPIL)
    got = mesh.weight_at(pixel)
    # Half an 8-bit code of light at half weight: the ramp is far wider than the step between nodes. Where a
    # channel's light ends the weight steps, and the spline may be off by a little there.
    off = np.abs(got - here.weights(tangent)[1])
    near_a_border = np.abs(here.depth_deg(tangent)).min(axis=0) < 0.02
    assert off[~near_a_border].max() < 0.002 and near_a_border.mean() < 0.02


def test_light_is_full_inside_a_rim_wider_than_nodes_tell_depths(channels):
    """A rim of 5 degrees: half a degree inside hardly any light, 5.5 degrees inside all of it."""
    seam = build_seam(plane_set(*channels, colours=("G",)), pupils_mm=EYE_BOX_CORNERS, edge_deg=5.0)
    meshes = [panel_mesh(one, CONTENT, tracked_pupil_mm=PUPIL, seam=seam) for one in channels]
    weight = meshes[1].weight
    deepest = seam.at(PUPIL).depth_deg(meshes[1].tangent).max(axis=0)
    alone = seam.shares(meshes[1].tangent)[1] > 0.99
    assert (weight[alone & (deepest > 5.5)] > 0.99).all() and (alone & (deepest > 5.5)).sum() > 100
    assert (weight[alone & (deepest < 0.5)] < 0.02).all() and (alone & (deepest < 0.5)).sum() > 20


def test_unwarped_map_is_affine_and_near(channels):
    mesh = panel_mesh(channels[0], CONTENT, tracked_pupil_mm=PUPIL, warped=False)
    second = np.diff(mesh.tangent, n=2, axis=0)
    assert np.max(np.abs(second)) < 1e-12
    warped = panel_mesh(channels[0], CONTENT, tracked_pupil_mm=PUPIL)
    difference = np.linalg.norm(mesh.content_px - warped.content_px, axis=-1)
    assert 2.0 < np.median(difference) < 60.0


def test_view_that_misses_the_panel_gets_points_off_it():
    away = PlaneChannel("away", centre=(5.0, 0.0), half_width=0.1)
    mesh = view_mesh(away, ContentProjection("flat", (160, 120), 40.0), pupil_mm=PUPIL)
    assert np.all(mesh.at(np.array([[0.5, 0.5], [80.0, 60.0]])) < -100.0)


def test_nodes_without_direction_are_an_error():
    def nowhere(u, v, /, *, pupil_mm):
        tangent = np.zeros((len(v), len(u), 2))
        tangent[0, 0] = np.nan
        return tangent

    broken = SimpleNamespace(channel="inner", colour="G", panel_size_px=(64, 64), forward_lattice=nowhere)
    with pytest.raises(RenderError, match="channel 'inner', G: no direction for 1 of 25 nodes"):
        panel_mesh(broken, CONTENT, tracked_pupil_mm=PUPIL)
