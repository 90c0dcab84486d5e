"""The camera: OpenCV's model and its inverse, pixel rule, files, turns of a pose."""

import json
import re
import tomllib

import numpy as np
import pytest

from prewarp.capture.camera import (
    Camera,
    CameraSigma,
    camera_named,
    pose_rotation,
    read_camera,
    read_cameras,
    turned_by,
    write_camera,
    write_cameras,
)
from prewarp.capture.distortion import coefficient_slopes, distorted, fold_radius, padded, point_slopes
from prewarp.errors import CaptureError
from tests.support import require_module

LENSES = (
    (),
    (-0.3, 0.08, 0.0, 0.0),
    (0.4, 0.02, 0.001, -0.002, 0.01),
    (-0.1, 0.05, 0.0005, 0.001, -0.01, 0.02, 0.01, 0.0),
    (-0.2, 0.07, -0.0005, 0.001, 0.0, 0.0, 0.0, 0.0, 0.002, -0.001, 0.001, 0.0005),
)


def camera_of(distortion, **entries):
    return Camera(640, 512, (500.0, 503.0), (322.3, 250.1), distortion, **entries)


@pytest.mark.parametrize("distortion", LENSES)
def test_direction_of_a_pixel_and_back(distortion):
    camera = camera_of(distortion)
    x, y = np.meshgrid(np.linspace(0.0, 640.0, 41), np.linspace(0.0, 512.0, 33))
    pixel = np.stack([x, y], axis=-1)
    tangent = camera.tangent(pixel)
    assert np.all(np.isfinite(tangent))
    assert np.abs(camera.pixel(tangent) - pixel).max() < 1e-9


def test_up_is_up_and_right_is_right():
    camera = camera_of(())
    assert camera.pixel([0.0, 0.0]).tolist() == [322.3, 250.1]
    assert camera.pixel([0.1, 0.2]) == pytest.approx([372.3, 149.5])


@pytest.mark.outside
@pytest.mark.parametrize("distortion", LENSES)
def test_as_opencv_projects(distortion):
    """cv2.projectPoints counts pixels from the first one's centre, y down: half a pixel and a sign apart."""
    cv2 = require_module("cv2")
    random = np.random.default_rng(5)
    camera = camera_of(distortion)
    tangent = random.uniform(-0.6, 0.6, (200, 2))
    matrix = np.array([[500.0, 0.0, 321.8], [0.0, 503.0, 249.6], [0.0, 0.0, 1.0]])
    points = np.column_stack([tangent * [1.0, -1.0], np.ones(200)])
    theirs, _ = cv2.projectPoints(points, np.zeros(3), np.zeros(3), matrix, np.array(distortion or [0.0] * 4))
    assert np.abs(camera.pixel(tangent) - (theirs[:, 0] + 0.5)).max() < 1e-9


@pytest.mark.parametrize("distortion", LENSES[1:])
def test_slopes_are_those_of_the_map(distortion):
    random = np.random.default_rng(2)
    point, full, step = random.uniform(-0.5, 0.5, (50, 2)), padded(distortion), 1e-6
    slopes = point_slopes(point, distortion)
    for axis in range(2):
        shift = step * np.eye(2)[axis]
        numeric = (distorted(point + shift, full) - distorted(point - shift, full)) / (2.0 * step)
        assert np.abs(slopes[..., axis] - numeric).max() < 1e-8
    by_coefficient = coefficient_slopes(point, distortion)
    for place in range(len(full)):
        shift = step * np.eye(len(full))[place]
        numeric = (distorted(point, full + shift) - distorted(point, full - shift)) / (2.0 * step)
        assert np.abs(by_coefficient[..., place] - numeric).max() < 1e-8
    camera = camera_of(distortion)
    numeric = (camera.pixel(point + [step, 0.0]) - camera.pixel(point - [step, 0.0])) / (2.0 * step)
    assert np.abs(camera.pixel_slopes(point)[..., 0] - numeric).max() < 1e-4


