"""The C evaluator against its Python twin (to the last bit); its integer path within its error."""

import ctypes
import shutil
import subprocess
from dataclasses import replace

import numpy as np
import pytest
from scipy.interpolate import BSpline

from prewarp.chebyshev import exponents_of_degree, values_2d
from prewarp.errors import PackageError
from prewarp.export.c_evaluator import STRICT, CEvaluator, compile_evaluator, meshes
from prewarp.export.c_sources import c_sources
from prewarp.export.reserve import ADDED_BY, lent_memory
from prewarp.field.border import distance_inside
from prewarp.lookup import prepare
from prewarp.lookup.blob import blob_from_lookup
from prewarp.lookup.blob_reading import lookup_from_blob
from prewarp.lookup.chebyshev_terms import chebyshev_table
from prewarp.lookup.device_light import PreparedLight, plane_deg_32
from prewarp.lookup.layout import MAP
from prewarp.lookup.pupil import region_exponents
from prewarp.lookup.tables import Family, Lookup
from prewarp.seam.blend import shown_weights
from tests.lookup.slow_lookup import PUPIL, slow_direction
from tests.lookup.small_lookups import BOX_MM, CASES, SIZE, case, small_blobs
from tests.lookup.test_blob import (
    RULES,
    bad_terms,
    changed,
    repeated_blocks,
    too_narrow,
    with_terms,
    with_unused_block,
)
from tests.support import missing, require_tool

PUPILS = np.array([[0.0, 0.0, 0.0], [1.3, -2.2, 0.7], [4.0, 3.0, 2.0], [-9.0, 1.0, -5.0]])
# A whole number of 1/65536 mm, so that both paths start from the same pupil.
EXACT_PUPIL = np.array([1.25, -2.25, 0.75])
# Integer path: directions are rounded to 2^-28 and summed with some tens of roundings; px of a panel with 640
# px for 0.72 of tangent, doubled for the slope at the rim.
FIXED_TANGENT, FIXED_PX, FIXED_SHARE = 3e-7, 1e-3, 4e-5
# The same against exact sums, without the roundings of the float path: at most some 1.5e-8 were seen.
EXACT_TANGENT = 3e-8
# An open blob is refused or not; the numbers are those of prewarp_status.
NOT_A_BLOB, DAMAGED, REFUSED = 16, 17, 18


@pytest.fixture(scope="module", params=["gcc", "clang"])
def library(request, tmp_path_factory):
    compiler = require_tool("gcc") if request.param == "gcc" else shutil.which("clang")
    if compiler is None:
        missing("clang is not installed")
    # gcc as for speed, with every instruction that this machine has; clang as quick to compile.
    options = ("-O3", "-march=native") if request.param == "gcc" else ("-O1",)
    return compile_evaluator(tmp_path_factory.mktemp(request.param), compiler=compiler, options=options)


def pixels(count=60):
    return np.random.default_rng(8).uniform([-5.0, -5.0], [645.0, 485.0], (count, 2)).astype(np.float32)


@pytest.mark.parametrize("name", CASES)
def test_float_path_is_the_twin_to_the_last_bit(library, name):
    evaluator = CEvaluator(library, small_blobs()[name])
    assert evaluator.status == 0
    lookup = case(name)
    for place in range(4):
        for pupil in PUPILS:
            got, twin = evaluator.map_at(place, pupil), prepare(lookup, place, pupil)
            np.testing.assert_array_equal(got.coefficients, as_c_keeps(twin))
            np.testing.assert_array_equal(got.mesh(17, 9), twin.mesh(17, 9))
            np.testing.assert_array_equal(got.mesh(6, 8), twin.mesh(6, 8))
            tangent = got.direction_from_panel(pixels())
            np.testing.assert_array_equal(tangent, twin.direction_from_panel(pixels()))
            pixel, status = got.panel_from_direction(tangent)
            twin_pixel, twin_status = twin.panel_from_direction(tangent)
            np.testing.assert_array_equal(pixel, twin_pixel)
            np.testing.assert_array_equal(status, twin_status)


