"""Borders between lit and dark rays: edges in closed form, the likelihood, worked examples."""

from functools import cache

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.special import expit

from prewarp.field.edges import fit_lit_region, fit_lit_regions, most_likely_edges
from prewarp.field.lit import LitRegion, ray_place
from prewarp.field.rays import RIDGE, Rays
from prewarp.fitting.pupil import PupilFrame

SIZE, SPACING = (1000, 800), 40.0
FRAME = PupilFrame((0.0, 0.0), (4.0, 4.0))
# A spacing of the dots in units of half the panel's height: no edge is further from a point than this says.
STEP = 2.0 * SPACING / SIZE[1]


def table_rays(terms, lit):
    """Return rays whose functions are the rows of a table (n, k)."""
    return Rays(lambda part: terms[part].T, lit)


def test_a_ray_that_stands_for_others_counts_as_often():
    """Cost, slope and curvature are those of rays said so many times."""
    random = np.random.default_rng(3)
    terms, lit, weight = random.normal(size=(40, 6)), random.random(40) < 0.6, random.integers(1, 5, 40)
    coefficients = 0.3 * random.normal(size=(2, 6))
    own = Rays(lambda part: terms[part].T, lit, weight.astype(float))
    many = table_rays(np.repeat(terms, weight, axis=0), np.repeat(lit, weight))
    for got, wanted in zip(own.derivatives(coefficients), many.derivatives(coefficients), strict=True):
        np.testing.assert_allclose(got, wanted, rtol=1e-12, atol=1e-12)
    assert own.cost(coefficients) == pytest.approx(many.cost(coefficients), rel=1e-12)


def sides(place):
    """Return how far places (n, 4) are inside three straight edges that move with the pupil, (3, n)."""
    u, v, x, y = place.T
    top, right = 0.55 - v + 0.17 * y + 0.07 * u, 0.75 + 0.4 * v - 0.9 * (u - 0.1 * x)
    return np.stack([top, right, 0.8 + 0.3 * v + 0.9 * (u - 0.1 * x)])


def corners(place):
    """Return how far places (n, 4) are inside all three, which meet in two sharp corners."""
    return sides(place).min(axis=0)


def disc(place):
    """Return the same of a round rim that moves with the pupil."""
    u, v, x, y = place.T
    return 0.7 - np.hypot(u - 0.1 * x, v + 0.1 * y)


def rays(spacing=SPACING, pupils=4):
    u, v = (np.arange(0.5 * spacing, length, spacing) for length in SIZE)
    x = np.linspace(-4.0, 4.0, pupils)
    grid = np.stack(np.meshgrid(u, v, x, x, indexing="ij"), axis=-1).reshape(-1, 4)
    return ray_place(grid[:, :2], grid[:, 2:], SIZE, FRAME)


def between():
    """Return rays between the dots and the captured pupils, within the outermost dots."""
    place, last = rays(9.0, pupils=3), 1.0 - SPACING / np.array(SIZE)
    return place[np.all(np.abs(place[:, :2]) <= last, axis=1)]


def inside(regions, place):
    return np.min([one.values(place) for one in regions], axis=0) > 0.0


@cache
def fitted(shape, fit=fit_lit_regions):
    place = rays()
    found = fit(place, shape(place) > 0.0, panel_size_px=SIZE, frame=FRAME, spacing_px=SPACING)
    return (found,) if isinstance(found, LitRegion) else found


def test_sharp_corners_are_kept_by_more_than_one_region():
    """The border is right within half a spacing, at the corners as well; one polynomial rounds them."""
    assert len(fitted(corners)) > 1
    place = between()
    away, lit = corners(place), corners(place) > 0.0
    wrong = inside(fitted(corners), place) != lit
    assert np.abs(away[wrong]).max() < 0.5 * STEP
    corner = np.sort(np.abs(sides(place)), axis=0)[1] < 1.5 * STEP
    alone = inside(fitted(corners, fit_lit_region), place) != lit
    assert alone[corner].sum() > 2.0 * wrong[corner].sum()


def test_a_round_rim_needs_one_region():
    assert len(fitted(disc)) == 1
    # Further out a field's own border ends the light.
    place = between()
    away = disc(place)
    wrong = (inside(fitted(disc), place) != (away > 0.0)) & (away > -4.0 * STEP)
    assert np.abs(away[wrong]).max() < 0.5 * STEP


