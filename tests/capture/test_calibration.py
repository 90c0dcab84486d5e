"""The camera from photographs of a board: against OpenCV both ways, how sure it is, and what it refuses."""

import json
import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from prewarp import memory
from prewarp.capture.calibration import calibrate
from prewarp.capture.calibration.board import Board
from prewarp.capture.calibration.bundle import adjusted
from prewarp.capture.calibration.calibrate import find_board
from prewarp.capture.calibration.entrance import Stage, entrance_of
from prewarp.capture.calibration.lattice import ordered_lattice
from prewarp.capture.calibration.levels import ValueCount
from prewarp.capture.calibration.projection import Lens, Poses, disc_bias, slopes
from prewarp.capture.camera import Camera, pose_rotation, read_camera, read_cameras
from prewarp.capture.photograph.bench import Bench
from prewarp.errors import CaptureError
from tests.capture.boards import (
    DISTANCE_MM,
    PX_PER_MM,
    board_optics,
    chessboard_photograph,
    dot_places,
    dots_photograph,
    poses,
)
from tests.cli.conftest import run
from tests.support import require_module

CAMERA = Camera(640, 512, (620.0, 622.0), (322.4, 254.1), (-0.12, 0.05, 5e-4, -3e-4, 0.0), full_scale=65535.0)
TRUTH = np.array([620.0, 622.0, 322.4, 254.1, -0.12, 0.05, 5e-4, -3e-4, 0.0])
DOTS = Board("dots", (15, 11), 12.0)
NOISE = Bench(full_well_e=20_000.0, read_noise_e=3.0)
# What the libraries may differ by on the same points: goals of the task, and what is reached far below.
FOCAL, CENTRE_PX = 1e-3, 0.05


def seen_board(places_mm, count, seed, noise_px, camera=CAMERA, stage_mm=0.0, stage_arcmin=0.0):
    """Return measured pixels (n, p, 2) of a board's marks, and where the stage says the camera was."""
    random = np.random.default_rng(seed)
    place, turn = poses(count, seed)
    found = []
    for at, turned in zip(place, turn, strict=True):
        rotation = pose_rotation(*(turned + random.normal(0.0, stage_arcmin / 60.0, 3)))
        stands = at + random.normal(0.0, stage_mm, 3)
        world = np.column_stack([places_mm * [1.0, -1.0], np.full(len(places_mm), DISTANCE_MM)]) - stands
        own = world @ rotation
        tangent = own[:, :2] / own[:, 2:]
        for _ in range(5):
            ahead = camera.entrance_from_tangent(tangent)[:, None]
            tangent = own[:, :2] / (own[:, 2:] - ahead)
        found.append(camera.pixel(tangent) + random.normal(0.0, noise_px, (len(places_mm), 2)))
    return np.array(found), place, turn


def opencv_matrix(camera):
    """Return the camera matrix in OpenCV's pixels, whose first one's centre is 0."""
    (fx, fy), (cx, cy) = camera.focal_px, camera.centre_px
    return np.array([[fx, 0.0, cx - 0.5], [0.0, fy, cy - 0.5], [0.0, 0.0, 1.0]])


def opencv_calibrated(cv2, places_mm, pixel, size):
    flat = [np.column_stack([places_mm, np.zeros(len(places_mm))]).astype(np.float32)] * len(pixel)
    points = [(one - 0.5).astype(np.float32) for one in pixel]
    _, matrix, distortion, *_ = cv2.calibrateCamera(flat, points, size, None, None)
    return matrix, distortion.ravel()


@pytest.mark.outside
def test_the_same_points_give_opencv_s_camera():
    cv2 = require_module("cv2")
    pixel, _, _ = seen_board(DOTS.places_mm, 10, 1, 0.02)
    ours = adjusted(DOTS.places_mm, pixel, (640, 512))
    matrix, distortion = opencv_calibrated(cv2, DOTS.places_mm, pixel, (640, 512))
    assert ours.lens.focal_px == pytest.approx([matrix[0, 0], matrix[1, 1]], rel=FOCAL / 1000.0)
    assert np.abs(ours.lens.centre_px - (matrix[:2, 2] + 0.5)).max() < CENTRE_PX / 50.0
    assert np.abs(ours.lens.distortion - distortion).max() < 1e-4


