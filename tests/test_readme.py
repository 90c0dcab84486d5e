"""The README keeps its word: its example runs, its commands exist, the files it names are there."""

import re
import runpy
from pathlib import Path

import pytest

from prewarp.cli.group import COMMANDS, main

ROOT = Path(__file__).resolve().parent.parent
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")
LARGEST_PICTURE_BYTES = 400_000


def test_the_library_example_runs(monkeypatch, capsys, tmp_path):
    (example,) = re.findall(r"```python\n(.*?)```", TEXT, re.DOTALL)
    assert len([line for line in example.splitlines() if line.strip()]) <= 12
    monkeypatch.chdir(ROOT)
    (tmp_path / "example.py").write_text(example, encoding="utf-8")
    names = runpy.run_path(str(tmp_path / "example.py"))
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


@pytest.mark.parametrize("name", COMMANDS)
def test_options_named_exist(name):
    options = {option for parameter in main.get_command(None, name).params for option in parameter.opts}
    for line in re.findall(rf"\| `prewarp {name}[^\n]*", TEXT):
        assert set(re.findall(r"--[a-z-]+", line)) <= options
