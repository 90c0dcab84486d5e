"""The optimiser: small enough, never worse than it says, and plain when something cannot be reached."""

import numpy as np
import pytest

from prewarp.errors import PackageError, RenderError, ShapeError
from prewarp.lookup import Family, Optimiser, Pins, optimise_lookup, prepare
from prewarp.lookup.blob import blob_from_lookup
from prewarp.lookup.tables import FAMILY_NAMES
from prewarp.seam import build_seam
from prewarp.seam.claims import handed_over
from tests.closed_form import EYE_BOX_CORNERS, plane_set, two_channels
from tests.lookup.swim_field import BOX_MM, swim_set

LIMIT_PX = 0.25
SMALL_BOX = np.array([[-4.0, -3.0, -2.0], [4.0, 3.0, 2.0]])


@pytest.fixture(scope="module")
def swim():
    return Optimiser(swim_set(), pupil_box_mm=BOX_MM, panel_points=33, pupil_counts=(3, 3, 3))


@pytest.fixture(scope="module")
def swim_terms(swim):
    return swim.search(LIMIT_PX, "chebyshev")


@pytest.fixture(scope="module")
def small():
    return Optimiser(
        plane_set(*two_channels(), colours=("G", "R")),
        pupil_box_mm=SMALL_BOX,
        panel_points=29,
        pupil_counts=(3, 3, 2),
    )


@pytest.fixture(scope="module")
def tiny():
    """One channel in one colour."""
    return Optimiser(
        plane_set(*two_channels(), colours=("G",)),
        pupil_box_mm=SMALL_BOX,
        channels=("left",),
        panel_points=29,
        pupil_counts=(3, 3, 2),
    )


def error_at_random(fields, lookup, box_mm, count=250):
    """Largest error, panel px, at random panel points and pupils; Jacobian by differences of the field."""
    random, worst = np.random.default_rng(12), 0.0
    for (channel, colour), field in fields.fields.items():
        place = lookup.map_index(channel, colour)
        for pupil in random.uniform(box_mm[0], box_mm[1], (8, 3)):
            pixel = random.uniform(0.0, field.panel_size_px, (count, 2))
            got = prepare(lookup, place, pupil).direction_from_panel(pixel)
            columns = [
                field.forward(pixel + d, pupil_mm=pupil) - field.forward(pixel - d, pupil_mm=pupil)
                for d in (np.array([0.5, 0.0]), np.array([0.0, 0.5]))
            ]
            difference = got - field.forward(pixel, pupil_mm=pupil)
            error = np.linalg.solve(np.stack(columns, axis=-1), difference[..., None])[..., 0]
            worst = max(worst, float(np.linalg.norm(error, axis=-1).max()))
    return worst


def test_six_maps_take_less_than_the_best_hand_search(swim_terms):
    """Our own search by hand, before there was an optimiser, found 60 kB for six maps at 0.25 px."""
    lookup, errors = swim_terms
    assert len(lookup.maps) == 6 and len(errors) == 6
    assert len(blob_from_lookup(lookup)) <= 60_000
    assert max(error.max_px for error in errors) <= LIMIT_PX
    assert lookup.error_px == max(error.max_px for error in errors)


def test_claimed_error_holds_where_nobody_looked(swim_terms):
    lookup, _ = swim_terms
    elsewhere = error_at_random(swim_set(), lookup, BOX_MM)
    # The lattice on which it was measured has the corners, where errors are largest.
    assert 0.3 * lookup.error_px < elsewhere <= LIMIT_PX


@pytest.mark.parametrize("family", FAMILY_NAMES)
def test_families_keep_their_limit(small, family):
    lookup, errors = small.search(0.1, family)
    assert max(error.max_px for error in errors) <= 0.1
    assert error_at_random(plane_set(*two_channels(), colours=("G", "R")), lookup, SMALL_BOX) <= 0.1


@pytest.mark.parametrize("family", FAMILY_NAMES)
def test_less_error_takes_more_bytes(tiny, family):
    lookup, _ = tiny.search(0.6, family)
    finer, _ = tiny.search(0.2, family)
    assert len(blob_from_lookup(finer)) > len(blob_from_lookup(lookup))


def test_smallest_is_the_smallest(tiny):
    lookup, _ = tiny.smallest(0.4)
    sizes = [len(blob_from_lookup(tiny.search(0.4, family)[0])) for family in FAMILY_NAMES]
    assert len(blob_from_lookup(lookup)) <= min(sizes)
    again, _ = tiny.smallest(0.4)
    assert blob_from_lookup(again) == blob_from_lookup(lookup)


