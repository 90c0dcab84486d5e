"""Target pictures against what others read and compute: OpenCV, Pillow, scipy, closed forms."""

import math
import struct

import cv2
import numpy as np
import pytest
from PIL import Image
from scipy import ndimage

from prewarp.capture.dots import dot_lattice, has_unlike_windows, middle_mark
from prewarp.capture.panel_png import panel_png, read_panel_png
from prewarp.capture.patterns import (
    coprime_periods,
    disc_codes,
    disc_shares,
    even_codes,
    in_planes,
    light_centroids,
    planes_of,
    ramp_levels,
    sine_codes,
)
from prewarp.errors import CaptureError, InputFileError
from tests.capture.displays import POWER, SRGB, TABLE, channel, display


def panel_of(folder, **values):
    return display(folder, channel("inner", **values)).channels[0].panel


def seen_by_opencv(path, bits):
    """Return the codes (height, width, 3), R G B, as another reader gives them: the upper bits of samples."""
    samples = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    assert samples.dtype == (np.uint8 if bits <= 8 else np.uint16)
    return samples[..., ::-1] >> (8 * samples.dtype.itemsize - bits)


@pytest.mark.outside
@pytest.mark.parametrize("bits", [6, 8, 10, 12, 16])
def test_codes_of_every_depth_come_back_from_another_reader(tmp_path, bits):
    kind = np.uint8 if bits <= 8 else np.uint16
    codes = np.random.default_rng(bits).integers(0, 2**bits, (37, 53, 3)).astype(kind)
    codes[0, 0], codes[0, 1] = 0, 2**bits - 1
    path = tmp_path / "codes.png"
    path.write_bytes(panel_png(codes, bits))
    assert np.array_equal(seen_by_opencv(path, bits), codes)
    assert np.array_equal(read_panel_png(path, (53, 37), bits), codes)
    # Full drive is white to a viewer that takes all bits.
    assert cv2.imread(str(path), cv2.IMREAD_UNCHANGED)[0, 1, 0] == np.iinfo(kind).max
    with Image.open(path) as picture:
        assert picture.size == (53, 37) and picture.mode == "RGB"
        if bits == 8:
            assert np.array_equal(np.asarray(picture), codes)


@pytest.mark.outside
def test_the_chunks_are_those_of_the_standard():
    """W3C PNG, second edition: signature 5.2, IHDR 11.2.2, sBIT 11.3.3.4."""
    data = panel_png(np.zeros((3, 5, 3), np.uint16), 10)
    assert data[:8] == bytes([137, 80, 78, 71, 13, 10, 26, 10])
    assert struct.unpack(">I4sIIBBBBB", data[8:29]) == (13, b"IHDR", 5, 3, 16, 2, 0, 0, 0)
    assert data[33:44] == struct.pack(">I4s3B", 3, b"sBIT", 10, 10, 10)


def test_pictures_of_something_else_are_refused(tmp_path):
    path = tmp_path / "codes.png"
    good = panel_png(np.zeros((20, 30, 3), np.uint8), 8)
    path.write_bytes(good)
    for size, bits, part in (((31, 20), 8, "not 31 x 20 px"), ((30, 20), 7, "of 7 bits")):
        with pytest.raises(CaptureError, match=part):
            read_panel_png(path, size, bits)
    for broken in (good[:-20], good[:60] + b"x" + good[61:], b"GIF89a" + good):
        path.write_bytes(broken)
        with pytest.raises(CaptureError, match="not a whole PNG file"):
            read_panel_png(path, (30, 20), 8)
    Image.fromarray(np.zeros((20, 30, 3), np.uint8)).save(path)
    with pytest.raises(CaptureError, match="Write the targets again"):
        read_panel_png(path, (30, 20), 8)
    with pytest.raises(InputFileError, match="not found"):
        read_panel_png(tmp_path / "none.png", (30, 20), 8)


@pytest.mark.parametrize(("u", "v", "radius"), [(8.0, 8.0, 6.0), (8.5, 9.0, 6.5), (5.3, 6.1, 2.7)])
def test_a_disc_covers_pi_r_squared_about_its_centre(u, v, radius):
    share = disc_shares(u, v, radius)
    assert share.sum() == pytest.approx(math.pi * radius**2, rel=2e-4)
    row, column = ndimage.center_of_mass(share)
    # Whole pixels cannot hold where in them light lies: off half px a disc misses its place by up to 0.009.
    is_on_half_px = (2.0 * u).is_integer() and (2.0 * v).is_integer()
    assert (column + 0.5, row + 0.5) == pytest.approx((u, v), abs=1e-9 if is_on_half_px else 9e-3)
    assert share.min() >= 0.0 and share.max() == 1.0


