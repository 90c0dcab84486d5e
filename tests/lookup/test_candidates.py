"""What the searches share, on made-up tables: the largest step, the fewest bytes, where errors are."""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.lookup.candidates import ChannelProblem, Probe, largest_step, smallest, tables_bytes
from prewarp.lookup.coding import CodedArray, Format
from prewarp.lookup.layout import BLOCK, MAP
from prewarp.lookup.measure import map_truth, measured_errors
from prewarp.lookup.series import field_series
from tests.lookup.small_lookups import BOX_MM, SIZE, case, plane_fields


def test_the_largest_step_within_the_limit_is_found():
    # The error is the step itself, so the limit is the answer: ten halvings of a range of e^9.4 leave 1 %.
    tables, closest = largest_step(lambda step: (step,), lambda tables: tables[0], 0.3)
    assert 0.985 * 0.3 < tables[0] <= 0.3 and closest <= tables[0]


def test_steps_whose_codes_do_not_fit_are_passed_over():
    def build(step_px):
        return (step_px,) if step_px > 0.2 else None

    tables, _ = largest_step(build, lambda tables: tables[0], 0.3)
    assert 0.985 * 0.3 < tables[0] <= 0.3
    none, closest = largest_step(build, lambda tables: 5.0 + tables[0], 0.3)
    assert none is None and closest == pytest.approx(5.2, abs=0.01)


def test_the_fewest_bytes_win():
    few, many = case("chebyshev").maps[:1], case("chebyshev").maps[:2]
    assert tables_bytes(few) < tables_bytes(many)
    assert smallest([(many, 0.1), (few, 0.2), (None, 0.05)]) == (few, 0.05)
    assert smallest([]) == (None, np.inf)


def test_an_error_is_told_where_it_is():
    pupils = np.linspace(*BOX_MM, 6)
    lookup = replace(case("chebyshev"), maps=case("chebyshev").maps[:1])
    truth = map_truth(plane_fields()["left", "G"], pupils, panel_points=11)
    # One direction of the truth is moved: third row, sixth column, for the fifth pupil.
    truth.tangent[4, 2, 5] += 0.01
    (error,) = measured_errors(lookup, {("left", "G"): truth})
    assert (error.channel, error.colour) == ("left", "G") and error.max_px > 5.0 > error.rms_px
    assert error.pixel == pytest.approx((5 * SIZE[0] / 10, 2 * SIZE[1] / 10))
    assert error.pupil_mm == tuple(pupils[4])


def test_a_px_inside_the_seam_counts_as_more():
    """Of one direction alone by 0.4 of the limit, of all by 0.075, as the limit allows."""
    (series,) = (field_series(plane_fields()["left", "G"], BOX_MM, panel_nodes=12, pupil_nodes=(3, 3, 3)),)
    ends = np.linspace(-1.0, 1.0, 9)
    alone, joined = (
        Probe(ChannelProblem(0, SIZE, (0,), (series,), shared=shared), ends, ends)
        for shared in (None, lambda tangent: tangent[..., 0] > 0.0)
    )
    assert 0.2 < joined.shared.mean() < 0.8 and joined.typical_px == alone.typical_px
    miss = np.zeros((41, 9, 9, 2))
    for place, times in ((~joined.shared, 1.0), (joined.shared, 1.0 / 0.4)):
        row, column = np.argwhere(place)[0]
        one = np.zeros_like(miss)
        one[3, row, column] = 1e-4
        assert joined.largest([one]) == pytest.approx(times * alone.largest([one]), rel=1e-12)
    every = np.where(joined.shared[..., None], 1e-4, 0.0) + miss
    px = np.linalg.norm(alone.px(every), axis=-1)[:, joined.shared]
    assert joined.largest([every]) == pytest.approx(np.sqrt(np.mean(px**2)) / 0.075, rel=1e-12)


def test_gains_are_those_of_their_channel():
    lookup = case("spline")
    assert lookup.gain_of("right", "R") is lookup.gains[0]
    assert all(lookup.gain_of(*key) is None for key in (("right", "G"), ("left", "R"), ("left", "G")))


def test_every_block_takes_whole_words():
    """A blob keeps blocks at multiples of four bytes."""
    (table,) = case("chebyshev").maps[:1]
    block = CodedArray(Format.INT8, np.arange(3), 1.0)
    assert block.byte_count == 3
    assert tables_bytes((replace(table, blocks=(block,)),)) == MAP.byte_count + BLOCK.byte_count + 4