@pytest.mark.outside
def test_points_that_opencv_projects_give_its_camera_back():
    cv2 = require_module("cv2")
    random = np.random.default_rng(3)
    flat = np.column_stack([DOTS.places_mm, np.zeros(DOTS.marks)])
    pixel = []
    for _ in range(8):
        turn, shift = random.uniform(-0.5, 0.5, 3), random.uniform([-20, -20, 260], [20, 20, 340])
        seen, _ = cv2.projectPoints(flat, turn, shift, opencv_matrix(CAMERA), TRUTH[4:])
        pixel.append(seen.reshape(-1, 2) + 0.5)
    found = adjusted(DOTS.places_mm, np.array(pixel), (640, 512))
    assert np.abs(found.lens.values - TRUTH).max() < 1e-6
    assert found.sigma_px < 1e-8


@pytest.fixture(scope="module")
def dots_folder(tmp_path_factory):
    """Eight photographs of a lattice of dots, with noise; their truth."""
    folder, truths = tmp_path_factory.mktemp("dots"), []
    place, turn = poses(8, 3)
    for index in range(8):
        values, truth = dots_photograph(
            CAMERA, place[index], turn[index], (15, 11), 12.0, 2.5, NOISE, seed=index
        )
        Image.fromarray(values).save(folder / f"{index}.png")
        truths.append(truth)
    return folder, truths, place, turn


def test_dots_of_a_photograph_are_found_and_named(dots_folder):
    folder, truths, _, _ = dots_folder
    for index in (0, 5):
        light = np.asarray(Image.open(folder / f"{index}.png")).astype(float)
        found = find_board(light, DOTS)
        assert np.sqrt(np.mean((found.pixel - truths[index].centroid) ** 2)) < 0.004
        assert found.radius_mm == pytest.approx(2.5, rel=0.05)
        # A dark lattice on a bright board is the same to it.
        assert find_board(50_000.0 - light, DOTS).pixel == pytest.approx(found.pixel, abs=1e-6)


@pytest.mark.outside
def test_opencv_solves_our_photographs(dots_folder):
    """OpenCV's own finder and solver on simulated photographs: the camera that took them."""
    cv2 = require_module("cv2")
    folder, truths, _, _ = dots_folder
    pixel = []
    for index in range(8):
        picture = (np.asarray(Image.open(folder / f"{index}.png")) >> 8).astype(np.uint8)
        found, centres = cv2.findCirclesGrid(255 - picture, (15, 11), flags=cv2.CALIB_CB_SYMMETRIC_GRID)
        assert found
        centres = centres.reshape(-1, 2) + 0.5
        # Its order may begin at the other end.
        if np.abs(centres - truths[index].pixel).max() > 5.0:
            centres = centres[::-1]
        assert np.abs(centres - truths[index].pixel).max() < 0.5
        pixel.append(centres)
    matrix, _ = opencv_calibrated(cv2, DOTS.places_mm, np.array(pixel), (640, 512))
    assert matrix[0, 0] == pytest.approx(620.0, rel=2.0 * FOCAL)
    assert np.abs(matrix[:2, 2] + 0.5 - [322.4, 254.1]).max() < 0.5


@pytest.mark.outside
def test_chessboard_corners_and_opencv_s_pixel_rule():
    """OpenCV's corners lie half a pixel lower: its first pixel's centre is 0."""
    cv2 = require_module("cv2")
    board, pixel = Board("chessboard", (10, 7), 15.0), []
    place, turn = poses(3, 8)
    camera = replace(CAMERA, width_px=480, height_px=384, focal_px=(465.0, 465.0), centre_px=(241.0, 190.0))
    for index in range(3):
        values = chessboard_photograph(camera, place[index], turn[index], (11, 8), 15.0, Bench(), samples=2)
        found = find_board(values.astype(float), board)
        pixel.append(found.pixel)
        if index == 0:
            picture = (values >> 8).astype(np.uint8)
            known, theirs = cv2.findChessboardCornersSB(picture, (10, 7), flags=cv2.CALIB_CB_ACCURACY)
            assert known
            finest = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 50, 1e-4)
            theirs = cv2.cornerSubPix(picture, theirs, (4, 4), (-1, -1), finest).reshape(-1, 2)
            nearest = np.argmin(np.linalg.norm(theirs[None] + 0.5 - found.pixel[:, None], axis=-1), axis=1)
            shift = found.pixel - theirs[nearest]
            assert len(set(nearest.tolist())) == board.marks
            assert np.abs(shift.mean(axis=0) - 0.5).max() < 0.01
            assert np.abs(shift - 0.5).max() < 0.1
    solved = adjusted(board.places_mm, np.array(pixel), (480, 384), coefficients=4)
    assert solved.sigma_px < 0.03
    assert solved.lens.focal_px == pytest.approx([465.0, 465.0], rel=4.0 * FOCAL)


