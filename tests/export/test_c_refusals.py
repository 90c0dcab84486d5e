"""What the C evaluator refuses: blobs by every entry of every record, and wrong arguments of every call."""

import ctypes
from dataclasses import replace

import numpy as np
import pytest

from prewarp.errors import PackageError
from prewarp.export.c_evaluator import (
    DIRECTION_ONE,
    CEvaluator,
    _FixedHead,
    _FixedLight,
    _FixedMap,
    _FixedScan,
    _FloatHead,
    _FloatLight,
    _FloatMap,
    _FloatScan,
    _LookupView,
    _pointer,
    compile_evaluator,
)
from prewarp.lookup.blob import blob_from_lookup
from prewarp.lookup.blob_reading import lookup_from_blob
from prewarp.lookup.device_light import PreparedLight
from tests.lookup.odd_blobs import odd_blobs
from tests.lookup.small_lookups import case, region, small_blobs
from tests.lookup.test_blob import bad_terms, with_terms
from tests.support import require_tool

OK, NOT_A_BLOB, REFUSED, NO_SUCH, TOO_SMALL = 0, 16, 18, 19, 20
PUPIL = np.array([1.0, -0.5, 0.25])


@pytest.fixture(scope="module")
def library(tmp_path_factory):
    folder = tmp_path_factory.mktemp("c")
    return ctypes.CDLL(str(compile_evaluator(folder, compiler=require_tool("gcc"), options=("-O1",))))


@pytest.mark.parametrize("name", ["chebyshev", "spline"])
def test_both_readers_refuse_the_same(library, name):
    """Two readers written apart, one of integers alone: what one lets through the other must too."""
    refused, taken, apart = 0, 0, []
    for what, blob in odd_blobs(small_blobs()[name]):
        status = CEvaluator(library, blob).status
        try:
            lookup_from_blob(blob)
            is_good = True
        except PackageError:
            is_good = False
        refused, taken = refused + (status != OK), taken + (status == OK)
        if (status == OK) != is_good:
            apart.append((what, status))
    assert not apart, apart[:20]
    assert refused > 1000 and taken > 300


def test_terms_borders_and_blobs_that_are_none(library):
    for what, data in bad_terms().items():
        assert CEvaluator(library, with_terms(data)).status == (OK if what == "fine" else REFUSED), what
    lookup = case("chebyshev")
    corners = lookup.borders[0].block.numbers.reshape(-1, 2)
    for points, status in ((2, REFUSED), (3, OK), (512, OK), (513, REFUSED)):
        own = np.resize(corners, (points, 2)).ravel()
        # Of its own for the first map, one for all others.
        borders = (
            replace(lookup.borders[0], block=replace(lookup.borders[0].block, numbers=own)),
            *lookup.borders[1:],
        )
        assert CEvaluator(library, blob_from_lookup(replace(lookup, borders=borders))).status == status, (
            points
        )
    view = ctypes.byref(_LookupView())
    for size in (0, 1 << 12, 1 << 40):
        assert library.prewarp_open(view, None, ctypes.c_size_t(size)) == NOT_A_BLOB
    blob = small_blobs()["chebyshev"]
    assert library.prewarp_open(view, blob, ctypes.c_size_t(1 << 40)) == NOT_A_BLOB
    evaluator, place = CEvaluator(library, blob), ctypes.byref(ctypes.c_uint32())
    own = ctypes.byref(evaluator._view)
    for channel, colour, status in ((1, 1, OK), (2, 0, NO_SUCH), (0, 2, NO_SUCH)):
        found = library.prewarp_find_map(own, ctypes.c_uint32(channel), ctypes.c_uint32(colour), place)
        assert found == status
    for channel, colour, status in ((b"left", b"G", OK), (b"up", b"G", NO_SUCH), (b"left", b"B", NO_SUCH)):
        assert library.prewarp_find_named_map(own, channel, colour, place) == status


@pytest.fixture(params=[False, True], ids=["float", "integer"])
def calls(request, library):
    """Return an open evaluator, its path's prefix, and the types of that path."""
    fixed = request.param
    kinds = (_FixedMap, _FixedLight, np.int32) if fixed else (_FloatMap, _FloatLight, np.float32)
    return CEvaluator(library, small_blobs()["chebyshev"]), "prewarp_fixed" if fixed else "prewarp", *kinds


def test_maps_are_prepared_from_what_belongs_to_them(library, calls):
    evaluator, prefix, map_type, _, number = calls
    view, pupil = ctypes.byref(evaluator._view), np.zeros(3, number)
    count = evaluator._c.prewarp_coefficient_count(view, ctypes.c_uint32(0))
    assert count > 0 and evaluator._c.prewarp_coefficient_count(view, ctypes.c_uint32(4)) == 0
    assert evaluator._c.prewarp_base_of(view, ctypes.c_uint32(4)) & 0xFFFF == 0xFFFF
    memory, maps = np.empty(4 * count, number), [map_type() for _ in range(4)]

    def prepared(place, base=None, room=4 * count):
        below = None if base is None else ctypes.byref(maps[base])
        call = getattr(library, f"{prefix}_prepare")
        return call(
            view,
            ctypes.c_uint32(place),
            _pointer(pupil),
            below,
            _pointer(memory),
            ctypes.c_size_t(room),
            ctypes.byref(maps[place % 4]),
        )

    assert prepared(0) == OK and prepared(2) == OK
    # Map 1 is a difference from map 0.
    assert prepared(1) == NO_SUCH and prepared(1, base=2) == NO_SUCH and prepared(1, base=0) == OK
    assert prepared(0, base=2) == NO_SUCH
    assert prepared(4) == NO_SUCH and prepared(0xFFFFFFFF) == NO_SUCH
    assert prepared(0, room=count - 1) == TOO_SMALL and prepared(0, room=count) == OK


