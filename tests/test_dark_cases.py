"""The captures that go dark: rims and edges in closed form, the gap's definition, what the traces hold."""

import numpy as np
import pytest

from prewarp.seam.directions import node_areas_deg2, tangent_from_plane_deg
from tests.dark_cases import (
    BETWEEN,
    CASES,
    CENTRED,
    CORNER,
    PANEL,
    SIDE,
    STACKED,
    WAVELENGTH_UM,
    Optics,
    case,
    direction_of_dot,
    gap_nodes,
    trace,
)

# First surface of US patent 1,479,229 as optiland 0.6.3 has it: 15.224 mm from the eye, radius 269 mm.
EYE_RELIEF_MM, RADIUS_MM = 15.224, 269.0
# Square degrees of gap from (0, 0), (4, 0), (4, 4), (1, 3) and (-2.9, -1.1) mm, by this trace.
HOLES = {
    "stacked": (155.2, 149.1, 147.5, 153.7, 149.1),
    "side by side, pitched": (106.0, 103.5, 100.3, 100.9, 102.3),
    "cut mirror, two depths": (280.1, 292.9, 335.9, 319.1, 266.6),
    "apart from some pupils": (189.4, 182.3, 172.2, 183.8, 200.8),
    "steep": (14.6, 29.5, 31.5, 17.9, 23.4),
}


def on_first_surface(tangent, pupil):
    """Return where rays meet the first surface, (n, 2) mm: a line and a sphere."""
    ray = np.concatenate([tangent, np.ones((len(tangent), 1))], axis=1)
    ray /= np.linalg.norm(ray, axis=1, keepdims=True)
    off = np.asarray(pupil) - [0.0, 0.0, EYE_RELIEF_MM + RADIUS_MM]
    half = ray @ off
    return (np.asarray(pupil) + (-half - np.sqrt(half**2 - off @ off + RADIUS_MM**2))[:, None] * ray)[:, :2]


@pytest.mark.outside
@pytest.mark.parametrize("pupil", [(0.0, 0.0, 0.0), (3.0, -2.0, 1.5)])
def test_rims_and_edges_stop_the_rays_that_meet_them(pupil):
    tangent = np.random.default_rng(1).uniform(-0.35, 0.35, (2000, 2))
    meets = on_first_surface(tangent, pupil)
    found = trace(
        Optics(0.0, 0.0, rims=((0, 5.0),), edges=((0, 0.6, 0.8, 2.0),)), "G", tangent, np.array(pupil)
    )
    free = (np.hypot(*meets.T) <= 5.0) & (meets @ [0.6, 0.8] <= 2.0)
    assert found.on_panel.all() and 200 < free.sum() < 1500
    np.testing.assert_array_equal(found.lit, free)


@pytest.mark.parametrize("roll", [0.0, 30.0])
def test_axes_point_right_and_up(roll):
    """The axis of a lens ends at the middle of its panel; a direction above it higher up, at smaller v."""
    optics = Optics(12.0, 17.0, roll)
    axis = np.array([np.tan(np.radians(12.0)), np.tan(np.radians(17.0)) / np.cos(np.radians(12.0))])
    found = trace(optics, "G", np.stack([axis, axis + [0.0, 0.01], axis + [0.01, 0.0]]), np.zeros(3)).pixel
    np.testing.assert_allclose(found[0], [1280.0, 1280.0], atol=1e-6)
    up, right = found[1] - found[0], found[2] - found[0]
    assert up[1] < 0.0 < right[0]


def test_the_gap_between_two_discs():
    """Two discs in the plane of degrees, in closed form, with panels that meet and panels that do not.

    Between the middles lies a rectangle 2 r high and d wide; half of each disc is in it, less once what is in
    both: r^2 (2 acos(d / 2r)) - (d / 2) sqrt(4 r^2 - d^2).
    """
    r, d, step = 4.0, 6.0, 0.05
    x, y = np.arange(-9.0, 9.0, step) + 0.013, np.arange(-6.0, 6.0, step) + 0.021
    plane = np.stack(np.meshgrid(x, y), axis=-1)
    a, b = (np.hypot(*np.moveaxis(plane - [middle, 0.0], -1, 0)) <= r for middle in (-d / 2.0, d / 2.0))
    both = 2.0 * r**2 * np.arccos(d / (2.0 * r)) - d / 2.0 * np.sqrt(4.0 * r**2 - d**2)
    expected = 2.0 * r * d - np.pi * r**2 + both
    height = np.abs(plane[..., 1]) <= 5.0
    panels = [height & (plane[..., 0] <= 1.0), height & (plane[..., 0] >= -1.0)]
    gap = gap_nodes([a, b], panels)
    assert node_areas_deg2(plane, step)[gap].sum() == pytest.approx(expected, rel=0.01)
    # Panels 8 high and 1 apart: between them the field is 0.85 as high, dark all over at its ends.
    height = np.abs(plane[..., 1]) <= 4.0
    panels = [height & (plane[..., 0] <= -0.5), height & (plane[..., 0] >= 0.5)]
    gap = gap_nodes([a & panels[0], b & panels[1]], panels)
    corners = 2.0 * (4.0 - 3.4) * 1.0
    middle = np.sum((a | b) & (np.abs(plane[..., 0]) < 0.5)) * step**2
    assert node_areas_deg2(plane, step)[gap].sum() == pytest.approx(expected - corners + middle, rel=0.01)
    # A patch that light surrounds counts as well, a bite out of the rim does not, nor what is not captured.
    whole = [np.ones(a.shape, dtype=bool)] * 2
    hidden = np.hypot(*np.moveaxis(plane + [4.0, 0.0], -1, 0)) <= 1.0
    bite = np.hypot(*np.moveaxis(plane + [8.0, 0.0], -1, 0)) <= 1.5
    np.testing.assert_array_equal(
        gap_nodes([a & ~hidden & ~bite, b], whole), gap_nodes([a, b], whole) | (hidden & a)
    )
    low = plane[..., 1] < 2.0
    np.testing.assert_array_equal(
        gap_nodes([a & low, b & low], [low, low]), gap_nodes([a, b], whole) & low & ~(a | b)
    )


