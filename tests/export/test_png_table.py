"""Meshes as 16-bit PNG: the affine part, rounding within half a code, another decoder, damaged files."""

import numpy as np
import pytest

from prewarp.errors import PackageError
from prewarp.export.png_table import codes_from_png, png_files, spline_from_pngs
from prewarp.export.quantise import coded_table
from prewarp.render.pictures import png_bytes
from tests.export.device_builds import small_build
from tests.support import require_module


@pytest.fixture(scope="module")
def mesh():
    return small_build().mesh("right", "B", 1)


def test_coded_table_takes_the_affine_part_away(mesh):
    spline = mesh.spline()
    codes, table = coded_table(spline)
    # 16 bits over the whole content would be 400 / 65535 = 0.006 px a code.
    assert table.scale[:2].max() < 0.0006
    assert np.abs(table.spline(codes).coefficients - spline.coefficients).max() <= 0.501 * table.scale.max()


def test_round_trip_through_files_and_manifest(mesh):
    files = png_files(small_build(), mesh, 1)
    shape = mesh.weight.shape[0] + 2, mesh.weight.shape[1] + 2
    pictures = [codes_from_png(file.data, shape, where=file.path) for file in files]
    codes, scale = coded_table(mesh.spline())
    np.testing.assert_array_equal(np.stack(pictures, axis=-1), codes)
    spline = spline_from_pngs(pictures, [file.entry()["details"] for file in files])
    np.testing.assert_array_equal(spline.coefficients, scale.spline(codes).coefficients)
    assert next(file.path for file in files) == "tables/c1-right_B_p001_content_u.png"
    for file in files:
        assert file.entry()["arrays"][0]["shape"] == list(shape)


def test_the_largest_rounding_named_is_the_largest(mesh):
    spline, files = mesh.spline(), png_files(small_build(), mesh, 1)
    for place, file in enumerate(files):
        codes, scale = coded_table(spline)
        off = np.abs(scale.spline(codes).coefficients - spline.coefficients)[..., place].max()
        claimed = file.entry()["details"]["largest_rounding"]
        assert 0.9 * claimed < off <= claimed * (1.0 + 1e-9) + 1e-12


@pytest.mark.outside
def test_another_decoder_reads_the_same_codes():
    # OpenCV's PNG decoder (libpng).
    cv2 = require_module("cv2")
    codes = np.random.default_rng(5).integers(0, 65536, (7, 11)).astype(np.uint16)
    data = png_bytes(codes)
    np.testing.assert_array_equal(cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED), codes)
    # ISO/IEC 15948: signature, then IHDR of 13 bytes: width, height, 16 bits, grey.
    assert data[:8] == bytes.fromhex("89504E470D0A1A0A")
    assert data[8:26] == bytes.fromhex("0000000D49484452 0000000B 00000007 1000")


@pytest.mark.parametrize(
    ("damage", "message"),
    [
        (lambda d: b"", "not a readable PNG"),
        (lambda d: b"GIF89a" + d, "not a readable PNG"),
        (lambda d: d[:60], "not a readable PNG"),
        (lambda d: png_bytes(np.zeros((4, 4), np.uint16)), r"\(4, 4\) px of kind I;16; expected \(27, 35\)"),
        (lambda d: png_bytes(np.zeros((27, 35), np.uint8)), "px of kind L; expected"),
    ],
)
def test_damaged_files_are_refused(mesh, damage, message):
    data = png_files(small_build(), mesh, 1)[0].data
    with pytest.raises(PackageError, match=f"t.png: .*{message}"):
        codes_from_png(damage(data), (27, 35), where="t.png")
