"""What the commands print and write when all is well, and their exit codes."""

import csv
import io
import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from prewarp.cli import commands
from prewarp.cli.commands.line import COMMANDS as LINE_COMMANDS
from prewarp.cli.group import COMMANDS
from prewarp.field import FieldSet, compare_grid
from prewarp.grids import read_grid, write_grid
from prewarp.render.pictures import read_picture
from tests.cli.conftest import run


def only_json(done) -> dict:
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def test_every_command_has_help_with_an_example():
    files = {path.stem for path in Path(commands.__file__).parent.glob("[a-z]*.py")}
    assert files == set(COMMANDS) | {f"line_{name}" for name in LINE_COMMANDS}
    whole = {(name,): summary for name, summary in COMMANDS.items() if name != "line"}
    whole |= {("line", name): summary for name, summary in LINE_COMMANDS.items()}
    for words, summary in whole.items():
        assert len(summary) <= 60 and summary.endswith(".")
        done = run(*words, "--help")
        assert done.exit_code == 0
        assert f"prewarp {' '.join(words)}" in done.stdout.split("Example")[1]
        assert "--json" in done.stdout and "--quiet" in done.stdout


def test_every_summary_stands_on_one_line_of_80_columns(monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    lines = run("--help").stdout.splitlines()
    listed = lines[lines.index("Commands:") + 1 : lines.index("", lines.index("Commands:"))]
    assert [line.split()[0] for line in listed] == list(COMMANDS)
    for line, summary in zip(listed, COMMANDS.values(), strict=True):
        assert line.endswith(f"  {summary}") and len(line) <= 80
        assert "..." not in line and len(summary.split()) >= 5


def test_no_command_prints_the_help():
    done = run()
    assert done.exit_code == 0 and "Commands:" in done.stdout


def test_check_passes_a_good_grid(capture):
    found = only_json(run("check", capture / "grid.csv", "--module", capture / "visor.toml", "--json"))
    assert found["passed"] is True and found["errors"] == 0 and found["samples"] == 4374


def test_check_ends_with_1_when_it_finds_an_error(capture, tmp_path):
    lines = (capture / "grid.csv").read_text(encoding="utf-8").splitlines()
    place = lines[0].split(",").index("eye_x_mm")
    cells = lines[41].split(",")
    cells[place] = "3000"
    lines[41] = ",".join(cells)
    (tmp_path / "spoilt.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    done = run("check", tmp_path / "spoilt.csv", "--json")
    assert done.exit_code == 1
    found = json.loads(done.stdout)
    # The header is line 1, so lines[41] is row 42.
    assert [f["rows"] for f in found["findings"] if f["severity"] == "error"] == [[42]]
    assert run("check", tmp_path / "spoilt.csv", "--quiet").output == ""


def test_check_asks_for_enough_pupils(capture):
    done = run("check", capture / "grid.csv", "--pupil-degree", 5, "--json")
    assert done.exit_code == 1
    assert any(f["kind"] == "pupils" for f in json.loads(done.stdout)["findings"])


def test_fit_without_a_module_says_its_defaults_and_is_the_same_fit(capture, tmp_path):
    done = run("fit", capture / "grid.csv", "--panel", "640x480", "-o", tmp_path / "a.npz")
    assert done.exit_code == 0
    assert "panel 640 x 480 px for every channel" in done.stdout
    with_module, without = FieldSet.load(capture / "visor.fit.npz"), FieldSet.load(tmp_path / "a.npz")
    pixel = np.array([[100.0, 400.0], [320.0, 240.0]])
    for key, field in without.fields.items():
        np.testing.assert_array_equal(
            field.forward(pixel, pupil_mm=(1.0, 2.0, 0.0)),
            with_module.fields[key].forward(pixel, pupil_mm=(1.0, 2.0, 0.0)),
        )
    assert (tmp_path / "a.npz").read_bytes() == (capture / "visor.fit.npz").read_bytes()


def test_fit_speaks_json_and_draws_its_residuals(capture, tmp_path):
    done = run(
        "fit",
        capture / "grid.csv",
        "--panel",
        "640x480",
        "-o",
        tmp_path / "a.npz",
        "--json",
        "--picture",
        tmp_path / "a.png",
    )
    found = only_json(done)
    # At most 0.2 % of good points may be blamed.
    assert len(found["outliers"]) <= 0.002 * 4374
    assert found["samples"] == 4374 - len(found["outliers"])
    assert found["parameters"] > 100 and 0.001 < found["floor_px"] < 0.02 and found["seconds"] > 0.0
    assert {(m["channel"], m["color"]) for m in found["models"]} == {
        (channel, colour) for channel in ("inner", "outer") for colour in "RGB"
    }
    assert all("degree" in m["model"] for m in found["models"])
    # Two channels side by side.
    with Image.open(tmp_path / "a.png") as picture:
        assert picture.size == (1520, 690)


def test_compare_agrees_with_the_library_and_writes_every_row(capture, tmp_path):
    found = only_json(
        run(
            "compare",
            capture / "visor.fit.npz",
            capture / "grid.csv",
            "--rows",
            tmp_path / "rows.csv",
            "--json",
        )
    )
    for part in (found["all"], found["inside"]):
        assert set(part) == {"count", "lost"} | {
            f"{kind}_{unit}" for kind in ("rms", "p95", "max") for unit in ("px", "arcmin")
        }
    assert len(found["groups"]) == 6 and found["all"]["count"] == 4374 and found["all"]["lost"] == 0
    comparison = compare_grid(FieldSet.load(capture / "visor.fit.npz"), read_grid(capture / "grid.csv"))
    assert found["all"] == pytest.approx(comparison.as_dict()["all"], rel=1e-9)
    rows = list(csv.DictReader(io.StringIO((tmp_path / "rows.csv").read_text(encoding="utf-8"))))
    assert [int(row["row"]) for row in rows] == list(range(2, 4376))
    assert float(rows[17]["error_px"]) == pytest.approx(comparison.error_px[17], abs=1e-8)
    assert float(rows[17]["sigma_px"]) == pytest.approx(comparison.sigma_px[17], rel=1e-6)
    assert float(rows[17]["predicted_u_px"]) == pytest.approx(comparison.predicted_px[17, 0], abs=1e-8)
    assert {row["lost"] for row in rows} == {"0"}


def test_compare_counts_rows_that_cannot_be_predicted(capture, tmp_path):
    grid = read_grid(capture / "grid.csv")
    pixel = grid.pixel.copy()
    pixel[5] = np.nan
    write_grid(tmp_path / "hole.npz", type(grid)(**{**vars(grid), "pixel": pixel}))
    found = only_json(run("compare", capture / "visor.fit.npz", tmp_path / "hole.npz", "--json"))
    assert found["all"]["count"] == 4374 and found["all"]["lost"] == 1


def test_render_shows_content_the_right_way_up(capture, tmp_path):
    content = np.zeros((160, 320, 3), dtype=np.uint8)
    # One lit spot, up and to the left of the middle.
    content[40:60, 100:130] = 255
    Image.fromarray(content).save(tmp_path / "spot.png")
    found = only_json(
        run(
            "render", capture / "visor.fit.npz", "--module", capture / "visor.toml",
            "--scene", tmp_path / "spot.png",
            "--width", 320, "--gl", "none", "-o", tmp_path / "look", "--json",
        )
    )  # fmt: skip
    assert found["renderer"] == "CPU renderer"
    view = read_picture(tmp_path / "look" / "view_right.png").astype(int)
    assert view.shape == (160, 320, 3)
    # The channels reach 15 degrees up; what they show is the content itself.
    inside = np.s_[42:58, 102:128]
    assert view[inside].min() > 240
    assert np.abs(view - content)[60:100].max() < 90 and np.median(np.abs(view - content)) == 0
    assert sorted(path.name for path in (tmp_path / "look").iterdir()) == [
        ".prewarp", "panel_right_inner.png", "panel_right_outer.png", "render.json", "view_right.png",
    ]  # fmt: skip


def test_render_moves_the_picture_when_the_tracker_is_wrong(capture, tmp_path):
    common = (
        "render",
        capture / "visor.fit.npz",
        "--module",
        capture / "visor.toml",
        "--width",
        320,
        "--gl",
        "none",
    )
    views = []
    for name, tracked in (("right", "2,0,0"), ("wrong", "0,0,0")):
        assert run(*common, "--pupil", "2,0,0", "--tracked", tracked, "-o", tmp_path / name).exit_code == 0
        views.append(read_picture(tmp_path / name / "view_right.png").astype(int))
    assert np.abs(views[0] - views[1]).max() > 20


def test_export_writes_what_was_asked_for(capture, tmp_path):
    found = only_json(
        run(
            "export", capture / "visor.fit.npz", "--module", capture / "visor.toml",
            "--pupil", "0,0,0", "--pupil", "2,-1,0", "--format", "csv", "-o", tmp_path / "pack", "--json",
        )
    )  # fmt: skip
    assert found["pupils_mm"] == [[0.0, 0.0, 0.0], [2.0, -1.0, 0.0]]
    assert sum(file["kind"] == "mesh csv" for file in found["files"]) == 12
    assert json.loads((tmp_path / "pack" / "manifest.json").read_text(encoding="utf-8")) == found


def test_trace_makes_a_grid_that_check_accepts(tmp_path):
    found = only_json(
        run(
            "trace", "calib/coaxial.design.toml", "calib/coaxial.module.toml",
            "--pupils", "3x3x1", "--directions", "9x7", "-o", tmp_path / "traced.csv.gz", "--json",
        )
    )  # fmt: skip
    grid = read_grid(tmp_path / "traced.csv.gz")
    assert found["samples"] == len(grid) > 1000
    assert set(found["lost"]) == {"inner", "outer"}
    assert run("check", tmp_path / "traced.csv.gz", "--module", "calib/coaxial.module.toml").exit_code == 0


def files_in(folder):
    return sorted(path.relative_to(folder) for path in folder.rglob("*") if path.is_file())


@pytest.mark.parametrize("command", ["render", "export"])
def test_the_same_input_gives_the_same_bytes(capture, tmp_path, command):
    for name in ("a", "b"):
        arguments = (
            command,
            capture / "visor.fit.npz",
            "--module",
            capture / "visor.toml",
            "-o",
            tmp_path / name,
            "-q",
        )
        few = (
            ("--width", 200)
            if command == "render"
            else ("--pupils", "1x1x1", "--format", "csv", "--format", "png")
        )
        done = run(*arguments, *few)
        assert done.exit_code == 0 and done.output == ""
    files = files_in(tmp_path / "a")
    assert files == files_in(tmp_path / "b") and len(files) > 3
    for name in files:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes(), name