def test_light_is_prepared_from_all_maps_in_order(library, calls):
    evaluator, prefix, map_type, light_type, number = calls
    fixed, view = prefix.endswith("fixed"), ctypes.byref(evaluator._view)
    maps = [evaluator.map_at(place, PUPIL, fixed=fixed) for place in range(4)]
    count = evaluator._c.prewarp_light_count(view)
    memory, pupil, light = np.empty(count, number), np.zeros(3, number), light_type()

    def prepared(order, said=None, room=count):
        listed = (map_type * len(order))(*(maps[place]._map for place in order))
        return getattr(library, f"{prefix}_prepare_light")(
            view,
            _pointer(pupil),
            listed,
            ctypes.c_uint32(len(order) if said is None else said),
            _pointer(memory),
            ctypes.c_size_t(room),
            ctypes.byref(light),
        )

    assert prepared((0, 1, 2, 3)) == OK
    assert prepared((0, 1, 2)) == NO_SUCH and prepared((1, 0, 2, 3)) == NO_SUCH
    assert prepared((0, 1, 2, 3), said=5) == NO_SUCH
    assert prepared((0, 1, 2, 3), room=count - 1) == TOO_SMALL
    light = evaluator.light_at(PUPIL, fixed=fixed)
    own, at = ctypes.byref(light._light), _pointer(np.zeros(2, number))
    for name in ("is_lit", "weight"):
        call = getattr(library, f"{prefix}_{name}")
        call.restype = ctypes.c_float if name == "weight" and not fixed else ctypes.c_int32
        assert call(own, ctypes.c_uint32(2), at) == 0
        assert call(own, ctypes.c_uint32(0xFFFFFFFF), at) == 0
    gain = getattr(library, f"{prefix}_gain")
    gain.restype = ctypes.c_int32 if fixed else ctypes.c_float
    assert gain(own, ctypes.c_uint32(4), at, at) == 0
    assert gain(own, ctypes.c_uint32(0), at, at) == (1 << 16 if fixed else 1.0)


def test_meshes_have_a_size_and_room(library, calls):
    evaluator, prefix, _, _, number = calls
    own = evaluator.map_at(0, PUPIL, fixed=prefix.endswith("fixed"))._map
    work, out = np.empty(50_000, number), np.empty(64, number)
    count_call = getattr(library, f"{prefix}_meshes_work_count")
    count_call.restype = ctypes.c_size_t

    def drawn(columns, rows, room=None):
        request = [ctypes.c_uint32(one) for one in (1, columns, rows)]
        room = count_call(ctypes.byref(own), *request) if room is None else room
        return getattr(library, f"{prefix}_meshes")(
            ctypes.byref(own), *request, _pointer(work), ctypes.c_size_t(room), _pointer(out)
        )

    assert drawn(3, 4) == OK
    for columns, rows in ((1, 4), (4, 1), (4098, 4), (4, 4098), (0, 0)):
        assert drawn(columns, rows, room=50_000) == NO_SUCH
    assert drawn(3, 4, room=1) == TOO_SMALL


def test_a_mesh_that_cannot_be_turned_stays(library, calls):
    evaluator, prefix, _, _, number = calls
    fixed = prefix.endswith("fixed")
    own = evaluator.map_at(0, PUPIL, fixed=fixed)
    mesh = np.rint(own.mesh(3, 4) * DIRECTION_ONE).astype(np.int32) if fixed else own.mesh(3, 4)
    mesh = np.ascontiguousarray(mesh, dtype=number)

    def turned(rate, columns=3, rows=4, lit=0.002, wide=0.0, tall=1e-6, drawn_for=0.0):
        if fixed:
            times = [round(one * 2**40) for one in (lit, wide, tall, drawn_for)]
            scan = _FixedScan(*times[:3])
            head = _FixedHead((ctypes.c_int32 * 3)(*(round(one * 2**20) for one in rate)), times[3])
        else:
            scan, head = _FloatScan(lit, wide, tall), _FloatHead((ctypes.c_float * 3)(*rate), drawn_for)
        before = mesh.copy()
        status = getattr(library, f"{prefix}_turn_mesh")(
            ctypes.byref(own._map),
            ctypes.byref(scan),
            ctypes.byref(head),
            ctypes.c_uint32(columns),
            ctypes.c_uint32(rows),
            _pointer(mesh),
        )
        same = np.array_equal(before, mesh)
        mesh[:] = before
        return status, same

    assert turned((0.0, 1.0, 0.0)) == (OK, False)
    assert turned((0.0, 0.0, 0.0)) == (OK, True)
    # One node too far: none is turned.
    assert turned((0.0, 0.0, 3.0), lit=0.0, tall=0.119 / 480.0) == (OK, False)
    assert turned((0.0, 0.0, 3.0), lit=0.0, tall=0.125 / 480.0) == (REFUSED, True)
    assert turned((0.0, 0.0, 500.0)) == (REFUSED, True)
    for late in ({"lit": 1e5}, {"wide": 1e4}, {"tall": -1e4}, {"drawn_for": 1e5}):
        assert turned((0.0, 1.0, 0.0), **late) == (REFUSED, True)
    for columns, rows in ((1, 4), (3, 1), (4098, 4), (3, 4098)):
        status, same = turned((0.0, 1.0, 0.0), columns, rows)
        assert status != OK and same