def as_c_keeps(twin):
    """Return a prepared map's coefficients in the order of C: of Chebyshev terms even j come before odd j."""
    if twin.family != Family.CHEBYSHEV:
        return twin.coefficients.ravel()
    odd = exponents_of_degree(twin.columns - 1)[:, 1] % 2
    return np.append(twin.coefficients[:, np.argsort(odd, kind="stable")], np.zeros(ADDED_BY - 1, np.float32))


@pytest.mark.parametrize("terms", [*range(19), 20, 22, 28, 30, 41])
@pytest.mark.parametrize("nodes", [(2, 2), (3, 5), (9, 9), (18, 7)])
def test_meshes_of_every_degree_are_the_twin_to_the_last_bit(library, terms, nodes):
    """Few and many terms are summed by other functions; with 0 all coefficients vanish."""
    lookup = series_lookup(terms)
    evaluator = CEvaluator(library, blob_from_lookup(lookup))
    for place in (0, 1):
        got, twin = evaluator.map_at(place, EXACT_PUPIL), prepare(lookup, place, EXACT_PUPIL)
        mesh = twin.mesh(*nodes)
        np.testing.assert_array_equal(got.mesh(*nodes), mesh)
        whole = evaluator.map_at(place, EXACT_PUPIL, fixed=True)
        assert np.abs(whole.mesh(*nodes) - mesh).max() < FIXED_TANGENT


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("nodes", [(9, 6), (6, 9)])
def test_maps_drawn_in_one_call_are_those_drawn_alone(library, name, nodes):
    """In any order, bases first; a map may come twice, more may build on a base than one go draws."""
    evaluator = CEvaluator(library, small_blobs()[name])
    lookup = case(name)
    for order in ((0, 1, 2, 3), (2, 0, 3, 1), (0, *[1] * 19)):
        real = [evaluator.map_at(place, EXACT_PUPIL) for place in order]
        np.testing.assert_array_equal(meshes(real, *nodes), twin_meshes(lookup, order, nodes))
        whole = [evaluator.map_at(place, EXACT_PUPIL, fixed=True) for place in order]
        np.testing.assert_array_equal(meshes(whole, *nodes), [one.mesh(*nodes) for one in whole])


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("rows", [5, 6])
@pytest.mark.parametrize("fixed", [False, True])
def test_strips_are_rows_of_the_whole(library, name, rows, fixed):
    """Before, across and behind the middle, where rows and their mirror images are drawn together."""
    evaluator = CEvaluator(library, small_blobs()[name])
    maps = [evaluator.map_at(place, EXACT_PUPIL, fixed=fixed) for place in (0, 1, 2, 3, 1)]
    whole = meshes(maps, 7, rows)
    for first in range(rows):
        for count in range(1, rows - first + 1):
            strip = meshes(maps, 7, rows, strip=(first, count))
            np.testing.assert_array_equal(strip, whole[:, first : first + count])
    for strip in ((0, 0), (rows, 1), (1, rows), (rows - 1, 2**32 - 1)):
        with pytest.raises(PackageError, match="status 19"):
            meshes(maps, 7, rows, strip=strip)


def twin_meshes(lookup, order, nodes):
    return [prepare(lookup, place, EXACT_PUPIL).mesh(*nodes) for place in order]


def test_a_map_may_build_on_one_of_another_family(library):
    tables = [case(name).maps for name in ("chebyshev", "spline")]
    for first, second in (tables, tables[::-1]):
        lookup = replace(case("spline"), maps=(first[0], second[1], *first[2:]))
        evaluator = CEvaluator(library, blob_from_lookup(lookup))
        maps = [evaluator.map_at(place, EXACT_PUPIL) for place in range(4)]
        np.testing.assert_array_equal(meshes(maps, 8, 5), twin_meshes(lookup, range(4), (8, 5)))
        whole = [evaluator.map_at(place, EXACT_PUPIL, fixed=True) for place in range(4)]
        assert np.abs(meshes(whole, 8, 5) - meshes(maps, 8, 5)).max() < FIXED_TANGENT