def test_nothing_is_said_beyond_the_fold():
    """r (1 + k1 r^2) turns back at r = 1 / sqrt(-3 k1), at two thirds of that radius."""
    camera = camera_of((-0.3, 0.0, 0.0, 0.0))
    turn = 1.0 / np.sqrt(0.9)
    assert fold_radius(camera.distortion) == pytest.approx(turn)
    assert np.all(np.isfinite(camera.pixel([[0.0, 0.99 * turn]])))
    assert np.all(np.isnan(camera.pixel([[0.0, 1.01 * turn], [3.0, 3.0]])))
    reach = 500.0 * turn * 2.0 / 3.0
    near, far = camera.tangent([[322.3 + 0.999 * reach, 250.1], [322.3 + 1.001 * reach, 250.1]])
    assert np.all(np.isfinite(near)) and np.all(np.isnan(far))
    assert np.abs(camera.pixel(near) - [322.3 + 0.999 * reach, 250.1]).max() < 1e-9
    assert fold_radius((0.1, 0.0, 0.0, 0.0)) == np.inf
    # A pole of the denominator ends the domain too.
    assert fold_radius((0.0, 0.0, 0.0, 0.0, 0.0, -0.25, 0.0, 0.0)) == pytest.approx(2.0)


def test_what_lies_on_the_sensor():
    inside = camera_of(()).inside([[0.0, 0.0], [640.0, 512.0], [-0.1, 5.0], [5.0, 512.1], [np.nan, 1.0]])
    assert inside.tolist() == [True, True, False, False, False]


def test_turns_of_a_pose():
    ahead = np.array([0.0, 0.0, 1.0])
    angle = np.radians(10.0)
    right, up = pose_rotation([10.0, 0.0], [0.0, 10.0], 0.0) @ ahead
    assert right == pytest.approx([np.sin(angle), 0.0, np.cos(angle)])
    assert up == pytest.approx([0.0, np.sin(angle), np.cos(angle)])
    # Counter-clockwise as the wearer sees: what was on the right goes up.
    assert pose_rotation(0.0, 0.0, 90.0) @ [1.0, 0.0, 0.0] == pytest.approx([0.0, 1.0, 0.0])
    turn = pose_rotation(20.0, -15.0, 7.0)
    assert turn @ turn.T == pytest.approx(np.eye(3))
    assert np.linalg.det(turn) == pytest.approx(1.0)
    tangent = np.array([[0.2, -0.1], [0.0, 0.3]])
    assert turned_by(turned_by(tangent, turn), turn.T) == pytest.approx(tangent)
    assert np.all(np.isnan(turned_by(np.array([[0.0, 0.0]]), pose_rotation(120.0, 0.0, 0.0))))


def test_light_of_a_file():
    camera = camera_of((), black=64.0, full_scale=4095.0, shift_bits=4)
    assert camera.light_from_values([64 * 16, 4095 * 16]) == pytest.approx([0.0, 1.0])


def test_the_entrance_pupil_walks_with_the_field():
    assert camera_of(()).entrance_from_tangent([[0.5, 0.0]]).tolist() == [0.0]
    walks = camera_of((), entrance_mm=0.2, walk_mm=0.4)
    assert walks.entrance_from_tangent([[0.0, 0.0], [0.3, 0.4]]) == pytest.approx([0.2, 0.3])


def test_files_keep_everything(tmp_path):
    sigma = CameraSigma(focal_px=(0.1, 0.2), distortion=(1e-4,) * 5, aperture_mm=0.05)
    camera = camera_of(LENSES[2], aperture_mm=3.0, black=64.5, full_scale=4095.0, shift_bits=4, sigma=sigma)
    write_camera(tmp_path / "a.toml", camera)
    assert read_camera(tmp_path / "a.toml") == camera
    assert camera_named(read_cameras(tmp_path / "a.toml"), "any") == camera
    both = {"left": camera, "right": camera_of(())}
    write_cameras(tmp_path / "b.toml", both)
    assert read_cameras(tmp_path / "b.toml") == both
    with pytest.raises(CaptureError, match="holds 2 cameras, left, right; expected one"):
        read_camera(tmp_path / "b.toml")
    with pytest.raises(CaptureError, match="'lift' is not in the camera file.*Did you mean 'left'"):
        camera_named(both, "lift")