def test_a_point_is_turned_as_far_as_numbers_go(library, calls):
    evaluator, prefix, _, _, number = calls
    fixed = prefix.endswith("fixed")
    scan, head = (_FixedScan, _FixedHead) if fixed else (_FloatScan, _FloatHead)
    still = head((ctypes.c_int32 * 3 if fixed else ctypes.c_float * 3)(), 0)
    seen = np.array([0.1, 0.2]) * (DIRECTION_ONE if fixed else 1)
    direction, before = seen.astype(number), seen.astype(number)
    turn, point = getattr(library, f"{prefix}_turn"), np.array([5, 6], number)
    assert turn(ctypes.byref(scan()), ctypes.byref(still), _pointer(point), _pointer(direction)) == OK
    np.testing.assert_array_equal(direction, before)
    one = 1 << 20 if fixed else 1.0
    quick = head((type(still.rate))(one, one, one), 0)
    late = scan(0, 1 if fixed else 0.001, 0)
    for place in ([2**31 - 1, 0], [0, -(2**31) + 1]) if fixed else ([1e30, 0.0], [np.nan, 0.0]):
        away = np.array(place, number)
        status = turn(ctypes.byref(late), ctypes.byref(quick), _pointer(away), _pointer(direction))
        assert status == REFUSED
        np.testing.assert_array_equal(direction, before)


@pytest.mark.parametrize("fixed", [False, True])
def test_without_claims_every_weight_is_one_where_it_is_lit(library, fixed):
    lookup = replace(case("chebyshev"), claims=None)
    blob = blob_from_lookup(lookup)
    light, twin = CEvaluator(library, blob).light_at(PUPIL, fixed=fixed), PreparedLight(lookup, PUPIL)
    asked = np.random.default_rng(3).uniform(-0.75, 0.75, (200, 2)).astype(np.float32)
    wanted = twin.weights(asked)
    assert set(np.unique(wanted)) == {0.0, 1.0}
    assert np.mean(light.weights(asked) == wanted) > 0.99
    if not fixed:
        np.testing.assert_array_equal(light.weights_of(asked), wanted)
        claims, depths = light.claims_and_depths_of(asked, limit_deg=2.0)
        assert not claims.any()
        np.testing.assert_array_equal(depths, twin.claims_and_depths(asked, limit_deg=2.0)[1])


@pytest.mark.parametrize("level", [0.5, -0.5])
def test_a_part_that_is_lit_or_dark_everywhere(library, level):
    """A polynomial of degree 0 has no slope by which a distance could be told."""
    lookup = case("chebyshev")
    plain = region({(0, 0, 0, 0): level}, 0, 0)
    borders = tuple(replace(one, regions=(plain,)) for one in lookup.borders)
    lookup = replace(lookup, borders=borders)
    twin, real = (
        PreparedLight(lookup, PUPIL),
        CEvaluator(library, blob_from_lookup(lookup)).light_at(PUPIL),
    )
    asked = np.random.default_rng(4).uniform(-0.5, 0.5, (80, 2)).astype(np.float32)
    np.testing.assert_array_equal(real.weights(asked), twin.weights(asked))
    depths = twin.claims_and_depths(asked, limit_deg=2.0)[1]
    np.testing.assert_array_equal(real.claims_and_depths(asked, limit_deg=2.0)[1], depths)
    assert (depths > 0.0).any() == (level > 0.0)


@pytest.mark.parametrize("fixed", [False, True])
def test_a_box_of_one_depth(library, fixed):
    """An axis along which there is but one position counts as its middle."""
    lookup = case("chebyshev")
    box = lookup.pupil_box_mm.copy()
    box[:, 2] = 0.5
    lookup = replace(lookup, pupil_box_mm=box)
    evaluator = CEvaluator(library, blob_from_lookup(lookup))
    assert evaluator.status == OK
    points = np.array([[100.0, 50.0], [320.0, 240.0]])
    one, other = (
        evaluator.map_at(0, [1.0, 2.0, depth], fixed=fixed).direction_from_panel(points)
        for depth in (0.5, 3.0)
    )
    np.testing.assert_array_equal(one, other)
    assert np.isfinite(one).all()
