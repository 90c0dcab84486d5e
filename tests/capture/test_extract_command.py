"""`prewarp extract` on folders of photographs: the grid, what is kept, what is refused, in one clear line
each.
"""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from prewarp import memory
from prewarp.capture.codes import all_words, assigned_names, text_of_word
from prewarp.capture.extract import run as run_module
from prewarp.capture.extract.pose import PoseTask
from prewarp.capture.extract.working import working_bytes
from prewarp.capture.marks import Marks
from prewarp.capture.plan import Plan, read_plan, write_plan
from prewarp.capture.sines import Sines
from prewarp.grids import read_grid
from tests.capture.disc_folder import camera, lens_at, row, save, write_capture
from tests.capture.discs import Lens, Scene
from tests.cli.conftest import run

PLACES = {"p0": (0.0, 0.0, 0.0), "p1": (2.0, 0.0, 1.0), "p2": (0.0, 2.0, -1.0)}
TWO = {name: PLACES[name] for name in ("p0", "p1")}


def scene(pose, channel, number):
    turn = 180.0 if channel == "outer" else 0.0
    shift = (60.0 if channel == "outer" else 0.0, 0.0)
    lens = lens_at(number, turn_deg=turn)
    lens.shift_px = (lens.shift_px[0] + shift[0], lens.shift_px[1])
    return Scene(lens=lens, seed=number, dots=(11, 9), quadrature=(4, 12), number=int(channel == "outer"))


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return write_capture(
        tmp_path_factory.mktemp("a") / "capture", TWO, channels=("inner", "outer"), scene=scene
    )


def extracted(folder, output, *more):
    done = run(*folder.command, "-o", output, "--json", *more)
    return done, (json.loads(done.stdout) if done.stdout.startswith("{") else {})


@pytest.fixture(scope="module")
def first(folder, tmp_path_factory):
    """Return where the folder was extracted to, and what was told; by one process, with pictures."""
    output = tmp_path_factory.mktemp("b") / "bench.npz"
    done, told = extracted(folder, output)
    assert done.exit_code == 0, done.output
    return output, told


def test_the_grid_holds_every_dot_where_the_camera_saw_it(folder, first):
    output, told = first
    grid = read_grid(output)
    assert len(grid) == told["rows"] == 2 * 2 * 99
    assert grid.channel_names == ("inner", "outer")
    for (pose, channel), one in folder.scenes.items():
        own = (grid.extra["pose"] == pose) & (grid.channel == grid.channel_names.index(channel))
        mark = grid.extra["mark"][own]
        assert np.array_equal(grid.pixel[own], one.panel[mark])
        assert np.array_equal(grid.pupil_mm[own], np.tile(PLACES[pose], (len(mark), 1)))
        off = camera().pixel(grid.tangent[own]) - one.place[mark]
        assert np.sqrt(np.mean(off**2)) < 0.002
        # Photograph px to panel px: this lens shows 0.36 of the one per one of the other.
        assert np.median(grid.sigma_px[own]) == pytest.approx(0.0013 / 0.36, rel=0.15)
    assert np.all(grid.luminance > 0.9) and grid.luminance.max() == 1.0


def test_a_second_run_takes_up_what_is_there_and_two_processes_give_the_same(folder, first, tmp_path):
    output = tmp_path / "bench.csv"
    shutil.copytree(first[0].with_suffix(".extract"), tmp_path / "bench.extract")
    poses = tmp_path / "bench.extract" / "poses"
    kept = {path: path.stat().st_mtime_ns for path in poses.iterdir()}
    done = run(*folder.command, "-o", output)
    assert "pose p1 (kept from before)" in done.stderr
    assert kept == {path: path.stat().st_mtime_ns for path in kept}
    whole = output.read_bytes()
    # One that was cut short is measured again; the others stay. Pictures are those of before.
    (poses / "p1.npz").write_bytes((poses / "p1.npz").read_bytes()[:1000])
    done = run(*folder.command, "-o", output, "--no-pictures")
    assert output.read_bytes() == whole
    assert "pose p1\n" in done.stderr and "pose p0 (kept" in done.stderr
    command = [*folder.command[: folder.command.index("--jobs")], "--jobs", "2"]
    assert run(*command, "-o", tmp_path / "2.csv", "--no-pictures").exit_code == 0
    assert (tmp_path / "2.csv").read_bytes() == whole


def test_pictures_show_what_was_found(first):
    pictures = sorted((first[0].with_suffix(".extract") / "pictures").iterdir())
    assert [path.name for path in pictures] == [
        f"p{k}-{c}-G.png" for k in range(2) for c in ("inner", "outer")
    ]
    shown = np.asarray(Image.open(pictures[0])).astype(int)
    green = (shown[..., 1] > 150) & (shown[..., 0] < 120)
    assert np.count_nonzero(green) > 99 * 15


