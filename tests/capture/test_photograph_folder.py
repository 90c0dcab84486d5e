"""A whole plan photographed: through a design and a fit, its truth, the same bytes again, bad input."""

import csv
import json
import re
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from prewarp import memory
from prewarp.capture.camera import Camera, pose_rotation, turned_by, write_camera
from prewarp.capture.marks import read_marks
from prewarp.capture.photograph import folder as folder_module
from prewarp.capture.photograph.bench import Bench
from prewarp.capture.photograph.taking import Taking
from prewarp.capture.photograph.working import working_bytes
from prewarp.capture.plan import read_plan
from prewarp.field import fit_grid
from prewarp.module import read_module
from prewarp.trace import reach_lattice, read_design, trace_grid
from tests.capture.displays import channel, module_text
from tests.cli.conftest import run

# A bare panel of 64 x 51 mm, 150 mm before the eye.
DESIGN = """
name = "bare panel"
[channel.inner]
[[channel.inner.surface]]
label = "nothing"
[channel.inner.panel]
gap_mm = 150.0
"""
CAMERA = Camera(320, 256, (560.0, 560.0), (161.0, 127.0), (-0.1, 0.0, 0.0, 0.0), 1.0, full_scale=65535.0)
BENCH = """
blur_px = 0.7
stage_mm = 0.1
turn_arcmin = 2.0
drift_px = [0.5, -0.3]
white_per_ms = 0.01
"""


@pytest.fixture(scope="module")
def capture(tmp_path_factory):
    """Targets of a bare panel, its design and module, a camera."""
    folder = tmp_path_factory.mktemp("capture")
    text = module_text(channel("inner"), colours=("G",)).replace("pitch_um = 8.0", "pitch_um = 200.0")
    (folder / "visor.toml").write_text(text, encoding="utf-8")
    (folder / "design.toml").write_text(DESIGN, encoding="utf-8")
    (folder / "bench.toml").write_text(BENCH, encoding="utf-8")
    write_camera(folder / "camera.toml", CAMERA)
    done = run(
        "targets",
        folder / "visor.toml",
        "--positions",
        1,
        "--turn",
        10,
        "--dots",
        "7x5",
        "-o",
        folder / "targets",
        "-q",
    )
    assert done.exit_code == 0, done.output
    # Two poses of the plan are enough here, the second of them turned.
    lines = (folder / "targets" / "plan.csv").read_text(encoding="utf-8").splitlines()
    plan = read_plan(folder / "targets" / "plan.csv")
    turned = [name for name, one in plan.poses.items() if any(one.turn_deg)][0]
    first = next(iter(plan.poses))
    kept = [line for line, one in zip(lines[1:], plan.photographs, strict=True)
            if one.pose in (first, turned) and (one.kind != "ramp" or one.step == 5)]  # fmt: skip
    (folder / "targets" / "short.csv").write_text("\n".join([lines[0], *kept]) + "\n", encoding="utf-8")
    return folder


def photograph(capture, output, *more, plan="short.csv", optics=("--design", "design.toml")):
    files = ("--module", capture / "visor.toml", "--camera", capture / "camera.toml", "-o", output)
    return run(
        "photograph", capture / "targets" / plan, optics[0], capture / optics[1], *files, "--jobs", 1, *more
    )


