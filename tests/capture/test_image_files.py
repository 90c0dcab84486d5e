"""Photographs from files: every depth to the last bit; damaged, wrong and foreign files by one clear line."""

import sys

import numpy as np
import pytest
from PIL import Image

from prewarp.capture.image_files import read_photograph
from prewarp.errors import CaptureError, InputFileError
from tests.capture.dng import dng


@pytest.fixture
def values():
    return np.random.default_rng(1).integers(0, 65536, (40, 64), dtype=np.uint16)


@pytest.mark.parametrize("suffix", ["png", "tif"])
def test_sixteen_bits_come_back(tmp_path, values, suffix):
    Image.fromarray(values).save(tmp_path / f"a.{suffix}")
    found = read_photograph(tmp_path / f"a.{suffix}", size_px=(64, 40), highest=65535)
    assert found.dtype == np.uint16 and np.array_equal(found, values)


@pytest.mark.outside
@pytest.mark.parametrize("suffix", ["png", "tif"])
def test_another_library_writes_the_same(tmp_path, values, suffix):
    cv2 = pytest.importorskip("cv2")
    for one in (values, (values >> 8).astype(np.uint8)):
        cv2.imwrite(str(tmp_path / f"b.{suffix}"), one)
        found = read_photograph(tmp_path / f"b.{suffix}")
        assert found.dtype == one.dtype and np.array_equal(found, one)


def test_big_endian_tiff(tmp_path, values):
    (tmp_path / "c.tif").write_bytes(_big_endian_tiff(values))
    assert np.array_equal(read_photograph(tmp_path / "c.tif"), values)


def _big_endian_tiff(values):
    """Return a baseline TIFF, one strip, most significant byte first (TIFF 6.0, Adobe 1992, section 2)."""
    height, width = values.shape
    data = values.astype(">u2").tobytes()
    entries = [(256, 3, width), (257, 3, height), (258, 3, 16), (259, 3, 1), (262, 3, 1), (273, 4, 8),
               (277, 3, 1), (278, 3, height), (279, 4, len(data))]  # fmt: skip
    body = b"MM\x00*" + (8 + len(data)).to_bytes(4, "big") + data + len(entries).to_bytes(2, "big")
    for tag, kind, value in entries:
        packed = value.to_bytes(2, "big") + b"\0\0" if kind == 3 else value.to_bytes(4, "big")
        body += tag.to_bytes(2, "big") + kind.to_bytes(2, "big") + (1).to_bytes(4, "big") + packed
    return body + b"\0\0\0\0"


def test_cut_short(tmp_path, values):
    for suffix in ("png", "tif"):
        path = tmp_path / f"d.{suffix}"
        Image.fromarray(values).save(path)
        path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
        with pytest.raises(InputFileError, match=r"d\.\w+: .*(cut short|no PNG)"):
            read_photograph(path)


def test_wrong_size_depth_and_colours(tmp_path, values):
    Image.fromarray(values).save(tmp_path / "e.png")
    with pytest.raises(CaptureError, match="64 x 40 px; the camera has 64 x 48"):
        read_photograph(tmp_path / "e.png", size_px=(64, 48))
    with pytest.raises(CaptureError, match="turned by 90 degrees"):
        read_photograph(tmp_path / "e.png", size_px=(40, 64))
    Image.fromarray((values >> 8).astype(np.uint8)).save(tmp_path / "f.png")
    with pytest.raises(CaptureError, match="8 bits a pixel; the camera writes values up to 4095"):
        read_photograph(tmp_path / "f.png", highest=4095)
    Image.fromarray(np.zeros((40, 64, 3), np.uint8)).save(tmp_path / "g.png")
    with pytest.raises(CaptureError, match="expected one plane of 8 or 16 bits"):
        read_photograph(tmp_path / "g.png")


def test_turned_by_exif_pages_and_foreign_files(tmp_path, values):
    picture = Image.fromarray((values >> 8).astype(np.uint8))
    exif = Image.Exif()
    exif[274] = 6
    picture.save(tmp_path / "h.png", exif=exif)
    with pytest.raises(CaptureError, match=r"orientation 6.*Set orientation to 1"):
        read_photograph(tmp_path / "h.png")
    picture.save(tmp_path / "i.tif", save_all=True, append_images=[picture])
    with pytest.raises(CaptureError, match="holds 2 pages"):
        read_photograph(tmp_path / "i.tif")
    (tmp_path / "j.png").write_text("not a picture")
    with pytest.raises(InputFileError, match="no PNG or TIFF"):
        read_photograph(tmp_path / "j.png")
    with pytest.raises(InputFileError, match="not found"):
        read_photograph(tmp_path / "nowhere.png")


def test_a_small_file_cannot_ask_for_much_memory(tmp_path, monkeypatch):
    monkeypatch.setattr("prewarp.capture.image_files.LIMIT_PIXELS", 1000)
    Image.fromarray(np.zeros((40, 64), np.uint8)).save(tmp_path / "l.png")
    with pytest.raises(InputFileError, match="at most"):
        read_photograph(tmp_path / "l.png")


@pytest.mark.outside
def test_raw_files_come_back_as_they_were_read_out(tmp_path, values):
    """LibRaw reads what is written after the DNG specification; a note of a turn does not turn it."""
    pytest.importorskip("rawpy")
    (tmp_path / "a.dng").write_bytes(dng(values))
    found = read_photograph(tmp_path / "a.dng", size_px=(64, 40), highest=65535)
    assert found.dtype == np.uint16 and np.array_equal(found, values)
    with pytest.raises(CaptureError, match="turned by 90 degrees"):
        read_photograph(tmp_path / "a.dng", size_px=(40, 64))
    (tmp_path / "b.dng").write_bytes(dng(values, covered=8))
    found = read_photograph(tmp_path / "b.dng", size_px=(56, 32), highest=65535)
    assert np.array_equal(found, values[8:, 8:])


def test_raw_files_that_are_refused(tmp_path, values, monkeypatch):
    pytest.importorskip("rawpy")
    (tmp_path / "b.dng").write_bytes(dng(values, mosaic=True))
    with pytest.raises(CaptureError, match=r"b\.dng: its pixels have filters of 3 colours"):
        read_photograph(tmp_path / "b.dng")
    (tmp_path / "c.dng").write_bytes(dng(values)[:-1000])
    with pytest.raises(InputFileError, match=r"c\.dng: cannot be read to its end"):
        read_photograph(tmp_path / "c.dng")
    (tmp_path / "d.dng").write_bytes(bytes(5000))
    with pytest.raises(InputFileError, match=r"d\.dng: no raw file that LibRaw knows"):
        read_photograph(tmp_path / "d.dng")
    (tmp_path / "e.dng").write_bytes(dng(values, size=(30_000, 30_000)))
    with pytest.raises(InputFileError, match="at most 400 million"):
        read_photograph(tmp_path / "e.dng")
    (tmp_path / "f.dng").write_bytes(dng(values))
    monkeypatch.setitem(sys.modules, "rawpy", None)
    with pytest.raises(InputFileError, match=r"pip install 'prewarp\[raw\]'"):
        read_photograph(tmp_path / "f.dng")