@pytest.mark.outside
@pytest.mark.parametrize("encoding", [SRGB, TABLE, POWER])
@pytest.mark.parametrize("bits", [6, 8, 10])
@pytest.mark.parametrize("named_by_size", [False, True])
def test_light_as_written_is_centred_where_dots_are_said_to_be(tmp_path, encoding, bits, named_by_size):
    """scipy.ndimage.center_of_mass of the light that OpenCV's reading of the file makes."""
    panel = panel_of(tmp_path, bits=bits, encoding=encoding)
    dots = dot_lattice(panel.size_px, (9, 8), named_by_size=named_by_size)
    codes = disc_codes(panel, dots.places, dots.radii)
    path = tmp_path / "dots.png"
    path.write_bytes(panel_png(in_planes(codes, (1,)), bits))
    read = seen_by_opencv(path, bits)
    assert not read[..., [0, 2]].any()
    light = panel.transfer.linear_of_codes(bits)[read[..., 1]]
    light -= light[0, 0]
    labels, count = ndimage.label(light > 0.0)
    assert count == 72
    found = np.array(ndimage.center_of_mass(light, labels, range(1, count + 1)))[:, ::-1] + 0.5
    order = np.lexsort((found[:, 0], np.round(found[:, 1] / dots.pitch_px)))
    assert np.abs(found[order] - dots.places).max() < 1e-9
    assert np.abs(light_centroids(panel, codes, dots.places, dots.radii) - dots.places).max() < 1e-9


@pytest.mark.parametrize("encoding", [SRGB, TABLE])
def test_elsewhere_than_on_half_px_the_centroid_as_written_is_what_is_told(tmp_path, encoding):
    """Six bits: discs miss their centres by hundredths of a px, and marks say where light above black is."""
    panel = panel_of(tmp_path, bits=6, encoding=encoding)
    places, radii = np.array([[40.29, 60.83], [200.6, 100.1]]), np.array([1.6, 4.2])
    codes = disc_codes(panel, places, radii)
    told = light_centroids(panel, codes, places, radii)
    light = panel.transfer.linear_of_codes(6)[codes]
    light -= light[0, 0]
    labels, _ = ndimage.label(light > 0.0, structure=np.ones((3, 3)))
    found = np.array(ndimage.center_of_mass(light, labels, [1, 2]))[:, ::-1] + 0.5
    assert np.abs(told - found).max() < 1e-9
    assert 1e-3 < np.abs(told - places).max() < 0.05


def test_dots_reach_the_rim_and_stand_on_half_px():
    for size in ((640, 512), (2560, 2048), (257, 331)):
        dots = dot_lattice(size, (17, 17))
        assert np.array_equal(dots.places * 2.0, np.round(dots.places * 2.0))
        radius = dots.radii[0]
        assert dots.places.min() - radius >= 1.0
        assert (np.array(size) - dots.places.max(axis=0) - radius).min() >= 1.0
        assert dots.places.min() - radius <= 1.5
        assert dots.places[1, 1] == dots.places[0, 1] < dots.places[17, 1]


@pytest.mark.parametrize(
    ("count", "radius", "part"),
    [
        ((42, 41), None, "1716 at most"),
        ((1, 9), None, "2 or more each way"),
        ((33, 33), None, "lie 3.5 px apart"),
        ((5, 5), 30.0, "black between dots"),
        ((5, 5), 1.0, "radius of 1.5 px or more"),
    ],
)
def test_dots_that_cannot_be_are_refused(count, radius, part):
    size = (160, 128) if count == (33, 33) else (320, 256)
    with pytest.raises(CaptureError, match=part):
        dot_lattice(size, count, radius_px=radius)