def test_a_foreign_folder_is_left_alone(folder, tmp_path):
    (tmp_path / "bench.extract").mkdir()
    (tmp_path / "bench.extract" / "notes.txt").write_text("mine")
    done = run(*folder.command, "-o", tmp_path / "bench.npz")
    assert done.exit_code == 2 and "did not write" in done.stderr
    assert [path.name for path in (tmp_path / "bench.extract").iterdir()] == ["notes.txt"]
    assert not (tmp_path / "bench.npz").exists()


@pytest.fixture
def spoilt(tmp_path):
    """Return a capture of three poses whose photographs a test may spoil, and its output."""
    one = write_capture(
        tmp_path / "capture", PLACES,
        scene=lambda pose, channel, number: Scene(lens=lens_at(number), seed=number, dots=(11, 9),
        quadrature=(4, 12)),
    )  # fmt: skip
    return one, tmp_path / "bench.npz"


def shot(folder, name):
    return folder.path / "shots" / f"{name}-20.png"


def test_single_photographs_that_cannot_be_read(spoilt):
    """Truncated, missing, of another size: the code's weight makes good one a pose, and the rest goes on."""
    folder, output = spoilt
    path = shot(folder, "p0-inner-G-code-4")
    path.write_bytes(path.read_bytes()[:2000])
    shot(folder, "p1-inner-G-code-2").unlink()
    Image.fromarray(np.zeros((100, 100), np.uint16)).save(shot(folder, "p2-inner-G-code-7"))
    done, told = extracted(folder, output)
    assert done.exit_code == 0, done.output
    assert told["rows"] == 3 * 99
    lines = [line for pose in told["poses"].values() for line in pose["findings"]]
    for name, words in (
        ("code-4", "cut short"),
        ("code-2", "not found"),
        ("code-7", "100 x 100 px; the camera"),
    ):
        assert any(name in line and words in line for line in lines), lines


def test_what_is_alike_is_said_once_and_refusals_first(spoilt):
    folder, output = spoilt
    for path in (folder.path / "shots").glob("p1-*"):
        path.rename(path.with_name(f"IMG_{path.name[3:]}"))
    done = run(*folder.command, "-o", output)
    lines = done.stdout.splitlines()
    (refused,) = (k for k, line in enumerate(lines) if "refused. none of its" in line)
    (missing,) = (k for k, line in enumerate(lines) if "not found" in line)
    assert refused < missing and "13 more like it" in lines[missing]
    (strange,) = (line for line in lines if "that it does not name: 14 (IMG_" in line)
    assert "missing: 14" in strange and "Rename them" in strange


def test_photographs_of_another_depth_all(spoilt):
    folder, output = spoilt
    for path in (folder.path / "shots").iterdir():
        Image.fromarray((np.asarray(Image.open(path)) >> 8).astype(np.uint8)).save(path)
    done = run(*folder.command, "-o", output)
    assert done.exit_code == 2
    assert "none of its 14 photographs can be read" in done.stderr
    assert "8 bits a pixel" in done.stderr and "Save photographs with 16 bits" in done.stderr


def test_two_poses_that_contradict_each_other(tmp_path):
    two = {"p0": (0.0, 0.0, 0.0), "p1": (1.0, 0.0, 0.0)}
    folder = write_capture(
        tmp_path / "capture", two,
        scene=lambda pose, channel, number: Scene(lens=lens_at(number), seed=number, dots=(9, 8),
        quadrature=(4, 12)),
    )  # fmt: skip
    for path in (folder.path / "shots").glob("p1-*"):
        Image.open(path).transpose(Image.Transpose.ROTATE_180).save(path)
    _, told = extracted(folder, tmp_path / "bench.npz", "--no-pictures")
    (line,) = told["notes"]
    assert "p0 and p1 show the panel of 'inner' turned or mirrored" in line and "is not known" in line


def test_a_whole_pose_is_refused_and_the_rest_goes_on(spoilt):
    folder, output = spoilt
    for step in range(6):
        shot(folder, f"p1-inner-G-code-{step}").unlink()
    done, told = extracted(folder, output)
    assert done.exit_code == 1
    assert told["rows"] == 2 * 99
    assert "7 of 13 code frames" in told["refused_views"]["p1"]["inner G"]
    assert set(read_grid(output).extra["pose"]) == {"p0", "p2"}


