"""Meshes as functions of the pupil answer to the closed form: nodes, other colours, depth, weights."""

from dataclasses import dataclass

import numpy as np
import pytest

from prewarp.content import ContentProjection
from prewarp.errors import RenderError, ShapeError
from prewarp.render.live.eye_table import eye_table
from prewarp.render.live.weight_map import weight_map
from tests.closed_form import PlaneChannel, PlaneSet, plane_set

HALF_MM = np.array([4.0, 3.0, 2.0])
PUPILS = [(0.0, 0.0, 0.0), (3.5, -2.5, 0.0), (-4.0, 3.0, 2.0), (2.0, 1.0, -2.0)]
# Directions of the closed-form channels are no polynomials of the pupil: what one of degree 5 leaves, px.
TABLE_ERROR_PX = 1e-5
# Cubic splines over the nodes carry the other colours.
COLOUR_ERROR_PX = 1e-3


@pytest.fixture(scope="module")
def table(fields):
    return eye_table(fields, "left", half_mm=HALF_MM, step_px=16.0)


@pytest.mark.parametrize("pupil", PUPILS)
def test_nodes_look_where_the_panel_does(fields, table, pupil):
    tangents = table.tangents(pupil)
    inner = (slice(1, -1), slice(1, -1))
    for place, colour in enumerate("RGB"):
        field = fields.field("left", colour)
        back = field.inverse(tangents[inner][..., place, :], pupil_mm=np.array(pupil), tolerance_px=1e-12)
        # The node itself comes back; those on the panel's very edge may fall a rounding outside.
        found = np.where(back.valid[..., None], back.pixel, table.node_px[inner])
        assert back.valid.mean() > 0.9
        assert np.max(np.abs(found - table.node_px[inner])) < TABLE_ERROR_PX


@pytest.mark.parametrize("pupil", PUPILS)
def test_other_colours_are_seen_together(fields, table, pupil):
    where, pixel = table.seen(pupil)
    np.testing.assert_array_equal(pixel[..., 1, :], table.node_px)
    for place, colour in ((0, "R"), (2, "B")):
        exact = fields.field("left", colour).inverse(where, pupil_mm=np.array(pupil))
        assert exact.valid.mean() > 0.7
        assert np.nanmax(np.abs(exact.pixel - pixel[..., place, :])) < COLOUR_ERROR_PX


@dataclass(frozen=True)
class Folded(PlaneChannel):
    """Its map folds in one corner, beyond all samples."""

    turned: float = 1.0

    def forward_lattice(self, u, v, /, *, pupil_mm):
        tangent = super().forward_lattice(u, v, pupil_mm=pupil_mm)
        slope = (tangent[..., -1:, :] - tangent[..., :1, :]) / (u[-1] - u[0])
        # At the very corner the slope along u vanishes, at some distances from it also in other directions.
        back = (np.clip(u - 570.0, 0.0, None) ** 2 / 140.0)[None, :, None]
        return tangent - self.turned * slope * back * np.clip(1.0 - v / 70.0, 0.0, None)[:, None, None] ** 2


@pytest.mark.parametrize("turned", [0.9, 1.0, 1.1, 1.5])
def test_other_colours_are_found_beside_a_corner_that_folds(fields, table, turned):
    parts = {
        key: Folded(**vars(field), turned=turned) if key[0] == "left" else field
        for key, field in fields.fields.items()
    }
    folded = eye_table(PlaneSet(parts), "left", half_mm=HALF_MM, step_px=16.0)
    assert np.isfinite(folded.seen_px).all()
    for pupil in PUPILS[:2]:
        (_, got), (_, plain) = folded.seen(pupil), table.seen(pupil)
        differ = np.linalg.norm(got - plain, axis=-1)
        away = np.hypot(table.node_px[..., 0] - 640.0, table.node_px[..., 1]) > 320.0
        assert away.mean() > 0.7 and differ[away].max() < 0.05
        # In the corner itself a smooth guess: colours differ by some px.
        assert differ.max() < 50.0


def test_axis_order(table):
    """Columns run along u, rows along v; u to the right, v down, one ring of nodes beyond the panel."""
    assert table.node_shape == (480 // 16 + 3, 640 // 16 + 3)
    np.testing.assert_allclose(table.node_px[0, 0], [-16.0, -16.0])
    np.testing.assert_allclose(table.node_px[1, 2], [16.0, 0.0])
    tangent = table.tangents(np.zeros(3))[..., 1, :]
    assert tangent[5, 20, 0] > tangent[5, 5, 0] and tangent[20, 5, 1] < tangent[5, 5, 1]


def test_a_thinned_table_has_every_other_node(table):
    thin = table.thinned()
    assert thin.node_shape == (480 // 32 + 3, 640 // 32 + 3)
    np.testing.assert_array_equal(thin.node_px[1:-1, 1:-1], table.node_px[1:-1:2, 1:-1:2])
    for pupil in PUPILS:
        inner = (slice(1, -1), slice(1, -1))
        every = (slice(1, -1, 2), slice(1, -1, 2))
        np.testing.assert_allclose(thin.tangents(pupil)[inner], table.tangents(pupil)[every], atol=1e-14)
        np.testing.assert_allclose(thin.seen(pupil)[1][inner], table.seen(pupil)[1][every], atol=1e-10)
    # The ring goes straight on from the edge.
    np.testing.assert_allclose(thin.cosine[:, 0], 2.0 * thin.cosine[:, 1] - thin.cosine[:, 2])


def test_one_colour_serves_all_three(fields):
    single = plane_set(PlaneChannel("left", division=0.05), colours=("G",))
    table = eye_table(single, "left", half_mm=HALF_MM, step_px=40.0)
    _, pixel = table.seen(np.array([1.0, 1.0, 1.0]))
    np.testing.assert_allclose(pixel[..., 0, :], pixel[..., 1, :], atol=1e-9)


@pytest.mark.parametrize("projection", ["flat", "equidistant"])
def test_weights_lie_on_the_plane_of_the_content(seam, projection):
    content = ContentProjection(projection, (800, 500), 80.0)
    weights = weight_map(seam, content, "right")
    rows, columns = weights.weight.shape
    for row, column in ((10, 10), (rows // 2, columns // 2), (rows // 2, columns - 20)):
        plane = weights.origin + np.array([column, row]) / weights.per_unit
        pixel = np.array([400.0, 250.0]) + plane * np.array([content.focal_px, -content.focal_px])
        expected = seam.weights(content.tangent_from_pixel(pixel))[seam.index("right")]
        assert weights.weight[row, column] == pytest.approx(expected, abs=1e-12)
    assert weights.weight.max() == 1.0 and weights.weight.min() == 0.0
    assert np.all(weight_map(None, content, "right").weight == 1.0)


def test_bad_input(fields):
    with pytest.raises(ShapeError, match="half_mm"):
        eye_table(fields, "left", half_mm=(1.0, 2.0))
    with pytest.raises(ShapeError, match="step_px is 1"):
        eye_table(fields, "left", half_mm=HALF_MM, step_px=1.0)

    class Blind(PlaneChannel):
        def forward_lattice(self, u, v, /, *, pupil_mm):
            tangent = super().forward_lattice(u, v, pupil_mm=pupil_mm)
            tangent[0, 0] = np.nan
            return tangent

    with pytest.raises(RenderError, match="channel 'left', R: no direction for 1 of"):
        eye_table(plane_set(Blind("left")), "left", half_mm=HALF_MM)