def test_the_stated_uncertainty_is_the_one_that_repeats():
    """Errors over sigma of repeated simulations: RMS 1 (`tests.long.camera_sigma` has more of them)."""
    board = Board("dots", (9, 7), 18.0)
    scores = []
    for seed in range(12):
        pixel, _, _ = seen_board(board.places_mm, 7, seed, 0.03)
        found = adjusted(board.places_mm, pixel, (640, 512))
        scores.append((found.lens.values - TRUTH) / found.lens_sigma.values)
        assert found.sigma_px == pytest.approx(0.03, rel=0.15)
    rms = np.sqrt(np.mean(np.square(scores), axis=0))
    # Of 12 draws of a normal number the RMS lies within 0.6 to 1.45 in 99 of 100 cases; nine are asked.
    assert np.all(rms < 1.7) and np.all(rms > 0.45)
    assert 0.75 < np.sqrt(np.mean(np.square(scores))) < 1.3


def test_outliers_are_left_out():
    pixel, _, _ = seen_board(DOTS.places_mm, 6, 2, 0.01)
    pixel[1, 7] += [3.0, -1.0]
    pixel[4, 100] = np.nan
    found = adjusted(DOTS.places_mm, pixel, (640, 512))
    assert np.argwhere(~found.kept).tolist() == [[1, 7], [4, 100]]
    assert np.all(np.abs(found.lens.values - TRUTH) < 5.0 * found.lens_sigma.values)


def test_slopes_of_the_projection_by_differences():
    random = np.random.default_rng(4)
    lens = Lens(TRUTH[:2], TRUTH[2:4], TRUTH[4:], np.zeros(1))
    board = Poses(
        pose_rotation([5.0, -20.0], [10.0, 0.0], [0.0, 30.0]), random.uniform(-5, 5, (2, 3)) + [0, 0, 300]
    )
    places, step = DOTS.places_mm[::20], 1e-6
    by_lens, by_pose = slopes(lens, board, places)
    for index in range(len(lens.values)):
        shift = step * np.eye(len(lens.values))[index]
        ends = [lens.with_values(lens.values + s * shift).pixel(board.points(places)) for s in (1, -1)]
        assert np.abs(by_lens[..., index] - (ends[0] - ends[1]) / (2 * step)).max() < 1e-4
    for index in range(6):
        shift = np.zeros((2, 6))
        shift[:, index] = step
        ends = [lens.pixel(board.moved(s * shift).points(places)) for s in (1, -1)]
        assert np.abs(by_pose[..., index] - (ends[0] - ends[1]) / (2 * step)).max() < 2e-4


def test_the_bias_of_discs_is_that_of_drawn_discs():
    """What the simulator draws of a steep disc has its centroid where the projected rim says."""
    camera = replace(CAMERA, distortion=(-0.3, 0.1, 0.0, 0.0))
    place, turn = np.array([150.0, 0.0, 60.0]), (-32.0, 0.0, 0.0)
    _, truth = dots_photograph(camera, place, turn, (5, 3), 30.0, 6.0, Bench())
    rotation = pose_rotation(*turn)
    flip = np.diag([1.0, -1.0, 1.0])
    inward = flip @ rotation.T @ flip
    shift = inward @ (flip @ (np.array([0.0, 0.0, DISTANCE_MM]) - place))
    lens = Lens(TRUTH[:2], TRUTH[2:4], np.array(camera.distortion), np.zeros(0))
    board = Board("dots", (5, 3), 30.0)
    bias = disc_bias(lens, Poses(inward[None], shift[None]), board.places_mm, 6.0)[0]
    drawn = truth.centroid - truth.pixel
    assert np.abs(drawn).max() > 0.03
    assert np.abs(bias - drawn).max() < 0.06 * np.abs(drawn).max()


def test_the_entrance_pupil_shows_in_turned_shots_alone():
    camera = replace(CAMERA, entrance_mm=12.3, walk_mm=8.0)
    scores = []
    for seed in range(5):
        pixel, place, turn = seen_board(DOTS.places_mm, 12, seed, 0.005, camera, 0.02, 0.5)
        bundle = adjusted(DOTS.places_mm, pixel, (640, 512), walk=True)
        found = entrance_of(bundle, Stage(place, pose_rotation(*turn.T), 0.02, 0.5))
        scores.append([*((found.place_mm - [0.0, 0.0, 12.3]) / found.sigma_mm),
                       (bundle.lens.walk_mm[0] - 8.0) / bundle.lens_sigma.walk_mm[0]])  # fmt: skip
        assert found.sigma_mm.max() < 0.1 and bundle.lens_sigma.walk_mm[0] < 0.3
        assert 0.6 < found.misfit < 1.5
    assert 0.5 < np.sqrt(np.mean(np.square(scores))) < 1.5
    assert entrance_of(bundle, Stage(place, pose_rotation(*np.zeros((3, 12))), 0.02, 0.5)) is None


