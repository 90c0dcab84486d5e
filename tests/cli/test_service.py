"""Commands as service: tables on narrow terminals, ranges in help, limits told before work, closed pipes."""

import importlib
import io
import os
import subprocess
import sys
from functools import partial

import click
import pytest
from rich.console import Console

from prewarp import memory
from prewarp.cli import talk as talking_module
from prewarp.cli.commands import render as render_command
from prewarp.cli.group import COMMANDS, main
from prewarp.cli.talk import Talk
from prewarp.errors import PrewarpError
from tests.cli.conftest import run

HEAD = ("channel", "colour", "residual RMS px", "largest error arcmin", "samples", "floor px")
ROWS = [("inner channel of the left eye", "G", "0.123456", "12.345678", "1234567", "0.000123")]


@pytest.mark.parametrize("width", [20, 40, 80, 300])
def test_numbers_of_a_table_stay_whole_on_a_terminal_of_any_width(monkeypatch, width):
    written = io.StringIO()
    plain = Console

    def narrow(*, file, width=None, **options):
        return plain(file=written, width=columns, **options)

    columns = width
    monkeypatch.setattr(talking_module, "_Console", narrow)
    Talk(quiet=False, as_json=False).table("Title", HEAD, [("", ROWS)], text_columns=2)
    lines = written.getvalue().splitlines()
    for cell in ROWS[0][2:]:
        assert any(cell in line for line in lines), cell
    words = ["residual", "RMS", "largest", "error", "arcmin", "samples", "floor", "px"]
    assert all(any(word in line for line in lines) for word in words)
    if width == 300:
        assert "largest error arcmin" in written.getvalue() and len(lines) <= 7


def test_every_numeric_option_says_its_range_in_the_help():
    kinds = (click.types.FloatParamType, click.types.IntParamType)
    ranges = click.types._NumberRangeBase
    told = 0
    for name in COMMANDS:
        command = main.get_command(click.Context(main), name)
        for option in command.params:
            assert not isinstance(option.type, kinds) or isinstance(option.type, ranges), (name, option.name)
            if (text := getattr(option.type, "range_text", None)) and isinstance(option, click.Option):
                assert f"[{text}]" in option.help, (name, option.name)
                told += 1
    assert told > 30
    assert "[0.001 to 100 px]" in run("export", "--help").stdout.replace("\n", " ").replace("  ", "")


def test_every_type_of_numbers_of_ours_has_a_range():
    plain = (
        click.Choice, click.Path, click.Tuple, click.types.BoolParamType, click.types.StringParamType,
        click.types._NumberRangeBase,
    )  # fmt: skip
    for name in COMMANDS:
        command = getattr(importlib.import_module(f"prewarp.cli.commands.{name}"), name)
        for option in command.params:
            if not isinstance(option.type, plain):
                assert hasattr(option.type, "range_text"), (name, option.name)


def test_work_that_does_not_fit_into_memory_is_told_before_it(capture, tmp_path, monkeypatch):
    monkeypatch.setattr(memory, "available_bytes", lambda: 2_000_000)
    monkeypatch.setattr(render_command, "open_drawing", lambda *given: pytest.fail("the work began"))
    done = run(
        "render", capture / "visor.fit.npz", "--module", capture / "visor.toml", "-o", tmp_path / "look"
    )
    assert done.exit_code == 2 and "needs about 0.0197 GB of memory; 0.002 GB are free" in done.stderr
    assert not (tmp_path / "look").exists()
    done = run("targets", capture / "visor.toml", "-o", tmp_path / "targets")
    assert done.exit_code == 2 and "drawing a target of" in done.stderr and "are free" in done.stderr
    assert not (tmp_path / "targets").exists()
    memory.require_memory(1.9e6, "this", "Mend it.")
    with pytest.raises(PrewarpError, match=r"this needs about .* are free\. Mend it\."):
        memory.require_memory(2.1e6, "this", "Mend it.")


def test_processes_are_as_many_as_memory_holds(monkeypatch):
    monkeypatch.setattr(memory, "available_bytes", lambda: 3_500_000_000)
    fitting = partial(memory.processes_within_memory, each_bytes=1e9, what="this", mend="Mend it.")
    assert [fitting(None, 8), fitting(None, 2), fitting(3, 8), fitting(9, 2)] == [3, 2, 3, 2]
    with pytest.raises(PrewarpError, match=r"this in 4 processes needs about 4 GB .* Give --jobs 3 or less"):
        fitting(4, 8)
    with pytest.raises(PrewarpError, match=r"this needs about 4 GB .* Mend it\."):
        fitting(None, 8, each_bytes=4e9)
    monkeypatch.setattr(memory, "available_bytes", lambda: None)
    assert [fitting(None, 8), fitting(3, 8)] == [8, 3]


@pytest.mark.skipif(sys.platform != "linux", reason="other systems may not tell")
def test_the_system_tells_how_much_memory_is_free():
    assert memory.available_bytes() > 1 << 20


def test_a_container_has_no_more_memory_than_its_limit(tmp_path, monkeypatch):
    (tmp_path / "meminfo").write_text("MemTotal: 90 kB\nMemAvailable:   80 kB\n")
    monkeypatch.setattr(memory, "_PROCESSES", tmp_path / "meminfo")
    monkeypatch.setattr(memory, "_GROUP", tmp_path)
    for limit, free in (("max", 81_920), ("70000", 60_000), ("900000", 81_920), ("5000", 0)):
        (tmp_path / "memory.max").write_text(f"{limit}\n")
        (tmp_path / "memory.current").write_text("10000\n")
        assert memory.available_bytes() == free


def test_a_film_of_too_many_frames_names_the_options():
    done = run("film", "none.npz", "--seconds", "600", "--fps", "120", "-o", "film")
    assert done.exit_code == 2
    assert "72000 frames; at most 20000 are drawn. Give less --seconds or fewer --fps." in done.stderr


def test_a_closed_pipe_under_a_table_ends_with_its_own_code(capture):
    """`compare` prints a table by rich, which by itself would end with 1: there that means wrong."""
    script = "from prewarp.cli import main; main()"
    command = [
        sys.executable, "-c", script, "compare", str(capture / "visor.fit.npz"), str(capture / "grid.csv")
    ]  # fmt: skip
    read, write = os.pipe()
    os.close(read)
    done = subprocess.run(command, stdout=write, stderr=subprocess.PIPE, text=True, timeout=120, check=False)
    os.close(write)
    assert done.returncode == 141 and "Error" not in done.stderr
