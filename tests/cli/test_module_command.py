"""`prewarp module`: from nothing to a file that other commands take."""

import json
import re

import pytest

from prewarp.capture.camera import read_camera
from prewarp.module import read_module
from prewarp.module_file import KEY_TABLES, key_rows
from prewarp.trace import read_design
from tests.cli.conftest import run


def test_a_new_file_and_what_it_holds(tmp_path):
    path = tmp_path / "visor.toml"
    done = run("module", "--new", "-o", path)
    assert done.exit_code == 0 and "Values are examples" in done.stderr
    assert read_module(path).channel_names == ("inner", "outer")
    told = run("module", path)
    assert told.exit_code == 0 and "overlap of inner and outer: 10.0 x 30.0 degrees" in told.stdout
    found = json.loads(run("module", path, "--json").stdout)
    assert found["channels"][0]["px_per_deg"] == 64.0 and found["overlaps"][0]["size_deg"] == [10.0, 30.0]


def test_a_file_that_is_there_stays(tmp_path):
    path = tmp_path / "visor.toml"
    path.write_text("mine", encoding="utf-8")
    done = run("module", "--new", "-o", path)
    assert done.exit_code == 2 and "is there already" in done.stderr and path.read_text() == "mine"


def test_from_a_grid(capture, tmp_path):
    path = tmp_path / "visor.toml"
    done = run("module", "--new", "--from", capture / "grid.csv", "--panel", "640x480", "-o", path)
    assert done.exit_code == 0 and "A grid does not tell" in done.stderr
    checked = run("check", capture / "grid.csv", "--module", path)
    assert checked.exit_code == 0, checked.output


def test_all_mistakes_a_line_each(tmp_path):
    path = tmp_path / "visor.toml"
    run("module", "--new", "-o", path, "-q")
    text = path.read_text(encoding="utf-8").replace("half_x_mm = 4.0", "half_x_mm = -4.0")
    path.write_text(text.replace('encoding = "srgb"', 'encoding = "sRGB"'), encoding="utf-8")
    done = run("module", path)
    lines = done.stderr.splitlines()
    assert done.exit_code == 2 and done.stdout == ""
    assert [line.split(": ")[2].split(" is ")[0] for line in lines] == [
        "channel.inner.panel.encoding",
        "channel.outer.panel.encoding",
        "eye_box.half_x_mm",
    ]
    assert all(line.startswith(f"prewarp: {path}: ") for line in lines)


def test_the_older_spelling_is_told_in_one_line(tmp_path):
    path = tmp_path / "visor.toml"
    run("module", "--new", "-o", path, "-q")
    path.write_text(path.read_text("utf-8").replace("[color.", "[colour."), encoding="utf-8")
    done = run("module", path)
    assert done.exit_code == 0
    assert done.stderr == f"{path}: colour is read as color; write color.\n"
    assert run("module", path, "--quiet").stderr == ""


def test_options_that_do_not_go_together(tmp_path):
    for words, said in (
        ((), "Missing argument 'FILE'"),
        (("--new",), "Missing option '-o'"),
        ((tmp_path / "a.toml", "--new"), "--new reads no file"),
        ((tmp_path / "a.toml", "--layout", "stacked"), "--layout is for a new module file"),
        (("--new", "--from", "g.csv", "--colors", "mono", "-o", "a.toml"), "--colors is told by the grid"),
    ):
        done = run("module", *words)
        assert done.exit_code == 2 and said in done.stderr, words


def test_help_holds_every_key():
    text = " ".join(run("module", "--help").stdout.split())
    for table in KEY_TABLES:
        for name, _, _, means in key_rows(table):
            assert re.search(rf"\b{name} {re.escape(means)}", text), name


@pytest.mark.parametrize("name", ["coaxial", "folded"])
def test_an_example_brings_its_design_and_a_camera(tmp_path, name):
    done = run("module", "--new", "--example", name, "-o", tmp_path / "visor.toml")
    assert done.exit_code == 0 and "Next: prewarp targets" in done.stdout
    module = read_module(tmp_path / "visor.toml")
    assert [one.name for one in read_design(tmp_path / "visor.design.toml").channels] == [
        one.name for one in module.channels
    ]
    assert read_camera(tmp_path / "visor.camera.toml").aperture_mm == 3.0
    again = run("module", "--new", "--example", name, "-o", tmp_path / "visor.toml")
    assert again.exit_code == 2 and "is there already" in again.stderr
    mixed = run("module", "--new", "--example", name, "--colors", "mono", "-o", tmp_path / "other.toml")
    assert mixed.exit_code == 2 and "is told by the example" in mixed.stderr