def series_lookup(terms):
    """Two maps of `terms` functions along v, the second added to the first; along u two (tx four) less."""
    random, size = np.random.default_rng(terms), (max(terms, 1), max(terms, 1))
    i, j = exponents_of_degree(size[0] - 1).T
    left_out = np.array([4, 2])[:, None, None] * (terms > 4)
    fade = np.where(i < terms - left_out, 1.0 + i + j, np.inf)
    tables = []
    for place, step in enumerate((1e-5, 1e-6)):
        codes = np.rint(random.uniform(-2e4, 2e4, (2, 4, len(i))) / fade).astype(np.int64)
        table = replace(chebyshev_table(codes, step), colour=place, base=0 if place else None)
        tables.append(replace(table, columns=size[0], rows=size[1]))
    return Lookup(("one",), ("G", "R"), (SIZE,), BOX_MM, tuple(tables))


@pytest.mark.parametrize("name", CASES)
def test_integer_path_keeps_to_its_error(library, name):
    evaluator = CEvaluator(library, small_blobs()[name])
    for place in (0, 3):
        for pupil in PUPILS:
            whole, real = evaluator.map_at(place, pupil, fixed=True), evaluator.map_at(place, pupil)
            assert np.abs(whole.mesh(17, 9) - real.mesh(17, 9)).max() < FIXED_TANGENT
            inside = np.all((pixels() >= 0) & (pixels() <= SIZE), axis=1)
            points = pixels()[inside]
            tangent = real.direction_from_panel(points)
            assert np.abs(whole.direction_from_panel(points) - tangent).max() < FIXED_TANGENT
            found, status = whole.panel_from_direction(tangent)
            assert np.all(status == 0) and np.abs(found - points).max() < FIXED_PX


@pytest.mark.outside
@pytest.mark.parametrize("name", CASES)
def test_integer_path_follows_the_formulas(library, name):
    """numpy's Chebyshev series and scipy's B-splines in float64 (`slow_lookup`); 24 bits would show."""
    evaluator = CEvaluator(library, small_blobs()[name])
    columns, rows = 5, 4
    nodes = np.stack(
        np.meshgrid(np.linspace(0, SIZE[0], columns), np.linspace(0, SIZE[1], rows)), axis=-1
    ).reshape(-1, 2)
    points = np.rint(np.random.default_rng(5).uniform([0, 0], SIZE, (20, 2)) * 16.0) / 16.0
    for place in range(4):
        whole = evaluator.map_at(place, PUPIL, fixed=True)
        got = np.concatenate([whole.direction_from_panel(points), whole.mesh(columns, rows).reshape(-1, 2)])
        exact = [slow_direction(case(name), place, one) for one in (*points, *nodes)]
        assert np.abs(got - exact).max() < EXACT_TANGENT


@pytest.mark.parametrize("pupil", PUPILS)
def test_neighbours_are_looked_for_ahead_of_the_same_piece(library, pupil):
    """A line around the middle, finely, so that every piece of every border is met from both sides."""
    evaluator, lookup = (
        CEvaluator(library, small_blobs()["chebyshev"]),
        lookup_from_blob(small_blobs()["chebyshev"]),
    )
    turn = np.linspace(0.0, 4.0 * np.pi, 701)
    line = (np.linspace(0.02, 0.6, 701) * np.array([np.cos(turn), np.sin(turn)])).T.astype(np.float32)
    asked = np.concatenate([line, line[::-1]])
    twin, real = PreparedLight(lookup, pupil), evaluator.light_at(pupil)
    weights = twin.weights(asked)
    assert 0.1 < np.mean(weights.sum(axis=0) > 0.5) < 0.95
    np.testing.assert_array_equal(real.weights_of(asked), weights)
    for got, wanted in zip(
        real.claims_and_depths_of(asked, limit_deg=2.0),
        twin.claims_and_depths(asked, limit_deg=2.0),
        strict=True,
    ):
        np.testing.assert_array_equal(got, wanted)


def tangents(count=400):
    return np.random.default_rng(9).uniform(-0.75, 0.75, (count, 2)).astype(np.float32)