def test_a_lattice_is_named_from_its_corner_whatever_lies_about():
    random = np.random.default_rng(6)
    place = dot_places((7, 5), 12.0) @ np.array([[0.3, 0.05], [-0.04, 0.28]])
    place = place + 4e-5 * place**2
    mixed = random.permutation(len(place))
    stray = place[-1] + [[25.0, 9.0], [-190.0, 33.0]]
    order = ordered_lattice(np.concatenate([place[mixed], stray]), (7, 5))
    assert mixed[order].tolist() == list(range(35))
    assert ordered_lattice(place[1:], (7, 5)) is None
    turned = (place - place.mean(axis=0)) @ np.array([[0.0, 1.0], [-1.0, 0.0]])
    assert ordered_lattice(turned, (7, 5)) is not None


def test_what_values_of_files_mean():
    random = np.random.default_rng(2)
    counted = ValueCount()
    counted.add((random.integers(70, 4000, (64, 64)) << 4).astype(np.uint16))
    levels = counted.levels()
    assert (levels.shift_bits, levels.full_scale, levels.full_scale_shown) == (4, 4095.0, False)
    assert levels.black is None
    bright = (random.integers(70, 5000, (64, 64)).clip(max=4090) << 4).astype(np.uint16)
    counted.add(bright)
    for _ in range(3):
        dark = np.rint(random.normal(64.3, 2.0, (64, 64)))
        dark[3, 5] = 900.0
        counted.add_dark((dark.astype(int) << 4).astype(np.uint16))
    levels = counted.levels()
    assert levels.full_scale_shown and levels.full_scale == 4090.0
    assert levels.black == pytest.approx(64.3, abs=5 * levels.black_sigma)
    assert 0.005 < levels.black_sigma < 0.06
    eight = ValueCount()
    eight.add(random.integers(0, 200, (8, 8)).astype(np.uint8))
    assert eight.levels().full_scale == 255.0 and eight.levels().shift_bits == 0
    low = ValueCount()
    low.add(random.integers(0, 1000, (64, 64)).astype(np.uint16))
    assert low.levels().full_scale == 1023.0


def test_the_command_writes_what_is_known_and_names_the_rest(dots_folder, tmp_path):
    folder, _, place, turn = dots_folder
    Image.fromarray(np.zeros((512, 640), np.uint16)).save(folder / "empty.png")
    (folder / "broken.png").write_bytes((folder / "0.png").read_bytes()[:5000])
    out = tmp_path / "camera.toml"
    words = ("camera", folder, "--count", "15x11", "--pitch", 12, "-o", out, "-q", "--json")
    done = run(*words)
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert {one["file"] for one in told["refused"]} == {"empty.png", "broken.png"}
    assert set(told["not_known"]) == {"aperture_mm", "entrance_mm", "walk_mm", "black", "full_scale"}
    assert told["entrance_mm"] is None
    camera = read_camera(out)
    assert camera.entrance_mm is None and camera.aperture_mm is None
    for own, truth, sigma in zip(camera.focal_px, (620.0, 622.0), camera.sigma.focal_px, strict=True):
        assert abs(own - truth) < 5.0 * sigma and sigma < 0.1
    (folder / "empty.png").unlink()
    (folder / "broken.png").unlink()
    table = tmp_path / "stage.csv"
    head = "file,eye_x_mm,eye_y_mm,eye_z_mm,yaw_deg,pitch_deg,roll_deg"
    rows = [
        f"{index}.png,{','.join(map(str, [*at, *turned]))}"
        for index, (at, turned) in enumerate(zip(place, turn, strict=True))
    ]
    table.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    done = run(*words[:2], *words[2:-2], "--plan", table, "--aperture", 3, "--dark", folder / "0.png")
    assert done.exit_code == 0, done.output
    assert "entrance_mm" in done.stdout and "of the point that the stage turns about" in done.stdout
    again = read_camera(out)
    assert abs(again.entrance_mm) < 5.0 * again.sigma.entrance_mm
    assert again.aperture_mm == 3.0
    done = run("camera", f"left={folder}", f"right={folder}", *words[2:-2], "-q")
    assert done.exit_code == 0 and set(read_cameras(out)) == {"left", "right"}


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("nowhere", "--count", "15x11"), "nowhere: no such folder"),
        (("{folder}", "--count", "14x11"), "0 of 2 photographs show a whole board"),
        (("{folder}", "{folder}", "--count", "15x11"), "several cameras need a name each"),
        (("a b={folder}", "--count", "15x11"), "camera is 'a b'"),
        (("{folder}", "--count", "15"), "expected 2 counts"),
    ],
)
def test_bad_input_of_the_command(dots_folder, tmp_path, words, message):
    folder = tmp_path / "two"
    folder.mkdir()
    for name in ("0.png", "1.png"):
        (folder / name).write_bytes((dots_folder[0] / name).read_bytes())
    words = [word.format(folder=folder) for word in words]
    done = run("camera", *words, "--pitch", 12, "-o", tmp_path / "camera.toml")
    assert done.exit_code == 2 and message in done.stderr
    assert not (tmp_path / "camera.toml").exists()


