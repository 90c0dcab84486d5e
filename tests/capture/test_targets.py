"""Targets as a folder, read by others: what plan, marks and pictures say together."""

import json
from itertools import groupby

import cv2
import numpy as np
import pytest
from scipy import ndimage

from prewarp.capture.guide import CAUTIONS
from prewarp.capture.marks import read_marks
from prewarp.capture.paths import path_inside
from prewarp.capture.plan import read_plan
from prewarp.capture.schedule import CaptureSettings, scheduled
from prewarp.capture.targets import planned_targets
from prewarp.errors import CaptureError
from prewarp.module import read_module
from prewarp.poses.shots import CAMERA_COLUMNS
from tests.capture.displays import TWO, channel, display, module_text
from tests.cli.conftest import run

ARGUMENTS = ("--positions", "9", "--dots", "8x7", "--refresh", "90", "--colours-at", "5", "--sines")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Targets of a 10-bit panel beside a mirrored 8-bit one, and the command's JSON."""
    place = tmp_path_factory.mktemp("targets")
    (place / "visor.toml").write_text(module_text(*TWO), encoding="utf-8")
    done = run("targets", place / "visor.toml", *ARGUMENTS, "-o", place / "out", "--json", "--quiet")
    assert done.exit_code == 0 and done.stderr == "", done.output
    (place / "said.json").write_text(done.stdout, encoding="utf-8")
    return place


@pytest.fixture(scope="module")
def plan(folder):
    return read_plan(folder / "out" / "plan.csv")


def opened(folder, relative, bits):
    """Return codes (height, width, 3), R G B, by OpenCV."""
    samples = cv2.imread(str(path_inside(folder / "out", relative)), cv2.IMREAD_UNCHANGED)[..., ::-1]
    return samples >> (8 * samples.dtype.itemsize - bits)


def test_every_picture_of_the_plan_is_there_and_no_other(folder, plan):
    named = {one.picture for one in plan.photographs} - {""}
    there = {str(one.relative_to(folder / "out")) for one in (folder / "out" / "pictures").rglob("*.png")}
    assert named == there
    for name in named:
        bits, size = (10, (256, 320, 3)) if "/inner/" in name else (8, (320, 256, 3))
        codes = opened(folder, name, bits)
        assert codes.shape == size and codes.max() < 2**bits
        # A picture in one colour lights its plane alone.
        plane = "RGB".index(name.split("/")[-1][0])
        assert not np.delete(codes, plane, axis=2).any()


@pytest.mark.outside
@pytest.mark.parametrize(("name", "bits"), [("inner", 10), ("outer", 8)])
def test_pictures_spell_the_names_of_the_marks_at_their_places(folder, name, bits):
    """By scipy's labels and centres of mass of what OpenCV reads; u right, v down, first centre 0.5."""
    module = read_module(folder / "visor.toml")
    marks = read_marks(folder / "out" / "marks.csv").of(name)
    assert marks.mark.tolist() == list(range(56))
    light = module.channel(name).panel.transfer.linear_of_codes(bits)
    whole = light[opened(folder, f"pictures/{name}/R_whole00.png", bits)[..., 0]] - light[0]
    labels, count = ndimage.label(whole > 0.0)
    assert count == 56
    place = np.array(ndimage.center_of_mass(whole, labels, range(1, 57)))[:, ::-1] + 0.5
    nearest = np.argmin(np.linalg.norm(place[None] - marks.panel_px[:, None], axis=-1), axis=1)
    assert sorted(nearest) == list(range(56))
    assert np.abs(place[nearest] - marks.panel_px).max() < 1e-6
    area = ndimage.sum_labels(whole, labels, nearest + 1) / (1.0 - light[0])
    assert area == pytest.approx(np.pi * marks.radius_px**2, rel=0.02)
    frames = [opened(folder, f"pictures/{name}/G_code{step:02d}.png", bits)[..., 1] > 0 for step in range(13)]
    seen = np.array([ndimage.maximum(frame, labels, nearest + 1) for frame in frames]).T
    assert ["".join(map(str, map(int, row))) for row in seen] == list(marks.code)
    assert all(not (frame & (labels == 0)).any() for frame in frames)


