"""`--eye both`: every eye of the module in one call, each thing whole, nothing half written."""

import json
import re

import numpy as np
import pytest
from PIL import Image

from prewarp.cli.commands import export as export_command
from prewarp.errors import PackageError
from prewarp.export.verify import verify_package
from prewarp.render.pictures import read_picture
from tests.cli.conftest import run

CHANNEL_OF = {"left": "inner", "right": "outer"}


@pytest.fixture(scope="module")
def two_eyes(capture, tmp_path_factory):
    """The captured display as two eyes of one channel each: what names fit and module."""
    text = (capture / "visor.toml").read_text(encoding="utf-8")
    module = tmp_path_factory.mktemp("module") / "eyes.toml"
    module.write_text(
        text.replace('[channel.inner]\neye = "right"', '[channel.inner]\neye = "left"'), encoding="utf-8"
    )
    return (capture / "visor.fit.npz", "--module", module)


def said(*arguments):
    done = run(*arguments, "--json")
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


@pytest.mark.parametrize(
    "command", [("focus",), ("sensitivity", "--pupils", "2x1x1"), ("blend", "--pupils", "2x1x1")]
)
def test_both_is_what_a_report_says_without_it(two_eyes, command):
    name, *options = command
    both = said(name, *two_eyes, *options, "--eye", "both")
    assert list(both["eyes"]) == ["left", "right"]
    assert both == said(name, *two_eyes, *options)
    assert list(said(name, *two_eyes, *options, "--eye", "left")["eyes"]) == ["left"]


def test_a_package_for_each_eye_whole_and_verified(two_eyes, tmp_path):
    options = ("--format", "csv", "--pupils", "1x1x1")
    found = said("export", *two_eyes, "--eye", "both", *options, "-o", tmp_path / "both")
    assert sorted(one.name for one in (tmp_path / "both").iterdir()) == [".prewarp", "left", "right"]
    for side, channel in CHANNEL_OF.items():
        manifest = json.loads((tmp_path / "both" / side / "manifest.json").read_text("utf-8"))
        assert manifest == found["eyes"][side] and manifest["eye"] == side
        assert [one["channel"] for one in manifest["channels"]] == [channel]
        assert verify_package(tmp_path / "both" / side).ok
        assert run("verify", tmp_path / "both" / side).exit_code == 0
        # The same as when that eye is asked for alone.
        alone = said("export", *two_eyes, "--eye", side, *options, "-o", tmp_path / side)
        assert alone["files"] == manifest["files"]
    done = run("verify", tmp_path / "both")
    assert done.exit_code == 2
    assert "holds a package per eye; give one at a time" in done.stderr and "both/right." in done.stderr


def test_both_of_a_display_with_one_eye_is_that_eye(capture, tmp_path):
    found = said(
        "export", capture / "visor.fit.npz", "--module", capture / "visor.toml", "--eye", "both",
        "--format", "csv", "--pupils", "1x1x1", "-o", tmp_path / "out",
    )  # fmt: skip
    assert list(found["eyes"]) == ["right"] and verify_package(tmp_path / "out" / "right").ok


def test_an_eye_that_fails_leaves_nothing_and_keeps_what_was_there(two_eyes, tmp_path, monkeypatch):
    options = ("--eye", "both", "--format", "csv", "--pupils", "1x1x1")
    said("export", *two_eyes, *options, "-o", tmp_path / "out")
    before = {one: one.read_bytes() for one in (tmp_path / "out").rglob("*") if one.is_file()}
    whole = export_command.write_package

    def broken(folder, eye, /, **more):
        if eye.side == "right":
            raise PackageError("the right eye's tables are lost.")
        return whole(folder, eye, **more)

    monkeypatch.setattr(export_command, "write_package", broken)
    for name in ("out", "new"):
        done = run("export", *two_eyes, *options, "-o", tmp_path / name)
        assert done.exit_code == 2 and "the right eye's tables are lost" in done.stderr
    assert [one.name for one in tmp_path.iterdir()] == ["out"]
    assert {one: one.read_bytes() for one in (tmp_path / "out").rglob("*") if one.is_file()} == before


def test_a_folder_that_is_not_ours_is_left_alone(two_eyes, tmp_path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "notes.txt").write_text("keep", encoding="utf-8")
    done = run("export", *two_eyes, "--eye", "both", "--format", "csv", "-o", tmp_path / "mine")
    assert done.exit_code == 2 and "holds what prewarp did not write" in done.stderr
    assert [one.name for one in (tmp_path / "mine").iterdir()] == ["notes.txt"]