def test_nothing_at_all_is_an_error(spoilt):
    folder, output = spoilt
    for path in (folder.path / "shots").iterdir():
        path.unlink()
    done = run(*folder.command, "-o", output)
    assert done.exit_code == 2 and "no dot of any pose" in done.stderr
    assert not output.exists()


def test_over_exposed_and_unfocused_and_shaken(tmp_path):
    def scene_of(pose, channel, number):
        changes = ({"bright_e": 40000.0}, {"blur_px": 2.6, "radius_px": 14.0}, {})[number]
        return Scene(lens=lens_at(number), seed=number, dots=(11, 9), **changes)

    def change(pose, channel, frames):
        if pose != "p2":
            return frames
        moved = [np.roll(frame.astype(float), k, axis=1) for frame in frames for k in range(5)]
        return [np.mean(moved[5 * k : 5 * k + 5], axis=0).astype(np.uint16) for k in range(len(frames))]

    folder = write_capture(tmp_path / "capture", PLACES, scene=scene_of, change=change)
    _, told = extracted(folder, tmp_path / "bench.npz")
    lines = {name: " ".join(pose["findings"]) for name, pose in told["poses"].items()}
    assert "saturated in every frame" in lines["p0"] and "Shorten the exposure" in lines["p0"]
    assert "out of focus" in lines["p1"]
    assert "the camera shook" in lines["p2"]


def test_two_channels_exchanged_in_one_pose(tmp_path):
    places = {f"p{k}": (float(k), 0.0, 0.0) for k in range(3)}
    folder = write_capture(
        tmp_path / "capture", places, channels=("inner", "outer"),
        scene=lambda pose, channel, number: Scene(
            lens=Lens(scale=0.2, shift_px=((-130.0 if channel == "inner" else 130.0) + number, 0.0)),
            seed=number, dots=(9, 9), quadrature=(4, 12), radius_px=11.0),
    )  # fmt: skip
    exchanged(folder, ["p2"])
    done, told = extracted(folder, tmp_path / "bench.npz", "--no-pictures")
    assert done.exit_code == 1
    assert "exchanged? Rename them" in told["refused_views"]["p2"]["inner"]
    assert told["rows"] == 2 * 2 * 81


def exchanged(folder, poses):
    """Give the photographs of both channels each other's names in some poses."""
    for path in [path for pose in poses for path in (folder.path / "shots").glob(f"{pose}-inner-*")]:
        other = path.with_name(path.name.replace("inner", "outer"))
        spare = path.with_suffix(".tmp")
        path.rename(spare)
        other.rename(path)
        spare.rename(other)


def test_two_channels_exchanged_in_every_pose(tmp_path):
    """Each panel's dots have names of their own; the same lens sees both, so that nothing else tells."""
    folder = write_capture(
        tmp_path / "capture", {"p0": (0.0, 0.0, 0.0)}, channels=("inner", "outer"),
        scene=lambda pose, channel, number: Scene(
            dots=(9, 8), quadrature=(3, 10), seed=number, number=int(channel == "outer")),
    )  # fmt: skip
    exchanged(folder, ["p0"])
    done = run(*folder.command, "-o", tmp_path / "bench.npz")
    assert done.exit_code == 2
    assert (
        "Pose p0, inner G: p0-inner-G-code-0-20.png to p0-inner-G-code-12-20.png: show the dots of channel "
        "'outer'. Are the photographs of the two channels exchanged? Rename them"
    ) in done.stderr
    assert "show the dots of channel 'inner'" in done.stderr


def test_channels_that_are_named_alike_are_told(tmp_path):
    folder = write_capture(
        tmp_path / "capture", {"p0": (0.0, 0.0, 0.0)}, channels=("inner", "outer"),
        scene=lambda pose, channel, number: Scene(dots=(9, 8), quadrature=(3, 10), seed=number),
    )  # fmt: skip
    _, told = extracted(folder, tmp_path / "bench.npz", "--no-pictures")
    assert "inner and outer name their dots alike" in told["notes"][0]


def test_bad_input_is_one_line(folder, tmp_path):
    done = run(*folder.command, "-o", tmp_path / "bench.txt")
    assert done.exit_code == 2 and "expected .csv" in done.stderr
    command = [str(tmp_path / "nowhere") if "shots" in str(part) else part for part in folder.command]
    done = run(*command, "-o", tmp_path / "bench.npz")
    assert done.exit_code == 2 and "no such folder of photographs" in done.stderr