def test_the_whole_frame_comes_first_in_the_middle_and_last(plan):
    for (pose, name), group in groupby(
        [one for one in plan.photographs if one.kind in ("whole", "code")],
        lambda one: (one.pose, one.channel),
    ):
        shots = list(group)
        first = [one for one in shots if one.kind == "whole" and one.step == 0]
        last = [one for one in shots if one.kind == "whole" and one.step == 2]
        between = shots[len(first) : -len(last)]
        assert shots[: len(first)] == first and shots[-len(last) :] == last, (pose, name)
        assert [(one.kind, one.step) for one in between] == [
            *(("code", step) for step in range(6)),
            ("whole", 1),
            *(("code", step) for step in range(6, 13)),
        ]
        # Mirrored about the middle: an even drift leaves the mean of each colour and exposure alone.
        assert [(one.colour, one.exposure_ms) for one in first] == [
            (one.colour, one.exposure_ms) for one in reversed(last)
        ]


def test_everything_of_a_pose_is_taken_before_the_stage_moves(plan):
    poses = [pose for pose, _ in groupby(one.pose for one in plan.photographs)]
    assert len(poses) == len(set(poses)) == len(plan.poses) == 15
    for pose in poses:
        shots = plan.select(pose=pose)
        assert {one.channel for one in shots} - {""} == {"inner", "outer"}
        turned = any(shots[0].turn_deg)
        assert {one.kind for one in shots} - {"dark", "ramp"} == (
            {"whole", "code"} if turned else {"whole", "code", "flat", "sine"}
        )
    with_colours = {one.pose for one in plan.select(colour="R")}
    assert len(with_colours) == 5
    corners = {one.pose for one in plan.photographs if (abs(one.eye_x_mm), abs(one.eye_y_mm)) == (4.0, 3.0)}
    assert corners < with_colours
    # One ramp of 17 levels a channel and colour, from the middle.
    assert len(plan.select(kind="ramp")) == 2 * 3 * 17
    assert len({one.pose for one in plan.select(kind="ramp")}) == 1


def test_exposures_are_whole_frames_and_dark_frames_stand_at_both_ends(plan):
    for one in plan.photographs:
        assert one.panel_frames.is_integer()
        assert one.exposure_ms == pytest.approx(one.panel_frames * 1000.0 / 90.0, abs=1e-6)
    kinds = [one.kind for one in plan.photographs]
    assert kinds[:4] == kinds[-4:] == ["dark"] * 4 and kinds.count("dark") == 8
    assert [(one.panel_frames, one.step) for one in plan.select(kind="dark")] == [
        *((4.0, 0), (4.0, 1), (28.0, 0), (28.0, 1)),
        *((4.0, 2), (4.0, 3), (28.0, 2), (28.0, 3)),
    ]
    assert {one.panel_frames for one in plan.select(kind="code")} == {4.0}
    assert {one.panel_frames for one in plan.select(kind="whole", step=0)} == {4.0, 28.0}


def test_turns_have_the_names_that_free_poses_read(plan):
    assert CAMERA_COLUMNS == ("yaw_deg", "pitch_deg", "roll_deg")
    turns = sorted(one.turn_deg for one in plan.poses.values() if any(one.turn_deg))
    assert len(turns) == 6 and {max(map(abs, turn)) for turn in turns} == {10.0}


def test_sines_flats_and_ramps_are_light_as_said(folder):
    said = json.loads((folder / "out" / "targets.json").read_text())
    panel = read_module(folder / "visor.toml").channel("inner").panel
    light = panel.transfer.linear_of_codes(10)
    inner = said["channels"]["inner"]
    for axis in (0, 1):
        for number, period in enumerate(inner["sine_periods_px"]):
            step = (2 * axis + number) * 8 + 3
            seen = light[opened(folder, f"pictures/inner/G_sine{step:02d}.png", 10)[..., 1]]
            place = np.indices(seen.shape)[1 - axis] + 0.5
            wanted = 0.5 + 0.45 * np.cos(2.0 * np.pi * (place / period - 3.0 / 8.0))
            assert np.abs(seen - wanted).max() < 0.003
    assert (opened(folder, "pictures/inner/B_flat00.png", 10)[..., 2] == 1023).all()
    for step, code in enumerate(inner["ramp_codes"]):
        assert (opened(folder, f"pictures/inner/R_ramp{step:02d}.png", 10)[..., 0] == code).all()