def table(path):
    with path.open(encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


@pytest.fixture(scope="module")
def taken(capture):
    done = photograph(capture, capture / "taken", "--bench", capture / "bench.toml", "--json", "-q")
    assert done.exit_code == 0, done.output
    return capture / "taken", json.loads(done.stdout)


def test_every_photograph_is_there_and_its_truth_beside(capture, taken):
    folder, told = taken
    plan = read_plan(capture / "targets" / "short.csv")
    assert told["photographs"] == len(plan.photographs)
    assert told["focus_dioptres"] == pytest.approx(1000.0 / 150.0, rel=1e-4)
    truth = table(folder / "truth.csv")
    assert told["dots"] == len(truth)
    assert {one["file"] for one in truth} == {
        one.file for one in plan.photographs if one.kind in ("whole", "code", "seam")
    }
    for one in plan.photographs:
        with Image.open(folder / one.file) as picture:
            assert picture.size == (320, 256)
    assert [row["file"] for row in table(folder / "truth_poses.csv")] == [
        one.file for one in plan.photographs
    ]


def test_dots_are_where_the_truth_says(capture, taken):
    """Window by window: centroid and light of the values of files, 16 bits without noise."""
    folder, _ = taken
    plan = read_plan(capture / "targets" / "short.csv")
    whole = next(one for one in plan.photographs if one.kind == "whole" and any(one.turn_deg))
    light = CAMERA.light_from_values(np.asarray(Image.open(folder / whole.file)))
    y, x = np.indices(light.shape) + 0.5
    rows = [row for row in table(folder / "truth.csv") if row["file"] == whole.file]
    seen = [row for row in rows if float(row["covered"]) == 0.0]
    assert len(seen) >= 20
    for row in seen:
        place = np.array([float(row["centroid_x_px"]), float(row["centroid_y_px"])])
        near = np.abs(np.stack([x, y], axis=-1) - place).max(axis=-1) < 9.5
        part = light[near]
        found = np.array([(part * x[near]).sum(), (part * y[near]).sum()]) / part.sum()
        # Codes are whole: each is rounded by up to 1 / 131070.
        assert np.abs(found - place).max() < 2e-3
        assert part.sum() == pytest.approx(float(row["light"]), rel=1e-3)


def test_the_truth_of_a_pose_gives_the_places_of_dots(capture, taken):
    """By hand: straight lines from the true place of the camera to the marks of the bare panel."""
    folder, _ = taken
    marks = {row["mark"]: row for row in table(capture / "targets" / "marks.csv")}
    poses = {row["file"]: {name: float(value) for name, value in row.items() if name != "file"}
             for row in table(folder / "truth_poses.csv")}  # fmt: skip
    plan = {one.file: one for one in read_plan(capture / "targets" / "short.csv").photographs}
    nominal_off = []
    for row in table(folder / "truth.csv")[::7]:
        pose, mark = poses[row["file"]], marks[row["mark"]]
        u, v = float(mark["panel_u_px"]), float(mark["panel_v_px"])
        point = np.array([(u - 160.0) * 0.2, (128.0 - v) * 0.2, 150.0])
        place = np.array([pose["eye_x_mm"], pose["eye_y_mm"], pose["eye_z_mm"]])
        away = point - place
        turn = pose_rotation(pose["yaw_deg"], pose["pitch_deg"], pose["roll_deg"])
        pixel = CAMERA.pixel(turned_by(away[:2] / away[2], turn.T)) + [pose["drift_x_px"], pose["drift_y_px"]]
        assert np.abs(pixel - [float(row["x_px"]), float(row["y_px"])]).max() < 2e-3
        nominal_off.append(place - plan[row["file"]].pupil_mm)
    assert 0.02 < np.std(nominal_off) < 0.3


def test_the_same_input_gives_the_same_bytes(capture, taken, tmp_path):
    folder, _ = taken
    done = photograph(capture, tmp_path / "again", "--bench", capture / "bench.toml", "-q")
    assert done.exit_code == 0, done.output
    files = sorted(one.relative_to(folder) for one in folder.rglob("*") if one.is_file())
    assert all((folder / one).read_bytes() == (tmp_path / "again" / one).read_bytes() for one in files)


def test_a_fit_is_photographed_as_its_design(capture, taken, tmp_path):
    module, design = read_module(capture / "visor.toml"), read_design(capture / "design.toml")
    grid = trace_grid(
        design,
        module,
        pupils=module.eye_box.lattice((4, 4, 1)),
        directions={"inner": reach_lattice(module.channel("inner"), (15, 13))},
    )
    fit_grid(grid, panel_size_px=module.panel_sizes_px).save(capture / "visor.fit.npz")
    done = photograph(capture, tmp_path / "fit", "--bench", capture / "bench.toml", "-q",
                      optics=("--fit", "visor.fit.npz"))  # fmt: skip
    assert done.exit_code == 0, done.output
    traced, fitted = (table(folder / "truth.csv") for folder in (taken[0], tmp_path / "fit"))
    places = {(row["file"], row["mark"]): row for row in traced}
    off = [
        [float(row[name]) - float(places[row["file"], row["mark"]][name]) for name in ("x_px", "y_px")]
        for row in fitted
    ]
    assert len(fitted) > 0.9 * len(traced)
    assert np.abs(off).max() < 0.02


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ((), "expected either --design or --fit"),
        (
            ("--design", "{folder}/design.toml", "--fit", "{folder}/a.npz"),
            "expected either --design or --fit",
        ),
    ],
)
def test_one_kind_of_optics(capture, tmp_path, words, message):
    words = [word.format(folder=capture) for word in words]
    done = run("photograph", capture / "targets" / "short.csv", "--module", capture / "visor.toml",
               "--camera", capture / "camera.toml", "-o", tmp_path / "new", *words)  # fmt: skip
    assert done.exit_code == 2 and message in done.stderr
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda text: text.replace(".png,0,", ".jpg,0,", 1), "is not in"),
        (
            lambda text: re.sub(r"(_whole\w*)\.png$", r"\1.jpg", text, count=1, flags=re.M),
            "expected .png, .tif or .tiff",
        ),
        (lambda text: text.replace(",inner,", ",outer,"), ", row 6: no channel is called 'outer'"),
        (lambda text: text.replace(",G,", ",R,"), ", row 6: no colour is called 'R'"),
    ],
)
def test_bad_plans_say_what_and_where(capture, tmp_path, change, message):
    text = (capture / "targets" / "short.csv").read_text(encoding="utf-8")
    assert change(text) != text
    (capture / "targets" / "bad.csv").write_text(change(text), encoding="utf-8")
    done = photograph(capture, tmp_path / "new", plan="bad.csv")
    assert done.exit_code == 2 and message in done.stderr
    assert not (tmp_path / "new").exists()