@pytest.mark.parametrize("name", ["chebyshev", "spline"])
@pytest.mark.parametrize("pupil", PUPILS)
def test_weights_and_gains(library, name, pupil):
    """Of what is lit: a hole, rims that move with the pupil, a border of five corners."""
    evaluator, lookup = CEvaluator(library, small_blobs()[name]), lookup_from_blob(small_blobs()[name])
    twin, real, whole = (
        PreparedLight(lookup, pupil), evaluator.light_at(pupil), evaluator.light_at(pupil, fixed=True)
    )  # fmt: skip
    odd = np.array([[np.nan, 0.0], [0.0, np.inf], [1e30, -1e30], [0.0, 0.0], [-0.2, 0.01]], dtype=np.float32)
    # Sixteen side by side: odd ones among them, then far ones alone.
    asked = np.concatenate([odd, tangents(11), -2.5 - tangents(16), tangents(), odd])
    weights = twin.weights(asked)
    np.testing.assert_array_equal(real.weights(asked), weights)
    np.testing.assert_array_equal(real.lit(asked), twin.lit(asked))
    np.testing.assert_array_equal(real.weights_of(asked), weights)
    for got, together, wanted in zip(
        real.claims_and_depths(asked, limit_deg=2.0),
        real.claims_and_depths_of(asked, limit_deg=2.0),
        twin.claims_and_depths(asked, limit_deg=2.0),
        strict=True,
    ):
        np.testing.assert_array_equal(got, wanted)
        np.testing.assert_array_equal(together, wanted)
    # Degrees inside have the sign of what is lit.
    np.testing.assert_array_equal(twin.claims_and_depths(asked, limit_deg=2.0)[1] > 0.0, twin.lit(asked))
    total = weights.astype(float).sum(axis=0)
    assert np.all((np.abs(total - 1.0) < 1e-6) | (total == 0.0))
    assert 0.2 < np.mean(total > 0.5) < 0.9 and np.all(total[-5:-2] == 0.0) and np.all(total[16:32] == 0.0)
    # A direction within a rounding of a border may fall on either side.
    same = (whole.lit(tangents()) == twin.lit(tangents())).all(axis=0)
    assert np.mean(same) > 0.99
    assert np.abs(whole.weights(tangents()) - weights[:, -405:-5])[:, same].max() < FIXED_SHARE
    direction = twin.maps[3].direction_from_panel(pixels())
    gain = twin.gain(3, pixels(), direction)
    np.testing.assert_array_equal(real.gain(3, pixels(), direction), gain)
    assert np.abs(whole.gain(3, pixels(), direction) - gain).max() < FIXED_SHARE
    # Where none is given the factor is 1; a map that is not there shows nothing.
    assert np.all(real.gain(0, pixels(3), direction[:3]) == 1.0)
    assert np.all(real.gain(9, pixels(3), direction[:3]) == 0.0)
    assert np.all(whole.gain(9, pixels(3), direction[:3]) == 0.0)


@pytest.mark.parametrize("pupil", PUPILS)
def test_light_that_fades_at_the_rim_as_in_shaders(library, pupil):
    lookup = lookup_from_blob(small_blobs()["chebyshev"])
    twin, real = PreparedLight(lookup, pupil), CEvaluator(library, small_blobs()["chebyshev"]).light_at(pupil)
    odd = np.array([[np.nan, 0.0], [1e30, -1e30], [0.0, 0.0]], dtype=np.float32)
    asked = np.concatenate([odd, tangents()])
    for edge in (0.0, 0.5, 6.0):
        shares = twin.shares(asked, edge_deg=edge)
        np.testing.assert_array_equal(real.shares_of(asked, edge_deg=edge), shares)
        # One call each goes another way.
        one_by_one = [real.shares_of(one[None], edge_deg=edge)[:, 0] for one in asked]
        np.testing.assert_array_equal(np.transpose(one_by_one), shares)
        # What shaders are held to: the blend's own fade.
        depth = twin.claims_and_depths(asked, limit_deg=50.0)[1].max(axis=0)[None].astype(float)
        fade = shown_weights(np.ones_like(depth), depth, edge_deg=edge)
        np.testing.assert_allclose(shares, twin.weights(asked) * fade, atol=2e-6)
    assert 0.02 < np.mean((shares.sum(axis=0) > 0.05) & (shares.sum(axis=0) < 0.95)) < 0.9