def test_another_colour_begins_where_the_first_ended():
    place, first = rays(), fitted(corners)
    second = fit_lit_regions(
        place, corners(place) > 0.02, panel_size_px=SIZE, frame=FRAME, spacing_px=SPACING, start=first
    )
    assert len(second) == len(first)
    for one, other in zip(first, second, strict=True):
        np.testing.assert_array_equal(one.exponents, other.exponents)
    place = between()
    away = corners(place) - 0.02
    assert np.abs(away[inside(second, place) != (away > 0.0)]).max() < 0.5 * STEP


@pytest.mark.parametrize("degree", [0, 1, 2])
def test_a_border_moves_with_the_pupil_by_the_degree_that_positions_show(degree):
    place = rays(2.0 * SPACING)
    regions = fit_lit_regions(
        place, disc(place) > 0.0, panel_size_px=SIZE, frame=FRAME, spacing_px=SPACING, pupil_degree=degree
    )
    assert max(one.exponents[:, 2:].sum(axis=1).max() for one in regions) == degree


def test_the_same_samples_give_the_same_regions():
    for one, other in zip(fitted(corners), fitted.__wrapped__(corners), strict=True):
        np.testing.assert_array_equal(one.coefficients, other.coefficients)


@pytest.mark.outside
def test_one_edge_is_logistic_regression():
    """Hours of study and passing an exam, the worked example of the Wikipedia article "Logistic regression":
    -4.0777 + 1.5046 h, log likelihood -8.02988 (from memory).
    """
    hours = [
        0.5,
        0.75,
        1,
        1.25,
        1.5,
        1.75,
        1.75,
        2,
        2.25,
        2.5,
        2.75,
        3,
        3.25,
        3.5,
        4,
        4.25,
        4.5,
        4.75,
        5,
        5.5,
    ]
    passed = np.isin(np.arange(20), [6, 8, 10, 12, 14, 15, 16, 17, 18, 19])
    terms = np.stack([np.ones(20), hours], axis=-1)
    found, cost = most_likely_edges(table_rays(terms, passed), np.zeros((1, 2)))
    # The pull towards zero takes 0.2 % off.
    np.testing.assert_allclose(found, [[-4.0777, 1.5046]], rtol=4e-3)
    assert cost - 0.5 * RIDGE * np.sum(found**2) == pytest.approx(8.02988, abs=1e-3)


@pytest.mark.outside
def test_several_edges_are_the_most_likely():
    """scipy.optimize finds nothing better for the product of two logistic functions, written out here."""
    random = np.random.default_rng(7)
    terms = np.concatenate([np.ones((400, 1)), random.normal(size=(400, 2))], axis=1)
    true = np.array([[1.0, 2.0, 0.0], [0.5, 0.0, -3.0]])
    lit = random.random(400) < expit(terms @ true.T).prod(axis=1)

    def cost_of(numbers):
        chance = np.clip(expit(terms @ numbers.reshape(2, 3).T).prod(axis=1), 1e-12, 1.0 - 1e-12)
        return -np.log(np.where(lit, chance, 1.0 - chance)).sum() + 0.5 * RIDGE * numbers @ numbers

    found, cost = most_likely_edges(table_rays(terms, lit), 0.3 * true)
    assert cost == pytest.approx(cost_of(found.ravel()), rel=1e-9)
    assert cost == pytest.approx(minimize(cost_of, found.ravel()).fun, abs=0.02)
    # No worse than what made them.
    assert cost <= cost_of(true.ravel())


@pytest.mark.parametrize("far", [50.0, 5000.0])
def test_rays_far_from_every_border_do_no_harm(far):
    """Chances of nought and one, to the last bit: no overflow, and the border stays."""
    u = np.concatenate([np.linspace(-1.0, 1.0, 41), [-far, far]])
    terms = np.stack([np.ones(43), u], axis=-1)
    found, cost = most_likely_edges(table_rays(terms, np.abs(u) < 0.52), np.array([[1.0, 5.0], [1.0, -5.0]]))
    np.testing.assert_allclose(-found[:, 0] / found[:, 1], [-0.525, 0.525], atol=0.01)
    assert np.isfinite(cost)
