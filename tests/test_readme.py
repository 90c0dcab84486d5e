"""The README keeps its word: its examples run, its commands exist, the files it names are there."""

import re
import runpy
import shutil
from pathlib import Path

import click
import pytest

from prewarp.cli.group import COMMANDS, main
from tests.support import long_form

ROOT = Path(__file__).resolve().parent.parent
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")
LARGEST_PICTURE_BYTES = 400_000


def python_blocks() -> list[tuple[str, str]]:
    """Return every python block with the prose between it and the block or heading before it."""
    blocks = re.finditer(r"```python\n(.*?)```", TEXT, re.DOTALL)
    return [
        (re.split(r"^#+ .*$|^```$", TEXT[: found.start()], flags=re.MULTILINE)[-1], found[1])
        for found in blocks
    ]


BLOCKS = python_blocks()


@pytest.fixture
def beside_calib(monkeypatch, tmp_path):
    """Run in a folder that holds nothing but a copy of calib/, as the README asks for."""
    shutil.copytree(ROOT / "calib", tmp_path / "calib")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run_block(folder: Path, text: str) -> dict:
    (folder / "example.py").write_text(text, encoding="utf-8")
    return runpy.run_path(str(folder / "example.py"))


def test_there_are_examples():
    assert len(BLOCKS) == TEXT.count("```python") > 0


@pytest.mark.parametrize(("prose", "text"), BLOCKS, ids=range(len(BLOCKS)))
def test_every_example_is_as_short_as_it_says(prose, text):
    lines = len([line for line in text.splitlines() if line.strip()])
    assert lines <= (10 if re.search(r"\b(ten|10) lines\b", prose) else 12)


# The first one takes half a minute; the other is run below.
@pytest.mark.parametrize(
    "text",
    [
        pytest.param(text, marks=long_form if place == 0 else (), id=str(place))
        for place, (_, text) in enumerate(BLOCKS)
        if "panel_point" not in text
    ],
)
def test_every_example_runs_alone(beside_calib, text):
    run_block(beside_calib, text)


def test_the_example_of_the_library_gives_what_it_says(beside_calib, capsys):
    (example,) = [text for _, text in BLOCKS if "panel_point" in text]
    names = run_block(beside_calib, example)
    # Traced without noise; the last line prints the 95th percentile in px.
    assert float(capsys.readouterr().out) < 0.1
    # At half a dioptre or more the point moves by some px when the pupil moves by 1 mm.
    moved = abs(names["panel_point"][0] - 1280.0)
    assert 1.0 < moved < 10.0


def test_files_named_are_there():
    named = set(re.findall(r"(?:calib|demo_scenes|shaders|prewarp)/[\w./-]+\.\w+", TEXT))
    assert len(named) >= 4
    assert [name for name in sorted(named) if not (ROOT / name).is_file()] == []


def test_pictures_are_small():
    for name in re.findall(r"!\[[^\]]*\]\(([^)]+)\)", TEXT):
        assert (ROOT / name).stat().st_size < LARGEST_PICTURE_BYTES


def test_every_command_is_listed_and_every_listed_command_exists():
    assert set(re.findall(r"\| `prewarp (\w+)", TEXT)) == set(COMMANDS)


def commands_of(group, path: str = "") -> dict[str, click.Command]:
    """Return every command that is no group, by its words."""
    found: dict[str, click.Command] = {}
    for name in group.list_commands(None):
        command = group.get_command(None, name)
        inner = commands_of(command, f"{path}{name} ") if isinstance(command, click.Group) else {}
        found |= inner or {f"{path}{name}": command}
    return found


EVERY = commands_of(main)


def test_every_command_of_a_group_is_listed():
    for name in EVERY:
        assert re.search(rf"\| `prewarp {name}\b", TEXT), name


@pytest.mark.parametrize("name", EVERY)
def test_options_named_exist(name):
    options = {option for parameter in EVERY[name].params for option in parameter.opts}
    for line in re.findall(rf"\| `prewarp {name}\b[^\n]*", TEXT):
        assert set(re.findall(r"--[a-z-]+", line)) <= options