def test_what_the_command_says_is_what_is_there(folder, plan):
    said = json.loads((folder / "said.json").read_text())
    files = [one for one in (folder / "out").rglob("*") if one.is_file() and one.name != ".prewarp"]
    assert said["photographs"] == len(plan) == sum(said["photographs_by_kind"].values())
    assert abs(said["bytes"] - sum(one.stat().st_size for one in files)) < 200
    assert said["pictures"] == sum(one.suffix == ".png" for one in files)
    assert not said["enough_for_free_poses"] and said["needed"] is None
    minutes = sum(one.exposure_ms for one in plan.photographs) / 60_000.0
    assert said["exposure_minutes"] == pytest.approx(minutes, abs=1e-3)


def test_cautions_stand_in_the_guide_and_in_the_help(folder):
    guide = (folder / "out" / "GUIDE.md").read_text(encoding="utf-8")
    helped = " ".join(run("targets", "--help").stdout.split())
    for one in CAUTIONS:
        assert one in guide and one in helped
    assert "for a camera and not for a person" in guide and "+x to the wearer's right" in guide
    assert "Measure how far the camera really went from pose p00 to p02 (planned 8.000 mm)" in guide


def test_the_same_module_gives_the_same_bytes_and_others_files_stay(folder):
    again = run("targets", folder / "visor.toml", *ARGUMENTS, "-o", folder / "again")
    assert again.exit_code == 0
    assert "9 positions cannot determine both a whole field" in again.stdout and "MiB written" in again.stdout
    assert "They are enough for the difference" in again.stdout
    few = run("targets", folder / "visor.toml", "--positions", 2, "--dots", "4x4", "-o", folder / "few")
    # As `prewarp fit --poses free --base` says of 2.
    assert "trace needs 8; a unit of a line needs 2" in " ".join(few.stdout.split())
    assert "drawing" in again.stderr
    assert (folder / "again" / ".prewarp").read_bytes() == (folder / "out" / ".prewarp").read_bytes()
    (folder / "again" / "notes.txt").write_text("mine")
    refused = run("targets", folder / "visor.toml", "-o", folder / "again")
    assert refused.exit_code == 2 and "notes.txt. Move it away" in refused.stderr


def test_one_frame_plans_show_marks_that_name_themselves(tmp_path):
    module = display(tmp_path, channel("inner", width=640, height=512), colours=("amber",))
    targets = planned_targets(module, CaptureSettings(positions=2, marks="one-frame"), dots=(17, 17))
    assert {one.kind for one in targets.plan.photographs} == {"dark", "one", "flat", "ramp"}
    picture = next(one for one in targets.pictures if one.kind == "one")
    codes = targets.codes(picture)
    # The one colour of a panel lights all three planes.
    assert (codes[..., 0] == codes[..., 1]).all() and (codes[..., 2] == codes[..., 1]).all()
    labels, count = ndimage.label(codes[..., 0])
    assert count == 17 * 17
    largest = np.argmax(ndimage.sum_labels(codes[..., 0] / 255.0, labels, range(1, count + 1))) + 1
    v, u = ndimage.center_of_mass(labels == largest)
    marks = targets.marks
    middle = targets.as_dict()["channels"]["inner"]["middle_mark"]
    assert (u + 0.5, v + 0.5) == pytest.approx(marks.panel_px[middle], abs=0.1) and middle == 8 * 17 + 8


def test_codes_in_every_colour_and_exposure(tmp_path):
    module = display(tmp_path, channel("inner"))
    once, _ = scheduled(module, CaptureSettings(positions=1, turn_deg=0.0))
    every, pictures = scheduled(module, CaptureSettings(positions=1, turn_deg=0.0, codes="every"))
    assert len(once.select(kind="code")) == 13 and len(every.select(kind="code")) == 13 * 3 * 2
    assert len([one for one in pictures if one.kind == "code"]) == 13 * 3
    assert len(every.select(kind="whole", step=1)) == 6


