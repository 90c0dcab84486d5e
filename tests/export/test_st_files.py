"""ST maps in a package: read back, held to the fit, and by the openexr package; damage is found."""

import json
import shutil

import numpy as np
import pytest

from prewarp.errors import PackageError
from prewarp.export import st_map
from prewarp.export.exr import channels_from_exr, exr_bytes
from prewarp.export.package_reading import read_package
from prewarp.export.st_map import at_panel, require_room
from prewarp.export.verify import verify_package
from prewarp.files import sha256_of_bytes
from tests.export.device_builds import (
    ASKED,
    CONTENT,
    LIMIT_PX,
    PUPILS,
    SIZE,
    small_build,
    small_fields,
    write_small,
)
from tests.export.sealed import write_manifest
from tests.support import require_module


@pytest.fixture(scope="module")
def package(tmp_path_factory):
    folder = tmp_path_factory.mktemp("st") / "visor"
    return folder, write_small(folder, formats=("st",), lookup=None)


@pytest.fixture
def copy(package, tmp_path):
    return shutil.copytree(package[0], tmp_path / "copy")


def rewrite(folder, path, data):
    manifest = json.loads((folder / "manifest.json").read_text("utf-8"))
    entry = next(one for one in manifest["files"] if one["path"] == path)
    entry.update(bytes=len(data), sha256=sha256_of_bytes(data))
    (folder / path).write_bytes(data)
    write_manifest(folder, manifest)


def test_a_package_of_st_maps(package):
    folder, result = package
    entries = read_package(folder).entries(st_map.KIND)
    assert len(entries) == 2 * 3 * len(PUPILS) and entries[0]["path"] == "st/c0-left_R_p000.exr"
    rows = [one for one in result.verification.checks if one.artefact == st_map.KIND and one.what == "place"]
    assert len(rows) == 6 and all(one.measured < 0.01 < one.requested == LIMIT_PX for one in rows)


@pytest.mark.outside
def test_each_pixel_holds_where_its_light_comes_from(package):
    """The openexr package reads; the closed form says which direction each pixel's centre is seen in."""
    openexr, folder = require_module("OpenEXR"), package[0]
    with openexr.File(str(folder / "st/c1-right_B_p001.exr"), separate_channels=True) as file:
        planes = {name: np.array(one.pixels) for name, one in file.channels().items()}
    assert planes["R"].shape == SIZE[::-1]
    v, u = np.mgrid[0 : SIZE[1], 0 : SIZE[0]] + 0.5
    tangent = small_fields().field("right", "B").forward(np.stack([u, v], axis=-1), pupil_mm=PUPILS[1])
    # A flat picture 80 degrees wide, 400 x 250 px, its px square; t rises with +y.
    half = np.tan(np.radians(40.0)) * np.array([1.0, 250.0 / 400.0])
    expected = 0.5 + 0.5 * tangent / half
    np.testing.assert_allclose(planes["R"], expected[..., 0], atol=2e-5)
    np.testing.assert_allclose(planes["G"], expected[..., 1], atol=2e-5)


def test_between_pixels_and_at_the_panels_edge_the_map_goes_on_straight():
    v, u = np.mgrid[0:6, 0:9] + 0.5
    planes = {"R": 0.1 + 0.02 * u + 0.01 * v, "G": 0.9 - 0.03 * v, "weight": 0.5 + 0.01 * u}
    pixel = np.random.default_rng(5).uniform((0.0, 0.0), (9.0, 6.0), (200, 2))
    pixel[:2] = (0.0, 0.0), (9.0, 6.0)
    x, y = pixel.T
    expected = [(0.1 + 0.02 * x + 0.01 * y) * 400.0, (0.1 + 0.03 * y) * 250.0, 0.5 + 0.01 * x]
    np.testing.assert_allclose(at_panel(planes, CONTENT, pixel), np.stack(expected, axis=-1), atol=1e-9)


def test_maps_of_another_pupil_are_found(copy):
    paths = [f"st/c0-left_G_p{pupil:03d}.exr" for pupil in (0, 1)]
    data = [(copy / path).read_bytes() for path in paths]
    for path, one in zip(paths, reversed(data), strict=True):
        rewrite(copy, path, one)
    wrong = verify_package(copy).failures
    assert {(one.artefact, one.what) for one in wrong} == {("ST map", "place"), ("ST map", "as written")}
    assert wrong[0].measured > 10.0 * wrong[0].requested


def test_a_map_of_another_panel_is_found(copy):
    path = "st/c0-left_G_p000.exr"
    planes = channels_from_exr((copy / path).read_bytes(), where=path)
    rewrite(copy, path, exr_bytes({name: plane[:-1] for name, plane in planes.items()}))
    (wrong,) = verify_package(copy).failures
    assert f"{path}: not of 320 x 240 px" in wrong.note


@pytest.mark.parametrize("shape", [(1, 1), (3, 5), (40, 7)])
def test_what_was_written_is_read(shape):
    random = np.random.default_rng(1)
    planes = {name: random.normal(size=shape).astype(np.float32) for name in ("weight", "R", "G", "a.b")}
    found = channels_from_exr(exr_bytes(planes, comments="told"), where="a.exr")
    assert set(found) == set(planes)
    for name, plane in planes.items():
        np.testing.assert_array_equal(found[name], plane)


def test_damaged_pictures_are_refused():
    """Cut anywhere, or a byte of the header changed: told, never another error; or the same numbers."""
    planes = {name: np.arange(12.0).reshape(3, 4) for name in ("R", "G")}
    data = exr_bytes(planes, comments="told")
    for length in range(len(data)):
        with pytest.raises(PackageError, match=r"a\.exr: .*Export again"):
            channels_from_exr(data[:length], where="a.exr")
    random, refused = np.random.default_rng(2), 0
    for place in range(len(data) - 24 * 3):
        changed = bytearray(data)
        changed[place] ^= 1 << int(random.integers(8))
        try:
            channels_from_exr(bytes(changed), where="a.exr")
        except PackageError:
            refused += 1
    assert refused > 150
    with pytest.raises(PackageError, match="not a plain OpenEXR file"):
        channels_from_exr(b"", where="a.exr")


def test_more_than_fits_is_told_before_the_work(tmp_path, monkeypatch):
    monkeypatch.setattr(st_map, "MOST_BYTES", 1_000_000)
    with pytest.raises(PackageError, match=r"2 pupil positions would take 0\.0 GB.*--pupil 0,0,0"):
        require_room(small_build())
    with pytest.raises(PackageError, match="Ask for fewer positions"):
        write_small(tmp_path / "visor", formats=("st",), request=ASKED)
    assert list(tmp_path.iterdir()) == []