def test_a_lattice_traced_where_it_must_is_the_whole_lattice():
    pair = case("cut mirror, two depths")
    plane = np.stack(np.meshgrid(np.linspace(-60.0, 20.0, 161), np.linspace(-40.0, 60.0, 201)), axis=-1)
    for what in (pair.white, pair.captured):
        found = pair.on_lattice(what, "inner", plane, SIDE)
        np.testing.assert_array_equal(found, what("inner", tangent_from_plane_deg(plane), SIDE))


@pytest.mark.parametrize("name", CASES)
def test_rows_are_what_is_lit(name):
    """No row is dark; rows are missing on the panel, but where nothing stops the light."""
    pair = case(name)
    grid, dark = pair.grid, 0
    for channel in pair.optics:
        for colour in WAVELENGTH_UM:
            rows = grid.select(channel=channel, colour=colour)
            assert pair.lit(channel, colour, rows.tangent, rows.pupil_mm).all()
            seen = trace(pair.optics[channel], colour, rows.tangent, rows.pupil_mm).pixel
            assert np.abs(seen - rows.pixel).max() < 0.4
            # From each pupil: what is not lit of the directions that any pupil sees.
            some = np.unique(rows.tangent, axis=0)[::7]
            on, lit = (one(channel, colour, some, np.array(CORNER)) for one in (pair.on_panel, pair.lit))
            dark += int(np.sum(on & ~lit))
    assert (dark == 0) == (name == "nothing dark")
    assert len(np.unique(grid.pupil_mm, axis=0)) == (9 if "3 x 3" in name else 25)
    assert pair.module.channel_names == tuple(pair.optics)


def test_dots_on_the_panel_are_followed_back():
    random = np.random.default_rng(2)
    dots = random.uniform(0.0, PANEL, (400, 2))
    pupil = np.repeat(random.uniform(-4.0, 4.0, (8, 3)), 50, axis=0)
    tangent = direction_of_dot(STACKED["upper"], "B", dots, pupil)
    seen = trace(STACKED["upper"], "B", tangent, pupil).pixel
    # 1e-9 of a tangent is 2e-6 px.
    np.testing.assert_allclose(seen, dots, rtol=0.0, atol=1e-6)


@pytest.mark.parametrize("name", HOLES)
def test_holes_of_the_trace(name):
    pair = case(name)
    found = [pair.hole(pupil).area_deg2 for pupil in (CENTRED, SIDE, CORNER, *BETWEEN)]
    np.testing.assert_allclose(found, HOLES[name], rtol=0.03, atol=0.5)
    assert pair.hole(CORNER, 0.07).area_deg2 == pytest.approx(HOLES[name][2], rel=0.03, abs=1.0)


def test_the_steep_pair_is_dark_at_the_ends_of_its_seam():
    """As seen on a strongly pitched pair: holes at azimuths up to 22 degrees and more, elevations up to 18,
    twice as large from 4 mm to the side, up to 20 degrees wide, while the middle overlaps by 15.
    """
    pair = case("steep")
    holes = {pupil: pair.hole(pupil) for pupil in (CENTRED, SIDE, CORNER)}
    seen = {pupil: np.degrees(np.arctan(hole.tangent)) for pupil, hole in holes.items()}
    assert seen[SIDE][:, 0].max() > 22.0 and 16.0 < seen[SIDE][:, 1].max() < 20.0
    assert holes[SIDE].area_deg2 > 1.8 * holes[CENTRED].area_deg2
    assert 15.0 < max(hole.extents_deg().max() for hole in holes.values()) < 23.0
    up = np.stack([np.zeros(241), np.arange(-10.0, 30.01, 1.0 / 6.0)], axis=-1)
    both = [pair.white(one, tangent_from_plane_deg(up), CENTRED) for one in pair.optics]
    assert np.sum(both[0] & both[1]) / 6.0 == pytest.approx(15.0, abs=1.5)
