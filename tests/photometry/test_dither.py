"""Dither: tiles are even, areas keep their mean light, exact levels are left alone."""

import numpy as np
import pytest

from prewarp.encoding import TransferFunction
from prewarp.errors import ShapeError
from prewarp.photometry import Ditherer, PanelLight, dither_tile
from prewarp.photometry.dither import plane_tiles

TABLE = TransferFunction("table", table=(0.002, 0.002, 0.03, 0.2, 0.5, 1.0))


@pytest.mark.parametrize("kind", ["bayer", "blue"])
def test_every_threshold_is_there_once(kind):
    tile = dither_tile(kind)
    # 256 of them, each as often.
    expected = np.repeat((np.arange(256) + 0.5) / 256, tile.size // 256)
    np.testing.assert_allclose(np.sort(tile.ravel()), expected, atol=1e-7)
    assert not tile.flags.writeable and dither_tile(kind) is tile


@pytest.mark.outside
def test_bayer_tile_holds_the_published_matrix():
    # Bayer 1973, 4 x 4 (from memory, common practice): the coarse steps of the tile.
    published = np.array([[0, 8, 2, 10], [12, 4, 14, 6], [3, 11, 1, 9], [15, 7, 13, 5]])
    tile = dither_tile("bayer")
    found = np.floor(tile[:4, :4] * 16).astype(int)
    np.testing.assert_array_equal(found, published)


def test_blue_noise_has_little_at_low_frequencies():
    # A half-full tile: power below a quarter of the Nyquist frequency against what white noise of as many
    # points has.
    tile = dither_tile("blue")
    for share in (0.1, 0.5, 0.8):
        dots = (tile < share).astype(float)
        power = np.abs(np.fft.fft2(dots - dots.mean())) ** 2 / dots.size
        frequency = np.hypot(*np.meshgrid(np.fft.fftfreq(64), np.fft.fftfreq(64)))
        low = power[(frequency > 0) & (frequency < 0.125)].mean()
        assert low < 0.1 * share * (1.0 - share)


@pytest.mark.parametrize(
    "transfer", [TransferFunction(), TransferFunction("power", 2.2), TABLE], ids=lambda t: t.kind
)
@pytest.mark.parametrize("kind", ["bayer", "blue"])
@pytest.mark.parametrize("bits", [8, 10])
def test_an_area_keeps_its_mean_light(transfer, kind, bits):
    tile = dither_tile(kind)
    ditherer = Ditherer(transfer, bits, tile)
    levels = transfer.linear_of_codes(bits)
    for light in (0.0041, 0.0302, 0.2137, 0.77):
        codes = ditherer.codes(np.full(tile.shape, light, dtype=np.float32))
        assert np.ptp(codes) <= 1
        # One threshold of the tile's n^2 is the finest change of the mean; float32 holds the light to 6e-8.
        step = np.diff(levels)[codes.min()]
        # 256 thresholds, in the middles of 256 parts of a step.
        assert abs(levels[codes].mean() - light) <= 0.5 * step / 256 + 1e-7
    assert codes.dtype == (np.uint8 if bits == 8 else np.uint16)


@pytest.mark.parametrize("bits", [8, 10])
def test_exact_levels_black_and_white_are_not_dithered(bits):
    transfer = TransferFunction()
    levels = transfer.linear_of_codes(bits).astype(np.float32)
    ditherer = Ditherer(transfer, bits, dither_tile("blue"))
    light = np.repeat(levels[:, None], 64, axis=1)
    np.testing.assert_array_equal(
        ditherer.codes(light), np.repeat(np.arange(len(levels))[:, None], 64, axis=1)
    )
    np.testing.assert_array_equal(ditherer.codes(np.array([[-1.0, 2.0]])), [[0, len(levels) - 1]])


def test_rows_join_wherever_a_chunk_begins_and_planes_differ():
    ditherer = Ditherer(TransferFunction(), 8, dither_tile("blue"))
    light = np.full((100, 80), 0.21, dtype=np.float32)
    whole = ditherer.codes(light, plane=1)
    np.testing.assert_array_equal(whole[37:], ditherer.codes(light[37:], first_row=37, plane=1))
    assert np.mean(whole != ditherer.codes(light, plane=0)) > 0.2


@pytest.mark.parametrize("kind", ["bayer", "blue"])
def test_planes_as_a_shader_reads_them_are_those_of_the_reference_and_no_two_alike(kind):
    tile = dither_tile(kind)
    size = len(tile)
    planes = np.moveaxis(plane_tiles(tile)[..., :3], -1, 0).astype(float)
    # Light 41/256 of the way from black to the next code, which is above the thresholds 0.5/256 to 40.5/256.
    ditherer = Ditherer(TransferFunction(), 8, tile)
    light = np.full((size, size), 41.0 / 256.0 * TransferFunction().linear_of_codes(8)[1])
    for plane, thresholds in enumerate(planes):
        np.testing.assert_array_equal(ditherer.codes(light, plane=plane) > 0, thresholds <= 40)
    for one, other in ((0, 1), (0, 2), (1, 2)):
        assert np.mean(planes[one] != planes[other]) > 0.9


def test_bad_input():
    with pytest.raises(ShapeError, match="dither is 'blu'; expected bayer or blue. Did you mean 'blue'"):
        dither_tile("blu")
    with pytest.raises(ShapeError, match="dither is 'noise'; expected one of none, bayer, blue"):
        PanelLight(dither="noise")
    with pytest.raises(ShapeError, match=r"mixing has shape \(2, 2\); expected \(3, 3\)"):
        PanelLight(np.eye(2))