def test_each_eye_has_its_own_poses_and_camera(tmp_path):
    module = display(tmp_path, channel("outer", eye="left"), channel("inner"))
    settings = CaptureSettings(positions=2, cameras=("port", "starboard"))
    plan, _ = scheduled(module, settings)
    for eye, camera, name in (("left", "port", "outer"), ("right", "starboard", "inner")):
        shots = [one for one in plan.photographs if one.pose.startswith(f"{eye}-")]
        assert {one.camera for one in shots} == {camera}
        assert {one.channel for one in shots} == {name, ""}
    assert len(plan.poses) == 16
    with pytest.raises(CaptureError, match="3 cameras for 2 eyes"):
        scheduled(module, CaptureSettings(cameras=("a", "b", "c")))


def test_a_line_takes_dots_alone(tmp_path):
    """Two positions, no turned shots, no light: 13 + 3 photographs a channel and position, and dark ones."""
    (tmp_path / "visor.toml").write_text(module_text(channel("inner"), colours=("G",)))
    done = run(
        "targets", tmp_path / "visor.toml", "--positions", "2", "--no-light", "--exposures", "6",
        "--dots", "9x9", "-o", tmp_path / "out",
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    plan = read_plan(tmp_path / "out" / "plan.csv")
    assert len(plan) == 4 + 2 * 16 and len(plan.poses) == 2
    assert {one.kind for one in plan.photographs} == {"dark", "whole", "code"}


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        (("--exposures", "4,10.5"), "'4,10.5': expected whole numbers joined by commas, such as 4,28"),
        (("--exposures", "28,4"), "exposures is (28, 4)"),
        (("--exposures", "0"), "exposures is (0,)"),
        (("--depth", "4,2"), "the smaller first"),
        (("--depth", "1,2,3"), "depth_mm is (1.0, 2.0, 3.0)"),
        (("--depth", "two"), "expected numbers joined by commas"),
        (("--dots", "42x42"), "42 x 42 dots; expected 2 or more each way and 1716 at most"),
        (("--dots", "40x40", "--radius", "2"), "Take fewer or smaller dots"),
        (("--radius", "40", "--dots", "5x5"), "black between dots"),
        (("--positions", "0"), "0 is not in the range"),
        (("--positions", "107"), "or a square number"),
        (("--camera", "a b"), "camera is 'a b'"),
        (("--camera", "a", "--camera", "b"), "2 cameras for 1 eyes"),
        (("--fit", "none.npz"), "none.npz"),
        (("--design", "none.toml"), "none.toml"),
        (("--fit", "a.npz", "--design", "b.toml"), "--fit and --design are both given"),
        (("--refresh", "0"), "--refresh"),
    ],
)
def test_bad_requests_end_in_one_line(folder, tmp_path, arguments, part):
    done = run("targets", folder / "visor.toml", *arguments, "-o", tmp_path / "out")
    assert done.exit_code == 2 and list(tmp_path.iterdir()) == []
    (line,) = [line for line in done.stderr.splitlines() if line.startswith("prewarp: ")]
    assert part in line and "Traceback" not in done.stderr


def test_colours_without_a_plane_are_refused(tmp_path):
    (tmp_path / "visor.toml").write_text(module_text(channel("inner"), colours=("R", "cyan")))
    done = run("targets", tmp_path / "visor.toml", "-o", tmp_path / "out")
    assert done.exit_code == 2 and "colour 'cyan' is none of R, G, B" in done.stderr


@pytest.mark.parametrize("marks", ["coded", "one-frame"])
def test_no_two_channels_name_a_place_alike(tmp_path, marks):
    module = display(tmp_path, *TWO)
    one = planned_targets(module, CaptureSettings(positions=2, marks=marks), dots=(9, 8)).marks
    inner, outer = one.of("inner"), one.of("outer")
    assert set(inner.code).isdisjoint(outer.code)
    if marks == "one-frame":
        sizes = [part.radius_px / part.radius_px.min() > 1.2 for part in (inner, outer)]
        assert 0.2 < np.mean(sizes[0] != sizes[1]) < 0.8