def test_claims_far_out_side_by_side(library):
    """A lattice that reaches 80 degrees, where angles follow another formula: sixteen at once and singly."""
    lookup = lookup_from_blob(small_blobs()["chebyshev"])
    wide = replace(
        lookup.claims, origin_deg=10.0 * lookup.claims.origin_deg, pitch_deg=10.0 * lookup.claims.pitch_deg
    )
    lookup = replace(lookup, claims=wide)
    radius, turn = np.tan(np.radians(np.linspace(50.0, 75.0, 64))), np.linspace(0.0, 20.0, 64)
    asked = (radius * np.array([np.cos(turn), np.sin(turn)])).T.astype(np.float32)
    twin, real = PreparedLight(lookup, PUPIL), CEvaluator(library, blob_from_lookup(lookup)).light_at(PUPIL)
    claims = twin.claims_and_depths(asked, limit_deg=2.0)[0]
    assert len(np.unique(claims)) > 60
    np.testing.assert_array_equal(real.claims_and_depths_of(asked, limit_deg=2.0)[0], claims)
    np.testing.assert_array_equal(real.claims_and_depths(asked, limit_deg=2.0)[0], claims)


@pytest.mark.parametrize("place", [59.9, 60.0, 60.1, 85.0])
def test_angles_far_out_follow_the_arc_tangent(place):
    """Two formulas meet at 60 degrees."""
    azimuth = np.linspace(0.0, 2.0 * np.pi, 50)
    direction = np.tan(np.radians(place)) * np.array([np.cos(azimuth), np.sin(azimuth)]).T
    found = plane_deg_32(direction.astype(np.float32))
    np.testing.assert_allclose(np.hypot(*found.T.astype(float)), place, rtol=4e-7)


def test_angles_of_all_directions_follow_the_arc_tangent():
    radius = np.linspace(1e-4, 4.0, 4001).astype(np.float32)
    found = plane_deg_32(np.stack([radius, np.zeros_like(radius)], axis=1))[:, 0]
    np.testing.assert_allclose(found, np.degrees(np.arctan(radius.astype(float))), rtol=4e-7)


@pytest.mark.outside
def test_weights_follow_the_formulas():
    """scipy's B-splines and numpy's arc tangent and Chebyshev series, in float64."""
    lookup = case("chebyshev")
    light = PreparedLight(lookup, PUPIL)
    asked = tangents()
    claims = lookup.claims
    codes = claims.block.values().reshape(2, claims.rows, claims.columns)
    radius = np.linalg.norm(asked.astype(float), axis=1)
    plane = np.degrees(np.arctan(radius) / radius)[:, None] * asked
    place = np.clip((plane - claims.origin_deg) / claims.pitch_deg, 0.0, [6.0, 4.0])
    across = BSpline.design_matrix(place[:, 0], np.arange(-3.0, 10.0), 3).toarray()
    down = BSpline.design_matrix(place[:, 1], np.arange(-3.0, 8.0), 3).toarray()
    claim = np.maximum(np.einsum("nr,crk,nk->cn", down, codes, across), 0.0) + claims.least
    lit = light.lit(asked)
    expected = np.where(lit, claim, 0.0) / np.maximum(np.where(lit, claim, 0.0).sum(axis=0), 1e-12)
    np.testing.assert_allclose(light.weights(asked), expected, atol=2e-6)
    # What is lit: the panel's point inside the polygon and the rays' polynomials above 0, point by point.
    for place, table in enumerate(lookup.maps):
        if table.channel == 1:
            continue
        border = lookup.borders[place]
        pixel, status = light.maps[place].panel_from_direction(asked)
        corners = border.block.numbers.reshape(-1, 2) / 65535.0 * SIZE
        inside = (status == 0) & (distance_inside(pixel.astype(float), corners) > 0.0)
        for region in border.regions:
            inside &= region_value(region, pixel, asked, PUPIL) > 0.0
        lit = inside if place == 0 else lit & inside
    # Lines between the border's points are straight in tangents here, on the panel there.
    assert np.mean(lit == light.lit(asked)[0]) > 0.985


