"""OpenEXR files and ST maps: read by the openexr package, moved by OpenCV, held to a closed form."""

import struct

import numpy as np
import pytest

from prewarp.content import ContentProjection
from prewarp.errors import PackageError
from prewarp.export.exr import exr_bytes
from prewarp.export.st_map import st_map, st_map_exr
from prewarp.mesh import PanelMesh
from tests.support import require_module
from tests.synthetic import PlaneImage, plane_image_forward

SIZE = (320, 240)
DISPLAY = PlaneImage(size_px=SIZE, focal_px=420.0, yaw_deg=3.0)
CONTENT = ContentProjection("flat", (400, 200), 60.0)
PUPIL = np.array([1.5, -1.0, 0.0])


@pytest.fixture(scope="module")
def mesh():
    """The exact mesh of the display, nodes 16 px apart."""
    v, u = np.mgrid[0:16, 0:21] * 16.0
    tangent = plane_image_forward(np.stack([u, v], axis=-1), PUPIL, DISPLAY)
    weight = np.linspace(0.2, 0.8, 21) * np.ones((16, 1))
    return PanelMesh("one", "G", SIZE, PUPIL, tangent, CONTENT.pixel_from_tangent(tangent), weight)


def opened(data, folder):
    """Return the channels and the header that the openexr package finds."""
    openexr = require_module("OpenEXR")
    (folder / "a.exr").write_bytes(data)
    with openexr.File(str(folder / "a.exr"), separate_channels=True) as file:
        return {name: np.array(one.pixels) for name, one in file.channels().items()}, dict(file.header())


def expected_st():
    """Return s and t of all pixel centres, (height, width, 2), from the closed form of the display.

    A flat picture 60 degrees wide spans tangents of +-tan 30; its px are square. t rises with +y.
    """
    v, u = np.mgrid[0 : SIZE[1], 0 : SIZE[0]] + 0.5
    tangent = plane_image_forward(np.stack([u, v], axis=-1), PUPIL, DISPLAY)
    half = np.tan(np.radians(30.0)) * np.array([1.0, 200.0 / 400.0])
    return 0.5 + 0.5 * tangent / half


@pytest.mark.outside
@pytest.mark.parametrize("shape", [(1, 1), (1, 7), (5, 3), (64, 96)])
def test_the_openexr_package_reads_what_was_written(tmp_path, shape):
    random = np.random.default_rng(1)
    planes = {name: random.normal(size=shape).astype(np.float32) for name in ("weight", "R", "G", "a.b")}
    planes["R"].flat[0] = np.nan
    found, header = opened(exr_bytes(planes, comments="told \u00b1"), tmp_path)
    assert set(found) == set(planes)
    for name, plane in planes.items():
        assert found[name].dtype == np.float32
        np.testing.assert_array_equal(found[name], plane)
    low, high = header["dataWindow"]
    assert low.tolist() == [0, 0] and high.tolist() == [shape[1] - 1, shape[0] - 1]
    assert header["comments"] == "told \u00b1"


@pytest.mark.outside
def test_red_runs_from_the_left_and_green_from_the_bottom(tmp_path, mesh):
    found, header = opened(st_map_exr(mesh, CONTENT), tmp_path)
    assert set(found) == {"R", "G", "weight"}
    expected = expected_st()
    # 1e-5 of a content of 400 px is 0.004 px: what cubics between nodes 16 px apart leave.
    np.testing.assert_allclose(found["R"], expected[..., 0], atol=1e-5)
    np.testing.assert_allclose(found["G"], expected[..., 1], atol=1e-5)
    assert (np.diff(found["R"], axis=1) > 0.0).all() and (np.diff(found["G"], axis=0) < 0.0).all()
    # The weight rises by 0.6 over 320 px; the first pixel's centre is half a px from the edge.
    shares = 0.2 + 0.6 * (np.arange(320) + 0.5) / 320.0
    np.testing.assert_allclose(found["weight"], np.broadcast_to(shares, (240, 320)), atol=1e-6)
    assert "t from its bottom edge" in header["comments"] and "pupil (1.5, -1, 0) mm" in header["comments"]


@pytest.mark.outside
def test_a_picture_moved_by_it_shows_each_direction_where_it_is_seen(tmp_path, mesh):
    """OpenCV moves a ramp picture by the map that was read back; the closed form says what each px shows."""
    cv2 = require_module("cv2")
    found, _ = opened(st_map_exr(mesh, CONTENT), tmp_path)
    v, u = np.mgrid[0:200, 0:400] + 0.5
    ramp = np.stack([u / 400.0, v / 200.0], axis=-1).astype(np.float32)
    # cv2 counts from the first pixel's centre, down.
    across, down = found["R"] * 400.0 - 0.5, (1.0 - found["G"]) * 200.0 - 0.5
    moved = cv2.remap(ramp, across, down, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    expected = expected_st()
    inside = ((expected > 0.02) & (expected < 0.98)).all(axis=-1)
    assert inside.mean() > 0.5
    np.testing.assert_allclose(moved[inside][:, 0], expected[inside][:, 0], atol=5e-4)
    np.testing.assert_allclose(moved[inside][:, 1], 1.0 - expected[inside][:, 1], atol=5e-4)


def test_the_same_input_gives_the_same_bytes(mesh):
    assert st_map_exr(mesh, CONTENT) == st_map_exr(mesh, CONTENT)
    assert st_map(mesh, CONTENT).shape == (3, 240, 320)
    # Magic number 20000630 and version 2, as the format's page has them (from memory).
    assert st_map_exr(mesh, CONTENT)[:8] == struct.pack("<II", 20000630, 2) == b"\x76\x2f\x31\x01\x02\0\0\0"


@pytest.mark.parametrize(
    ("channels", "message"),
    [
        ({}, "channels are none"),
        ({"R": np.zeros((2, 3)), "G": np.zeros((3, 2))}, r"G \(3, 2\), R \(2, 3\)"),
        ({"R": np.zeros(4)}, r"expected one shape \(height, width\)"),
        ({"R": np.zeros((0, 4))}, "not empty"),
        ({"": np.zeros((2, 2))}, "printable ASCII"),
        ({"x" * 32: np.zeros((2, 2))}, "1 to 31"),
        ({"\u00fc": np.zeros((2, 2))}, "printable ASCII"),
    ],
)
def test_what_the_format_does_not_hold_is_told(channels, message):
    with pytest.raises(PackageError, match=message):
        exr_bytes(channels)
