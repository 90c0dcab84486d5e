"""The device twin against slow float64 sums from the formulas, written without any of the package's evaluators."""

import numpy as np
import pytest
from numpy.polynomial import chebyshev
from scipy.interpolate import BSpline

from prewarp.lookup.device import Status, prepare, pupil_values_32, unit_pupil_32
from prewarp.lookup.pupil import pupil_count, pupil_exponents, pupil_values, unit_pupil
from prewarp.lookup.tables import Family
from tests.lookup.small_lookups import BOX_MM, CASES, SIZE, case, plane_fields

PUPIL = np.array([1.25, -2.0, 0.75])
# A float32 sum of some tens of terms of size 0.5 errs by a few units of 2^-24.
FLOAT32_TANGENT = 6e-7
# Rounding to a step of 0.03 px, and what the coarse meshes leave.
TABLE_PX = {"chebyshev": 0.2, "chebyshev12": 0.2, "spline": 0.5, "spline12": 0.5, "bilinear": 5.0, "lattice": 9.0, "lattice16": 9.0}  # fmt: skip


def slow_pupil(degree):
    unit = (2.0 * PUPIL - BOX_MM[0] - BOX_MM[1]) / (BOX_MM[1] - BOX_MM[0])
    values = []
    for total in range(degree + 1):
        for z in range(total + 1):
            for y in range(total - z + 1):
                x = total - y - z
                values.append(
                    np.prod(
                        [chebyshev.chebval(u, np.eye(9)[n]) for u, n in zip(unit, (x, y, z), strict=True)]
                    )
                )
    return np.array(values), unit


def slow_direction(lookup, place, pixel):
    """Direction (2,) of one panel point, term by term."""
    table = lookup.maps[place]
    s, t = 2.0 * pixel[0] / SIZE[0] - 1.0, 2.0 * pixel[1] / SIZE[1] - 1.0
    total = np.zeros(2) if table.base is None else slow_direction(lookup, table.base, pixel)
    if table.family == Family.CHEBYSHEV:
        pupil, _ = slow_pupil(table.pupil_degree)
        order = [(n - j, j) for n in range(table.columns) for j in range(n + 1)]
        for first in range(0, len(table.blocks), 3):
            counts, places, codes = table.blocks[first : first + 3]
            term = 0
            for row, count in enumerate(counts.numbers):
                for _ in range(count):
                    i, j = order[places.numbers[term]]
                    panel = chebyshev.chebval(s, np.eye(41)[i]) * chebyshev.chebval(t, np.eye(41)[j])
                    total[row // table.modes] += (
                        codes.scale * codes.numbers[term] * pupil[row % table.modes] * panel
                    )
                    term += 1
        return total
    surface = slow_surface(table)
    if table.family == Family.SPLINE:
        # Open uniform knots: node 0 at knot 3, one coefficient before it.
        ends = [np.arange(n + 4) - 3.0 for n in surface.shape[:2]]
        along = [(s + 1) / 2 * (table.columns - 3), (t + 1) / 2 * (table.rows - 3)]
        half = BSpline(ends[0], surface, 3)(along[0])
        return total + BSpline(ends[1], half, 3)(along[1])
    for axis, position in enumerate((s, t)):
        nodes = np.linspace(-1.0, 1.0, surface.shape[0])
        surface = np.stack(
            [np.interp(position, nodes, column) for column in surface.reshape(len(nodes), -1).T]
        ).reshape(surface.shape[1:])
        assert axis < 2
    return total + surface


def slow_surface(table):
    nodes = 2 if table.family == Family.SPLINE else 0
    s, t = ((np.arange(n) - nodes / 2) * 2.0 / (n - nodes - 1) - 1.0 for n in (table.columns, table.rows))
    grid_s, grid_t = np.meshgrid(s, t, indexing="ij")
    surface = np.stack(
        [table.affine[c, 0] + table.affine[c, 1] * grid_s + table.affine[c, 2] * grid_t for c in range(2)],
        axis=-1,
    )
    shape = (table.columns, table.rows, 2)
    if table.family != Family.LATTICE:
        pupil, _ = slow_pupil(table.pupil_degree)
        weights = table.blocks[0].numbers.astype(float).reshape(table.modes, -1) @ pupil
        return surface + sum(
            w * b.values().reshape(shape) for w, b in zip(weights, table.blocks[1:], strict=True)
        )
    _, unit = slow_pupil(0)
    meshes = table.blocks[0].values().reshape(*table.pupil_counts[::-1], *shape)
    for position, count in zip(unit[::-1], table.pupil_counts[::-1], strict=True):
        place = (position + 1) / 2 * (count - 1)
        first = min(int(place), count - 2)
        meshes = meshes[first] * (1 - place + first) + meshes[first + 1] * (place - first)
    return surface + meshes


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
    unit = unit_pupil(PUPIL, BOX_MM)
    np.testing.assert_allclose(unit_pupil_32(PUPIL, BOX_MM), unit, atol=1e-7)
    np.testing.assert_allclose(pupil_values(unit[None], 4)[0], slow_pupil(4)[0], atol=1e-12)
    np.testing.assert_allclose(pupil_values_32(unit.astype(np.float32), 4), slow_pupil(4)[0], atol=1e-6)


def test_a_box_without_depth_has_no_depth_terms():
    flat = np.array([[-4.0, -3.0, 1.0], [4.0, 3.0, 1.0]])
    assert (
        unit_pupil(np.array([1.0, 0.0, 5.0]), flat)[2]
        == 0.0
        == unit_pupil_32(np.array([1.0, 0.0, 5.0]), flat)[2]
    )