def test_without_an_eye_the_line_names_them(two_eyes, tmp_path):
    done = run("export", *two_eyes, "--format", "csv", "-o", tmp_path / "out")
    assert done.exit_code == 2 and "name one: left or right" in done.stderr
    assert "both: a package for each" in " ".join(run("export", "--help").stdout.split())


def test_a_film_of_each_eye(two_eyes, tmp_path):
    options = ("--seconds", "0.2", "--fps", "10", "--size", "96x64", "--gl", "none")
    found = said("film", *two_eyes, *options, "--eye", "both", "-o", tmp_path / "films")
    assert sorted(one.name for one in (tmp_path / "films").iterdir()) == [".prewarp", "left", "right"]
    frames = {}
    for side in CHANNEL_OF:
        folder = tmp_path / "films" / side
        assert found["eyes"][side]["output"] == str(folder) and found["eyes"][side]["frames"] == 2
        assert len(list(folder.glob("frame_*.png"))) == 2
        frames[side] = read_picture(folder / "frame_00000.png")
        said("film", *two_eyes, *options, "--eye", side, "-o", tmp_path / side)
        np.testing.assert_array_equal(read_picture(tmp_path / side / "frame_00000.png"), frames[side])
    assert np.any(frames["left"] != frames["right"])


def test_a_picture_of_each_eye(two_eyes, tmp_path):
    options = ("--offscreen", "--size", "96x64", "--gl", "none")
    found = said("preview", *two_eyes, *options, "--eye", "both", "-o", tmp_path / "looks")
    for side in CHANNEL_OF:
        picture = tmp_path / "looks" / f"{side}.png"
        assert found["eyes"][side]["output"] == str(picture)
        said("preview", *two_eyes, *options, "--eye", side, "-o", tmp_path / f"{side}.png")
        assert picture.read_bytes() == (tmp_path / f"{side}.png").read_bytes()


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("film", "{fit}", "--module", "{module}", "-o", "{new}.gif"), "new.gif names one file"),
        (("film", "{fit}", "-o", "{new}"), "a fit alone does not say which eyes there are"),
        (("preview", "{fit}", "--module", "{module}"), "a window shows one eye"),
    ],
)
def test_where_both_cannot_be_had(two_eyes, tmp_path, arguments, message):
    fit = tmp_path / "alone.npz"
    fit.write_bytes(two_eyes[0].read_bytes())
    words = [word.format(fit=fit, module=two_eyes[2], new=tmp_path / "new") for word in arguments]
    done = run(*words, "--eye", "both")
    assert done.exit_code == 2 and message in done.stderr, done.output
    assert [one.name for one in tmp_path.iterdir()] == ["alone.npz"]


def test_panel_pictures_are_named_by_channel(two_eyes, tmp_path):
    found = said("render", *two_eyes, "--width", 64, "--gl", "none", "-o", tmp_path / "look")
    for side, channel in CHANNEL_OF.items():
        name = f"panel_{side}_{channel}.png"
        assert found["eyes"][side]["panels"] == {channel: name}
        assert f"'{channel}'" in found["eyes"][side]["files"][name]
        with Image.open(tmp_path / "look" / name) as picture:
            assert picture.size == (640, 480)
    assert json.loads((tmp_path / "look" / "render.json").read_text("utf-8"))["eyes"] == found["eyes"]


@pytest.mark.parametrize("ending", ["mp4", "MOV", "webm", "avi", "mkv", "apng"])
def test_a_film_of_another_kind_is_told_before_the_work(two_eyes, tmp_path, ending):
    output = tmp_path / f"circle.{ending}"
    done = run("film", *two_eyes, "--gl", "none", "-o", output)
    assert done.exit_code == 2
    (line,) = done.stderr.splitlines()
    assert f"not as '.{ending.lower()}'" in line and "reading" not in line
    assert re.search(r"Name circle\.png or circle\.gif; or name a folder, such as circle", line)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_may_have_a_dot_in_its_name(two_eyes, tmp_path):
    options = ("--seconds", "0.1", "--fps", "10", "--size", "64x64", "--gl", "none", "--eye", "left")
    assert run("film", *two_eyes, *options, "-o", tmp_path / "run.2").exit_code == 0
    assert (tmp_path / "run.2" / "frame_00000.png").is_file()
