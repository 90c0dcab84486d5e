"""The device twin against the formulas."""

import numpy as np
import pytest

from prewarp.lookup.device import Status, prepare, pupil_values_32, unit_pupil_32
from prewarp.lookup.inverse import panel_near
from prewarp.lookup.pupil import pupil_count, pupil_exponents, pupil_values
from tests.lookup.slow_lookup import PUPIL, slow_direction, slow_pupil
from tests.lookup.small_lookups import BOX_MM, CASES, SIZE, case, plane_fields

# A float32 sum of some tens of terms of size 0.5 errs by a few units of 2^-24.
FLOAT32_TANGENT = 6e-7
# Rounding to a step of 0.03 px, and what the coarse meshes leave.
TABLE_PX = {"chebyshev": 0.2, "chebyshev fine": 0.2, "spline": 0.5, "spline12": 0.5, "spline16": 0.5}


@pytest.mark.outside
@pytest.mark.parametrize("name", CASES)
def test_twin_follows_the_formulas(name):
    """numpy's Chebyshev series and scipy's B-splines say what the twin must give."""
    lookup = case(name)
    pixel = np.random.default_rng(5).uniform([0, 0], SIZE, (12, 2))
    for place in range(len(lookup.maps)):
        got = prepare(lookup, place, PUPIL).direction_from_panel(pixel)
        slow = np.array([slow_direction(lookup, place, one) for one in pixel])
        assert got.dtype == np.float32
        np.testing.assert_allclose(got, slow, atol=FLOAT32_TANGENT)


@pytest.mark.parametrize("name", CASES)
def test_tables_stand_for_the_field(name):
    lookup = case(name)
    pixel = np.random.default_rng(6).uniform([0, 0], SIZE, (400, 2))
    for (channel, colour), field in plane_fields().items():
        place = lookup.map_index(channel, colour)
        got = prepare(lookup, place, PUPIL).direction_from_panel(pixel)
        exact = field.forward(pixel, pupil_mm=PUPIL)
        error = np.linalg.solve(field.jacobian(pixel, pupil_mm=PUPIL), (got - exact)[..., None])
        assert np.abs(error).max() < TABLE_PX[name]


@pytest.mark.parametrize("name", CASES)
def test_mesh_nodes_are_single_points(name):
    lookup = case(name)
    for place in (0, 1):
        prepared = prepare(lookup, place, PUPIL)
        u, v = np.meshgrid(np.linspace(0, SIZE[0], 9), np.linspace(0, SIZE[1], 6))
        # Positions of nodes and of panel points are rounded apart from each other, by 2^-24 of the panel.
        np.testing.assert_allclose(
            prepared.mesh(9, 6),
            prepared.direction_from_panel(np.stack([u, v], axis=-1)),
            atol=FLOAT32_TANGENT,
        )


@pytest.mark.parametrize("name", CASES)
def test_both_ways_agree(name):
    prepared = prepare(case(name), 3, PUPIL)
    pixel = np.random.default_rng(7).uniform([0, 0], SIZE, (300, 2))
    found, status = prepared.panel_from_direction(prepared.direction_from_panel(pixel))
    assert np.all(status == Status.OK)
    # A step of float32 in direction is 2e-4 px of this small panel.
    assert np.abs(found - pixel).max() < 1e-3
    elsewhere, _ = prepare(case(name), 3, [3.0, 2.0, -1.0]).panel_from_direction(
        prepared.direction_from_panel(pixel)
    )
    shown = prepared.direction_from_panel(elsewhere)
    assert np.abs(shown - prepared.direction_from_panel(pixel)).max() > 1e-4
    again, status = panel_near(prepared, prepared.direction_from_panel(pixel), elsewhere.astype(float))
    assert np.all(status == Status.OK) and np.abs(again - pixel).max() < 1e-3


@pytest.mark.parametrize("name", CASES)
def test_directions_beside_the_panel_say_so_in_double_precision_too(name):
    prepared = prepare(case(name), 3, PUPIL)
    pixel = np.random.default_rng(8).uniform([-9, -9], np.add(SIZE, 9), (200, 2))
    far = np.array([[3.0, 3.0], [np.nan, 0.0]])
    tangent = np.concatenate([prepared.direction_from_panel(pixel), far])
    found, status = panel_near(prepared, tangent, np.broadcast_to(0.5 * np.array(SIZE), tangent.shape))
    wanted, told = prepared.panel_from_direction(tangent)
    np.testing.assert_array_equal(status, told)
    assert {*status.tolist()} == {Status.OK, Status.OFF_PANEL, Status.NOT_CONVERGED}
    known = status != Status.NOT_CONVERGED
    assert known[:-2].all() and np.abs(found - wanted)[known].max() < 2e-3


def test_directions_beside_the_panel_say_so():
    prepared = prepare(case("chebyshev"), 0, PUPIL)
    beside = prepared.direction_from_panel(np.array([[650.0, 240.0], [320.0, -8.0]]))
    found, status = prepared.panel_from_direction(beside)
    np.testing.assert_array_equal(status, Status.OFF_PANEL)
    np.testing.assert_allclose(found, [[650.0, 240.0], [320.0, -8.0]], atol=0.01)
    _, far = prepared.panel_from_direction(np.array([[3.0, 3.0], [np.nan, 0.0]]))
    assert np.all(far == Status.NOT_CONVERGED)


def test_pupils_outside_are_moved_into_the_box():
    lookup = case("spline")
    inside = prepare(lookup, 0, np.array([4.0, -3.0, 2.0])).mesh(5, 5)
    np.testing.assert_array_equal(prepare(lookup, 0, np.array([40.0, -30.0, 20.0])).mesh(5, 5), inside)


def test_pupil_functions_count_and_order():
    assert pupil_count(3) == len(pupil_exponents(3)) == 20
    assert pupil_exponents(2).tolist()[:4] == [[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]]
    unit = (2.0 * PUPIL - BOX_MM[0] - BOX_MM[1]) / (BOX_MM[1] - BOX_MM[0])
    np.testing.assert_allclose(unit_pupil_32(PUPIL, BOX_MM), unit, atol=1e-7)
    np.testing.assert_allclose(pupil_values(unit[None], 4)[0], slow_pupil(4), atol=1e-12)
    np.testing.assert_allclose(pupil_values_32(unit.astype(np.float32), 4), slow_pupil(4), atol=1e-6)


def test_a_box_without_depth_has_no_depth_terms():
    flat = np.array([[-4.0, -3.0, 1.0], [4.0, 3.0, 1.0]])
    assert unit_pupil_32(np.array([1.0, 0.0, 5.0]), flat)[2] == 0.0