def region_value(region, pixel, tangent, pupil):
    s, t = (2.0 * pixel.astype(float) / SIZE - 1.0).T
    x, y = ((pupil[:2] - pupil[2] * tangent.astype(float) - region.centre_mm) / region.half_mm).T
    series = np.zeros((region.degree + 1,) * 4)
    for (a, b, c, d), code in zip(
        region_exponents(region.degree, region.pupil_degree), region.block.values(), strict=True
    ):
        series[a, b, c, d] = code
    value = np.polynomial.chebyshev.chebval(s, series)
    rows = [value[..., n] for n in range(len(s))]
    return np.array([
        np.polynomial.chebyshev.chebval(y[n], np.polynomial.chebyshev.chebval(
            x[n], np.polynomial.chebyshev.chebval(t[n], row)))
        for n, row in enumerate(rows)
    ])  # fmt: skip


def test_a_gain_is_the_exponential_of_its_series():
    lookup = case("spline")
    gain, light = lookup.gains[0], PreparedLight(lookup, PUPIL)
    direction = light.maps[3].direction_from_panel(pixels()).astype(float)
    s, t = np.clip(2.0 * pixels().astype(float) / SIZE - 1.0, -1.0, 1.0).T
    x, y = np.clip((PUPIL[:2] - PUPIL[2] * direction - gain.centre_mm) / gain.half_mm, -1.0, 1.0).T
    panel, pupil = values_2d(s, t, 2), values_2d(x, y, 1)
    logs = np.einsum("kn,kj,jn->n", panel, gain.block.values().reshape(6, 3), pupil)
    np.testing.assert_allclose(light.gain(3, pixels(), direction), np.exp(logs), rtol=2e-6)
    # It follows the pupil.
    assert np.ptp([PreparedLight(lookup, p).gain(3, pixels(1), direction[:1])[0] for p in PUPILS]) > 0.01


def test_light_needs_all_maps_and_its_memory(library):
    evaluator = CEvaluator(library, small_blobs()["chebyshev"])
    light = evaluator.light_at(PUPILS[1])
    assert light.weights(np.zeros((1, 2))).shape == (2, 1)
    without = replace(case("chebyshev"), claims=None, borders=(), gains=())
    plain = CEvaluator(library, blob_from_lookup(without)).light_at(PUPILS[1])
    # Nothing is said of light: every channel has all of it.
    assert np.all(plain.weights(tangents(5)) == 1.0)


def test_reader_says_what_is_wrong(library):
    blob = small_blobs()["chebyshev"]
    assert CEvaluator(library, blob[:90]).status == NOT_A_BLOB
    assert CEvaluator(library, b"X" + blob[1:]).status == NOT_A_BLOB
    for place in (24, 60, 300, len(blob) - 60):
        flipped = blob[:place] + bytes([blob[place] ^ 4]) + blob[place + 1 :]
        damaged = CEvaluator(library, flipped)
        assert damaged.status in (DAMAGED, REFUSED)
        with pytest.raises(PackageError, match="refused the blob with status"):
            damaged.map_at(0, PUPILS[0])
    with pytest.raises(PackageError, match="no map 4"):
        CEvaluator(library, blob).map_at(4, PUPILS[0])


@pytest.mark.parametrize("rule", [rule for rule in RULES if rule[3] != "content_kind"])
def test_the_c_reader_keeps_the_rules_of_ours(library, rule):
    """All but those of the content picture, of which it makes no use."""
    *where, _ = rule
    assert CEvaluator(library, changed(small_blobs()["spline"], *where)).status == REFUSED


def test_the_c_reader_refuses_narrow_splines(library):
    assert CEvaluator(library, too_narrow()).status == REFUSED