def test_a_folder_stands_for_its_plan(capture, tmp_path):
    done = photograph(capture, tmp_path / "shots", plan="pictures")
    assert done.exit_code == 2 and "pictures/plan.csv: not found" in done.stderr


def test_memory_is_asked_for_before_the_first_photograph(capture, tmp_path, monkeypatch):
    """A process takes 338 MB here, by measurement."""
    monkeypatch.setattr(folder_module, "_taken", lambda *given: pytest.fail("the work began"))
    monkeypatch.setattr(memory, "available_bytes", lambda: 400_000_000)
    large = replace(CAMERA, width_px=1300, height_px=1040)
    write_camera(tmp_path / "large.toml", large)
    words = ("--module", capture / "visor.toml", "--camera", tmp_path / "large.toml", "-o", tmp_path / "new")
    plan = ("photograph", capture / "targets" / "short.csv", "--design", capture / "design.toml")
    done = run(*plan, *words, "--jobs", 2)
    assert done.exit_code == 2 and "1300 x 1040 px of panels of 320 x 256 px in 2 processes" in done.stderr
    assert "0.4 GB are free. Give --jobs 1." in done.stderr
    monkeypatch.setattr(memory, "available_bytes", lambda: 200_000_000)
    done = run(*plan, *words)
    assert done.exit_code == 2 and "smaller camera (--camera)" in done.stderr
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize(
    ("size", "resident_mb"), [((320, 256), 162), ((1300, 1040), 339), ((1500, 1200), 369)]
)
def test_memory_is_foreseen_within_half_of_what_was_measured(capture, size, resident_mb):
    """Resident sizes of `photograph` with one process, of even light and of sines, on a panel of 400 px."""
    taking = Taking(
        plan=read_plan(capture / "targets" / "short.csv"),
        marks=read_marks(capture / "targets" / "marks.csv"),
        folder=capture / "targets",
        module=read_module(capture / "visor.toml"),
        optics=None,
        cameras={"": replace(CAMERA, width_px=size[0], height_px=size[1])},
        bench=Bench(blur_px=0.7),
    )
    assert resident_mb / 1.5 < working_bytes(taking) / 1e6 < resident_mb * 1.5