def test_flats_a_ramp_and_dark_frames(tmp_path):
    """Luminance is that of the flat, though the dots are even; banding, black level and hot pixels are
    told.
    """
    folder = write_capture(
        tmp_path / "capture", {"p0": (0.0, 0.0, 0.0)},
        scene=lambda pose, channel, number: Scene(dots=(11, 9), quadrature=(4, 12), black=110.0),
    )  # fmt: skip
    plan = read_plan(folder.path / "plan.csv").photographs
    count = len(plan)
    more = [row(count, "p0", "inner", "flat", 0), row(count + 1, "p0", "", "dark", 0, colour="")]
    more += [row(count + 2 + k, "p0", "inner", "ramp", k) for k in range(3)]
    write_plan(Plan((*plan, *more)), folder.path / "plan.csv")
    x = np.arange(640) + 0.5
    random = np.random.default_rng(2)
    even = random.normal(0.0, 2.0, (512, 640)) + 110.0
    flat = even + 1000.0 * (1.0 + x / 640.0) * (1.0 + 0.01 * np.cos(2.0 * np.pi * x / 8.0))
    dark = even.copy()
    dark[[5, 9], [7, 400]] = 900.0
    pictures = [flat, dark, even + 250.0, even + 500.0, even + 1000.0]
    for one, values in zip(more, pictures, strict=True):
        save(np.round(values).astype(np.uint16), folder.path / "shots" / one.file)
    done, told = extracted(folder, tmp_path / "bench.npz")
    assert done.exit_code == 0, done.output
    figures = told["poses"]["p0"]
    # The camera's file says 100; the dark frame knows better.
    assert figures["dark"]["black_code"] == pytest.approx(110.0, abs=0.5)
    assert figures["dark"]["hot_pixels_xy"] == [[7, 5], [400, 9]]
    view = figures["views"]["inner G"]
    assert view["ramp"] == pytest.approx({"0": 0.25, "1": 0.5, "2": 1.0}, abs=0.01)
    assert view["banding_percent"]["columns"] == pytest.approx(1.0 / np.sqrt(2.0), rel=0.1)
    assert view["banding_percent"]["rows"] < 0.05
    grid = read_grid(tmp_path / "bench.npz")
    at = folder.scenes["p0", "inner"].place[grid.extra["mark"], 0]
    expected = 1.0 + at / 640.0
    assert np.abs(grid.luminance / grid.luminance.max() - expected / expected.max()).max() < 0.01


def test_memory_is_asked_for_before_the_first_photograph_is_read(folder, tmp_path, monkeypatch):
    monkeypatch.setattr(run_module, "extract_pose", lambda task: pytest.fail("the work began"))
    monkeypatch.setattr(memory, "available_bytes", lambda: 200_000_000)
    done, _ = extracted(folder, tmp_path / "no.npz", "--jobs", 2)
    told = "extracting photographs of 640 x 512 px in 2 processes needs about 0.289 GB"
    assert done.exit_code == 2 and told in done.stderr
    assert "0.2 GB are free. Give --jobs 1." in done.stderr
    monkeypatch.setattr(memory, "available_bytes", lambda: 100_000_000)
    done, _ = extracted(folder, tmp_path / "no.npz")
    assert done.exit_code == 2 and "plan fewer or smaller dots" in done.stderr
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("size_px", "dots", "resident_mb"),
    [((640, 512), (17, 17), 181), ((640, 512), (30, 24), 224), ((1600, 1280), (17, 17), 215)],
)
def test_memory_is_foreseen_within_half_of_what_was_measured(size_px, dots, resident_mb):
    """Resident sizes of `extract` with one process; discs of 8 px on panels of 1600 x 1280 px."""
    u, v = (np.linspace(0.07, 0.93, count) * length for count, length in zip(dots, (1600, 1280), strict=True))
    panel = np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)
    count = len(panel)
    words = tuple(text_of_word(word) for word in all_words()[assigned_names(*dots, 0)].reshape(-1, 13))
    marks = Marks(np.full(count, "inner"), np.arange(count), panel, np.full(count, 8.0), words)
    rows = [row(0, "p0", "inner", "whole", 0), *(row(k + 1, "p0", "inner", "code", k) for k in range(13))]
    seen = replace(camera(), width_px=size_px[0], height_px=size_px[1])
    task = PoseTask("p0", "p0", tuple(rows), marks, seen, Path())
    assert resident_mb / 1.5 < working_bytes([task]) / 1e6 < resident_mb * 1.5
    # Eight shifts of two periods along u and v, in windows of 13 x 13 px: the stack alone is 4 bytes a value.
    shifted = replace(task, rows=(*rows, row(14, "p0", "inner", "sine", 0)), dense=4,
                      sines={"inner": Sines((1600, 1280), (40, 41), 8)})  # fmt: skip
    assert working_bytes([shifted]) > working_bytes([task]) + 4 * 8 * 169 * 12 * count