def test_the_c_reader_refuses_blocks_that_share_bytes_or_belong_to_nothing(library):
    for blob in (repeated_blocks(1), repeated_blocks(20_000), with_unused_block()):
        assert CEvaluator(library, blob).status == REFUSED


def test_the_c_reader_refuses_terms_that_no_map_may_hold(library):
    for name, data in bad_terms().items():
        assert CEvaluator(library, with_terms(data)).status == (0 if name == "fine" else REFUSED), name


@pytest.mark.parametrize(
    "bases",
    [{1: 1}, {3: 0}, {1: 0xFFFF, 0: 1}, {0: 9}],
    ids=["itself", "another channel's", "a later one", "none of the blob"],
)
def test_reader_refuses_a_base_that_cannot_be(library, bases):
    blob = small_blobs()["spline"]
    for place, base in bases.items():
        blob = changed(blob, 3, MAP, place, "base", base, "H")
    assert CEvaluator(library, blob).status == REFUSED


def test_bad_requests(library):
    prepared = CEvaluator(library, small_blobs()["spline16"]).map_at(0, PUPILS[0])
    with pytest.raises(PackageError, match="mesh of 1 x 5 with status 19"):
        prepared.mesh(1, 5)


@pytest.mark.parametrize("fixed", [False, True])
def test_a_base_must_come_first(library, fixed):
    evaluator = CEvaluator(library, small_blobs()["chebyshev"])
    base, other = (evaluator.map_at(place, EXACT_PUPIL, fixed=fixed) for place in (0, 1))
    for maps in ([other], [other, base]):
        with pytest.raises(PackageError, match="status 19"):
            meshes(maps, 5, 5)


def test_the_use_that_the_header_shows_compiles(tmp_path):
    gcc = require_tool("gcc")
    for name, text in c_sources().items():
        (tmp_path / name).write_text(text)
    header = c_sources()["prewarp_lookup.h"]
    shown = [
        line[5:] for line in header.splitlines() if line.startswith(" *   prewarp_") and line.endswith(";")
    ]
    assert [line.split("(")[0] for line in shown] == ["prewarp_prepare", "prewarp_prepare", "prewarp_meshes"]
    use = """#include "prewarp_lookup.h"
    void use(prewarp_lookup lookup, uint32_t green, uint32_t red, const float *pupil_mm, float *green_memory,
             size_t green_count, float *red_memory, size_t red_count, prewarp_map *maps, float *work,
             size_t work_count, float *directions)
    { %s }"""
    (tmp_path / "use.c").write_text(use % "\n".join(shown))
    command = [gcc, *STRICT, "-Wno-missing-prototypes", "-c", "use.c"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_a_compiler_that_refuses_is_quoted(tmp_path):
    with pytest.raises(PackageError, match="refuses the C evaluator: .*no-such-option"):
        compile_evaluator(tmp_path, compiler=require_tool("gcc"), options=("--no-such-option",))


def test_integer_sources_touch_no_float(tmp_path):
    """With floats forbidden to the compiler the reader and the integer path still compile."""
    gcc = require_tool("gcc")
    for name, text in c_sources().items():
        (tmp_path / name).write_text(text)
    for name in ("prewarp_open.c", "prewarp_fixed.c", "prewarp_fixed_light.c", "prewarp_fixed_mesh.c"):
        command = [gcc, "-std=c99", "-S", "-O1", "-mno-sse", "-mno-80387", "-ffreestanding", "-o", "-", name]
        done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("name", ["chebyshev", "spline"])
def test_the_guide_tells_the_memory_that_the_evaluator_asks_for(library, name):
    evaluator, lookup = CEvaluator(library, small_blobs()[name]), case(name)
    needed = [
        evaluator._c.prewarp_coefficient_count(ctypes.byref(evaluator._view), place) for place in range(4)
    ]
    light = evaluator._c.prewarp_light_count(ctypes.byref(evaluator._view))
    text = lent_memory(lookup)
    assert f"| {4 * max(sum(needed[:2]), sum(needed[2:]))}; {4 * sum(needed)} |" in text
    assert f"`) | {4 * light} |" in text
