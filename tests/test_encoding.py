"""Panel transfer functions: standard values, round trips, exact rounding to codes, bad input."""

import numpy as np
import pytest

from prewarp.encoding import (
    Quantiser,
    TransferFunction,
    largest_code,
    linear_from_srgb,
    srgb_from_linear,
)
from prewarp.errors import ShapeError
from prewarp.module import Panel

# Measured-looking response of a panel: never falling, with a black floor and a flat toe.
TABLE = TransferFunction("table", table=(0.001, 0.001, 0.02, 0.11, 0.31, 0.62, 1.0))
ALL = (TransferFunction(), TransferFunction("power", gamma=2.2), TABLE)


@pytest.mark.outside
def test_srgb_values_of_the_standard():
    # IEC 61966-2-1:1999, formula from memory of the standard, numbers worked out from it by hand.
    np.testing.assert_allclose(
        srgb_from_linear([0.01, 0.18, 0.5]), [0.0998528, 0.4613561, 0.7353570], atol=1e-7
    )
    codes = np.array([1, 10, 11, 64, 128]) / 255
    expected = [0.000303527, 0.00303527, 0.00334654, 0.0512695, 0.2158605]
    np.testing.assert_allclose(linear_from_srgb(codes), expected, rtol=2e-6)


def test_half_weight_keeps_half_the_light():
    # Blending half and half must add to 1 in light; done on encoded values it loses 57 per cent.
    assert srgb_from_linear(0.5) == pytest.approx(0.735357, abs=1e-6)
    assert 2 * linear_from_srgb(0.5) == pytest.approx(0.428082, abs=1e-6)


@pytest.mark.parametrize("transfer", ALL, ids=lambda t: t.kind)
def test_round_trip_and_shape(transfer):
    light = np.linspace(0.05, 1.0, 24).reshape(2, 3, 4)
    encoded = transfer.encoded_from_linear(light)
    assert encoded.shape == light.shape
    # 3e-6: the rounded constants of the sRGB standard do not meet exactly at the joint.
    np.testing.assert_allclose(transfer.linear_from_encoded(encoded), light, atol=3e-6)


@pytest.mark.parametrize("transfer", ALL, ids=lambda t: t.kind)
def test_light_outside_the_panel_is_clipped(transfer):
    np.testing.assert_allclose(transfer.encoded_from_linear([-1.0, 2.0]), [0.0, 1.0], rtol=1e-15)
    floor = transfer.linear_from_encoded(0.0)
    np.testing.assert_array_equal(transfer.linear_from_encoded([-0.5, 1.5]), [floor, 1.0])


@pytest.mark.parametrize("bit_depth", (6, 8, 10, 12))
@pytest.mark.parametrize("transfer", ALL, ids=lambda t: t.kind)
def test_codes_are_the_nearest(transfer, bit_depth):
    light = np.random.default_rng(3).random(20000).astype(np.float32) ** 2
    code = Quantiser(transfer, bit_depth).code_from_linear(light)
    largest = largest_code(bit_depth)
    # A plain rounding of the encoded value; where the two sit on a threshold in float32 either code is right.
    exact = transfer.encoded_from_linear(light) * largest
    assert np.max(np.abs(code - exact)) < 0.5 + 0.02
    assert np.mean(code != np.floor(exact + 0.5)) < 1e-3


@pytest.mark.parametrize("transfer", ALL[:2], ids=lambda t: t.kind)
def test_every_code_returns_to_itself(transfer):
    code = Quantiser(transfer, 8).code_from_linear(transfer.linear_of_codes(8))
    np.testing.assert_array_equal(code, np.arange(256))
    assert code.dtype == np.uint8


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"kind": "sgrb"}, "expected one of srgb, power, table. Did you mean 'srgb'"),
        ({"kind": "power", "gamma": 9.0}, "gamma is 9.0; expected 0.2 to 5"),
        ({"kind": "table", "table": (0.0,)}, "expected 2 to 65536 values"),
        ({"kind": "table", "table": (0.0, 0.6, 0.5, 1.0)}, "falls or is not a number after entry 1"),
        ({"kind": "table", "table": (0.0, float("nan"), 1.0)}, "falls or is not a number after entry 0"),
        ({"kind": "table", "table": (0.0, 0.5)}, "Divide all values by the last"),
    ],
)
def test_bad_input(arguments, message):
    with pytest.raises(ShapeError, match=message.replace("(", r"\(")):
        TransferFunction(**arguments)


def test_bit_depth_is_bounded():
    with pytest.raises(ShapeError, match="bit_depth is 17; expected 1 to 16 bits"):
        Quantiser(TransferFunction(), 17).code_from_linear(np.zeros(3))


def test_transfer_of_a_described_panel():
    size = {"width_px": 100, "height_px": 80, "pitch_um": 5.0, "bit_depth": 8}
    assert Panel(**size, encoding="srgb").transfer == TransferFunction()
    assert Panel(**size, encoding="power", gamma=2.4).transfer == TransferFunction("power", 2.4)
    table = (0.0, 0.25, 1.0)
    assert Panel(**size, encoding="table", table=table).transfer.table == table


def test_measured_table_passes_through_its_levels_and_never_falls():
    # A staircase makes an ordinary cubic spline overshoot; the monotone one must not.
    table = (0.0, 0.01, 0.012, 0.6, 0.61, 0.61, 1.0)
    transfer = TransferFunction("table", table=table)
    codes = np.linspace(0.0, 1.0, 6001)
    light = transfer.linear_from_encoded(codes)
    assert np.all(np.diff(light) >= -1e-15) and light.min() == 0.0 and light.max() == 1.0
    np.testing.assert_allclose(light[::1000], table, atol=1e-14)


@pytest.mark.outside
def test_measured_table_equals_the_library():
    # scipy's monotone cubic (Fritsch and Butland 1984), evaluated by itself; inverse by its own root finder.
    from scipy.interpolate import PchipInterpolator

    levels = np.linspace(0.0, 1.0, 17) ** 2.1
    transfer, spline = (
        TransferFunction("table", table=tuple(levels)),
        PchipInterpolator(np.linspace(0, 1, 17), levels),
    )
    np.testing.assert_allclose(
        transfer.linear_from_encoded([0.013, 0.5, 0.97]), spline([0.013, 0.5, 0.97]), rtol=1e-13
    )
    for light in (1e-4, 0.03, 0.4, 0.93):
        root = spline.solve(light, extrapolate=False)
        np.testing.assert_allclose(transfer.encoded_from_linear(light), root, atol=1e-11)


def test_a_sparse_measurement_of_a_power_law_is_followed_better_than_by_straight_lines():
    codes = np.linspace(0.05, 1.0, 500)
    levels = np.linspace(0.0, 1.0, 17) ** 2.2
    cubic = TransferFunction("table", table=tuple(levels)).linear_from_encoded(codes)
    straight = np.interp(codes, np.linspace(0.0, 1.0, 17), levels)
    assert np.max(np.abs(cubic - codes**2.2)) < 0.2 * np.max(np.abs(straight - codes**2.2))