@pytest.mark.parametrize("count", [(33, 33), (17, 17), (41, 41), (6, 5)])
def test_marks_of_two_sizes_name_themselves(count):
    """By brute force: no 5 x 5 window is found twice, whichever way the panel is turned or mirrored."""
    dots = dot_lattice((2560, 2048), count, named_by_size=True)
    sizes = dots.radii.reshape(count[1], count[0])
    middle = middle_mark(*count)
    assert np.argmax(dots.radii) == middle and (dots.radii == dots.radii[middle]).sum() == 1
    row, column = divmod(middle, count[0])
    assert sizes[row, column + 1] > sizes[row, column - 1] == sizes[row + 1, column] == sizes[row - 1, column]
    seen = set()
    for top in range(count[1] - 4):
        for left in range(count[0] - 4):
            window = sizes[top : top + 5, left : left + 5]
            views = {np.rot90(w, k).tobytes() for w in (window, window.T) for k in range(4)}
            assert len(views) == 8 and not views & seen
            seen |= views


def test_like_windows_are_noticed():
    pattern = np.random.default_rng(0).integers(0, 2, (12, 12)).astype(bool)
    assert has_unlike_windows(pattern)
    pattern[6:11, 6:11] = np.rot90(pattern[:5, :5]).T
    assert not has_unlike_windows(pattern)


def test_shifted_sines_of_two_periods_name_every_pixel(tmp_path):
    """Phases by the sums of N-step phase shifting, places by the Chinese remainder, from light as written."""
    panel = panel_of(tmp_path, bits=8, width=700)
    first, second = coprime_periods(700)
    assert math.gcd(first, second) == 1 and first * second >= 700 and first >= 32
    for axis in (0, 1):
        offsets = []
        for period in (first, second):
            light = np.array(
                [panel.transfer.linear_of_codes(8)[sine_codes(panel, axis, period, k / 8)] for k in range(8)]
            )
            line = light[:, 0, :] if axis == 0 else light[:, :, 0]
            assert np.ptp(light, axis=1 + axis).max() == 0.0
            angle = 2.0 * np.pi * np.arange(8) / 8
            phase = np.arctan2(np.sin(angle) @ line, np.cos(angle) @ line) / (2.0 * np.pi)
            offsets.append(np.mod(phase, 1.0) * period)
        length = panel.size_px[axis]
        choices = offsets[0][:, None] + first * np.arange(-1, second + 1)
        off = np.abs(np.mod(choices - offsets[1][:, None] + second / 2, second) - second / 2)
        inside = (choices > -0.5) & (choices < length + 0.5)
        place = choices[np.arange(length), np.argmin(np.where(inside, off, np.inf), axis=1)]
        assert np.abs(place - (np.arange(length) + 0.5)).max() < 0.1


def test_levels_of_a_ramp_are_spread_evenly_over_the_codes(tmp_path):
    panel = panel_of(tmp_path, bits=10)
    levels = ramp_levels(panel, 17)
    assert levels[0] == 0 and levels[-1] == 1023 and len(set(np.diff(levels))) <= 2
    assert (even_codes(panel, levels[3]) == levels[3]).all()


def test_colours_light_their_planes():
    assert planes_of(("R", "G", "B")) == {"R": (0,), "G": (1,), "B": (2,)}
    assert planes_of(("B",)) == {"B": (2,)} and planes_of(("amber",)) == {"amber": (0, 1, 2)}
    with pytest.raises(CaptureError, match="colour 'cyan' is none of R, G, B"):
        planes_of(("R", "cyan"))


@pytest.mark.parametrize("bits", [6, 8, 10, 16])
@pytest.mark.parametrize("shape", [(5, 7), (16, 9), (17, 9), (33, 12), (80, 5)])
def test_one_plane_is_written_as_the_picture_it_means(tmp_path, bits, shape):
    """Rows that repeat, one that does not, and bands that are cut short."""
    random = np.random.default_rng(bits)
    codes = np.repeat(random.integers(0, 2**bits, (1, shape[1])), shape[0], axis=0)
    codes[shape[0] // 2] = random.integers(0, 2**bits, shape[1])
    codes = codes.astype(np.uint8 if bits <= 8 else np.uint16)
    path = tmp_path / "plane.png"
    for planes in ((1,), (0, 1, 2)):
        whole = in_planes(codes, planes)
        path.write_bytes(panel_png(codes, bits, planes=planes))
        assert path.read_bytes() == panel_png(whole, bits)
        assert np.array_equal(read_panel_png(path, (shape[1], shape[0]), bits), whole)
        if bits == 8:
            assert np.array_equal(np.asarray(Image.open(path)), whole)