def test_a_table_of_json_is_read_as_well(tmp_path):
    """As calibrations by other software are kept: the same keys as in TOML."""
    camera = camera_of(LENSES[2], black=64.5, sigma=CameraSigma(focal_px=(0.1, 0.2)))
    write_camera(tmp_path / "a.toml", camera)
    table = tomllib.loads((tmp_path / "a.toml").read_text(encoding="utf-8"))
    path = tmp_path / "a.json"
    path.write_text(json.dumps(table), encoding="utf-8")
    assert read_camera(path) == camera
    for text, message in (
        ('{"width_px": 640', "not valid JSON"),
        ("[1, 2]", "expected an object"),
        ('{"width_px": NaN}', "NaN is no number of JSON"),
        ('{"width_px": 1, "width_px": 2}', "a key stands twice"),
        ('{"width_px": 640.5}', "width_px is 640.5"),
    ):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(CaptureError, match=f"a.json: .*{message}"):
            read_camera(path)


GOOD = "width_px = 640\nheight_px = 512\nfocal_px = [500.0, 500.0]\ncentre_px = [320.0, 256.0]\n"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (GOOD.replace("640", "640.5"), "width_px is 640.5"),
        (GOOD + "distortion = [0.1, 0.2]\n", "distortion has 2 entries; expected 0, 4, 5, 8, 12"),
        (GOOD + "black = 100.0\nfull_scale = 50.0\n", "full_scale is 50; expected more than black, 100"),
        (GOOD + "focal_length = 3\n", "focal_length is not a known key"),
        (GOOD + "[sigma]\ndistortion = [0.1]\n", "sigma.distortion has 1 entries; expected 0"),
        (GOOD + "[sigma]\nfocal_px = [-1.0, 0.0]\n", "sigma.focal_px is"),
        (GOOD.replace("centre_px", "center_px"), "center_px is not a known key. Did you mean 'centre_px'?"),
        ("[camera.a]\n" + GOOD + "[other]\n", "other is not a known key"),
    ],
)
def test_bad_files_say_what_and_where(tmp_path, text, message):
    path = tmp_path / "camera.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(CaptureError, match=f"camera.toml: .*{re.escape(message)}"):
        read_cameras(path)


@pytest.mark.outside
def test_light_of_an_ideal_lens_falls_by_the_fourth_power_of_the_cosine():
    """At 30 and 45 degrees 9/16 and 1/4 (the cosine fourth law of radiometry; values by hand)."""
    camera = camera_of((), falloff="cos4")
    tangent = np.tan(np.radians([[0.0, 0.0], [30.0, 0.0], [0.0, -45.0]]))
    assert camera.light_share(tangent) == pytest.approx([1.0, 9.0 / 16.0, 0.25])
    assert camera_of(()).light_share(tangent) is None


def test_a_stretched_picture_has_less_light_a_pixel():
    """Light through the pupil of the rays that a pixel sees: solid angle times cosine, by its corners."""
    camera = camera_of((-0.2, 0.03, 0.001, -0.0008, 0.0), falloff="cos4")
    pixel = np.array([[322.3, 250.1], [600.0, 80.0], [40.0, 410.0]])
    corners = camera.tangent(
        pixel[:, None] + 0.5 * np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    )
    rays = np.concatenate([corners, np.ones((3, 4, 1))], axis=-1)
    area = 0.5 * np.linalg.norm(np.cross(rays[:, 2] - rays[:, 0], rays[:, 3] - rays[:, 1]), axis=-1)
    squared = np.sum(camera.tangent(pixel) ** 2, axis=-1)
    # A patch of the plane z = 1 is seen under area cos^3; the pupil is foreshortened by another cosine.
    flux = area / (1.0 + squared) ** 2
    assert camera.light_share(camera.tangent(pixel)) == pytest.approx(flux / flux[0], rel=1e-5)


def test_measured_light_is_read_written_and_checked(tmp_path):
    camera = camera_of((), falloff=(-0.6, 0.2))
    write_camera(tmp_path / "camera.toml", camera)
    assert read_camera(tmp_path / "camera.toml") == camera
    assert camera.light_share([0.3, 0.4]) == pytest.approx(1.0 - 0.6 * 0.25 + 0.2 * 0.0625)
    write_camera(tmp_path / "ideal.toml", camera_of((), falloff="cos4"))
    assert read_camera(tmp_path / "ideal.toml").falloff == "cos4"
    with pytest.raises(CaptureError, match="falloff gives .* at the sensor's rim"):
        camera_of((), falloff=(-1.5,))
    with pytest.raises(CaptureError, match="falloff .*expected 'cos4'"):
        camera_of((), falloff="cos3")