def test_less_error_is_allowed_inside_the_seam():
    """0.4 of the limit at worst, 0.075 of it RMS; at random places the largest is as little."""
    fields = plane_set(*two_channels(), colours=("G",))
    seam = build_seam(fields, pupils_mm=EYE_BOX_CORNERS)
    optimiser = Optimiser(
        fields, pupil_box_mm=SMALL_BOX, seam=seam, channels=("left",), panel_points=29, pupil_counts=(3, 3, 2)
    )
    lookup, (error,) = optimiser.search(0.3, "chebyshev")
    assert error.max_px <= 0.3 and error.seam_px <= 0.4 * 0.3 and error.seam_rms_px <= 0.075 * 0.3
    field, random = fields.field("left", "G"), np.random.default_rng(2)
    pixel, pupil = random.uniform(0.0, field.panel_size_px, (2000, 2)), np.array([3.0, -2.0, 1.0])
    wanted = field.forward(pixel, pupil_mm=pupil)
    inside = handed_over(seam.claims.at(wanted), seam.index("left"))
    assert 50 < np.count_nonzero(inside) < 1500
    miss = prepare(lookup, 0, pupil).direction_from_panel(pixel) - wanted
    px = np.linalg.solve(field.jacobian(pixel, pupil_mm=pupil), miss[..., None])[..., 0]
    assert np.linalg.norm(px[inside], axis=-1).max() <= 0.4 * 0.3


def test_what_is_fixed_stays_fixed(small):
    lookup, _ = small.smallest(0.3, Pins(family="spline", mesh_columns=12, rank=5, bits=12))
    for table in lookup.maps:
        assert (table.family, table.columns, table.rows) == (Family.SPLINE, 14, 11)
        assert table.modes <= 5
        assert {int(block.format) for block in table.blocks[1:]} == {12}
    meshes, _ = small.smallest(0.3, Pins(bits=16))
    assert {table.family for table in meshes.maps} == {Family.SPLINE}


def test_what_cannot_be_reached_is_said(small):
    with pytest.raises(
        PackageError,
        match=r"channel 'left': B-spline mesh with pupil modes cannot reach 0.01 px with mesh 8, bits 8; "
        r"the nearest came to [0-9.]+ px",
    ) as caught:
        small.smallest(0.01, Pins(family="spline", mesh_columns=8, bits=8))
    assert caught.value.error_px > 0.01


def test_whole_result_and_trade(monkeypatch):
    monkeypatch.setattr("prewarp.lookup.trade.TRADE_FACTORS", (2.0, 1.0))
    result = optimise_lookup(
        plane_set(*two_channels(), colours=("G",)),
        max_error_px=0.5,
        pupil_box_mm=SMALL_BOX,
        channels=("right",),
        panel_points=23,
        pupil_counts=(2, 2, 2),
    )
    assert result.byte_count == len(blob_from_lookup(result.lookup))
    assert result.lookup.channels == ("right",)
    assert [(row.limit_px, row.family) for row in result.trade] == [
        (limit, family) for limit in (1.0, 0.5) for family in ("chebyshev", "spline")
    ]
    for row in result.trade:
        assert (row.byte_count is None) != (row.error_px is not None)
        assert row.error_px is None or row.error_px <= row.limit_px
    at_limit = [row.byte_count for row in result.trade if row.limit_px == 0.5]
    assert result.byte_count == min(at_limit)


def test_a_box_without_depth(small):
    flat = SMALL_BOX * [1.0, 1.0, 0.0]
    fields = plane_set(*two_channels(), colours=("G",))
    optimiser = Optimiser(
        fields, pupil_box_mm=flat, channels=("left",), panel_points=21, pupil_counts=(3, 3, 3)
    )
    lookup, _ = optimiser.search(0.1, "chebyshev")
    deep, _ = small.search(0.1, "chebyshev")
    assert len(blob_from_lookup(lookup)) < len(blob_from_lookup(deep))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"max_error_px": 0.0}, "max_error_px is 0.0; expected 0.001 to 100 px"),
        ({"pupil_box_mm": [[1, 0, 0], [0, 0, 0]]}, "lowest, then highest x, y, z"),
        ({"pupil_box_mm": np.zeros(3)}, "lowest, then highest x, y, z"),
    ],
)
def test_bad_requests(change, message):
    arguments = {"max_error_px": 0.2, "pupil_box_mm": SMALL_BOX} | change
    with pytest.raises(ShapeError, match=message):
        optimise_lookup(plane_set(*two_channels()), **arguments)


@pytest.mark.parametrize(
    ("pins", "message"),
    [
        ({"family": "wavelet"}, "family is 'wavelet' .*expected one of 'chebyshev', 'spline'"),
        ({"bits": 10}, "bits is 10; expected 8, 12 or 16"),
        ({"rank": 0}, "rank is 0 .*expected a whole number from 1 to 64"),
        ({"mesh_columns": 3}, "mesh_columns is 3 .*expected a whole number from 5 to 1000"),
        ({"family": "chebyshev", "bits": 8}, "family is 'chebyshev', with mesh, rank or bits fixed"),
    ],
)
def test_bad_pins(pins, message):
    with pytest.raises(ShapeError, match=message):
        Pins(**pins)


def test_a_field_without_direction_is_an_error():
    class Blind:
        channel, colour, panel_size_px = "left", "G", (64, 64)

        def forward_lattice(self, u, v, /, *, pupil_mm):
            return np.full((len(v), len(u), 2), np.nan if pupil_mm[0] > 0.0 else 0.1)

    class Only:
        channels, colours = ("left",), ("G",)

        def field(self, channel, colour):
            return Blind()

    with pytest.raises(RenderError, match="channel 'left', G: no direction for part of the panel from pupil"):
        Optimiser(Only(), pupil_box_mm=SMALL_BOX)