def test_photographs_that_do_not_determine_a_camera():
    """A board that always faces the camera: nearer, or a shorter focal length."""
    away = np.array([[0.0, 0.0, 300.0], [20.0, 5.0, 350.0], [-10.0, 10.0, 320.0]])
    lens = Lens(TRUTH[:2], TRUTH[2:4], TRUTH[4:], np.zeros(0))
    pixel = lens.pixel(Poses(np.array([np.eye(3)] * 3), away).points(DOTS.places_mm))
    with pytest.raises(CaptureError, match="do not determine the camera: the board is turned too little"):
        adjusted(DOTS.places_mm, pixel, (640, 512))
    with pytest.raises(CaptureError, match="do not determine 9 numbers"):
        adjusted(DOTS.places_mm[:4], pixel[:, :4], (640, 512))


def test_the_simulator_s_board_is_where_the_test_says():
    """The bare panel as optics: a mark's direction is the straight line to it."""
    place = np.array([20.0, -10.0, 5.0])
    seen = board_optics().direction(dot_places((3, 3), 10.0), place)
    flat = Board("dots", (3, 3), 10.0).places_mm * [1.0, -1.0]
    away = np.column_stack([flat, np.full(9, DISTANCE_MM)]) - place
    assert np.abs(seen - away[:, :2] / away[:, 2:]).max() < 1e-9
    assert np.diff(dot_places((3, 1), 10.0)[:, 0])[0] == PX_PER_MM * 10.0


def test_memory_is_asked_for_before_the_first_photograph_is_read(tmp_path, monkeypatch):
    monkeypatch.setattr(memory, "available_bytes", lambda: 150_000_000)
    monkeypatch.setattr(calibrate, "read_photograph", lambda *given, **more: pytest.fail("the work began"))
    folder = tmp_path / "board"
    folder.mkdir()
    (folder / "0.png").write_bytes(b"no picture")
    for name in ("1.png", "2.tif", "3.png"):
        Image.fromarray(np.zeros((1000, 1200), np.uint16)).save(folder / name)
    words = ("camera", folder, "--pitch", 12, "-o", tmp_path / "camera.toml", "--board", "chessboard")
    done = run(*words, "--count", "15x11")
    told = "finding 165 marks in 4 photographs of 1200 x 1000 px needs about 0.22 GB"
    assert done.exit_code == 2 and told in done.stderr
    assert done.stderr.rstrip().endswith("take a camera with fewer pixels.")
    done = run(*words, "--count", "200x200")
    assert done.exit_code == 2 and "needs about 0.687 GB" in done.stderr
    assert done.stderr.rstrip().endswith("fewer photographs, or a board with fewer marks (--count).")


@pytest.mark.parametrize(
    ("kind", "size_px", "resident_mb"),
    [
        ("dots", (800, 600), 105),
        ("dots", (2000, 1500), 186),
        ("chessboard", (800, 600), 126),
        ("chessboard", (2000, 1500), 315),
    ],
)
def test_memory_is_foreseen_within_half_of_what_was_measured(kind, size_px, resident_mb):
    """Resident sizes of `camera` on two photographs."""
    board = Board(kind, (15, 11), 12.0)
    foreseen = calibrate.calibration_bytes(size_px, 2, board, coefficients=5, walk=False) / 1e6
    assert resident_mb / 1.5 < foreseen < resident_mb * 1.5


@pytest.mark.parametrize("count", [6, 12])
def test_memory_of_the_adjustment_is_foreseen(count):
    pixel, _, _ = seen_board(DOTS.places_mm, count, 3, 0.05)
    tracemalloc.start()
    try:
        adjusted(DOTS.places_mm, pixel, CAMERA.size_px)
        taken = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    foreseen = calibrate.calibration_bytes((16, 16), count, DOTS, coefficients=5, walk=False)
    assert taken / 1.5 < foreseen - memory.PROGRAM_BYTES < taken * 1.5
