"""Bad input, an output that cannot be written, an impatient user: one clear line and an exit code."""

import errno
import importlib
import os
import subprocess
import sys

import pytest

from prewarp.errors import GridError
from tests.cli.conftest import run

# The package's attribute of this name is the command.
CHECK = importlib.import_module("prewarp.cli.commands.check")


def complaint(done) -> str:
    """Return the one line on stderr that says what is wrong."""
    assert done.exit_code == 2, done.output
    assert done.stdout == ""
    lines = [line for line in done.stderr.splitlines() if line.startswith("prewarp: ")]
    assert len(lines) == 1 and "Traceback" not in done.stderr
    return lines[0]


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        (("check", "{missing}"), "missing.csv: not found; expected a distortion grid"),
        (("check", "{folder}"), "not a file"),
        (("check", "{folder}/visor.toml"), "visor.toml"),
        (("check", "{grid}", "--panel", "2560"), "expected width x height in px, such as 2560x2560"),
        (("check", "{grid}", "--panel", "99999x10"), "16 to 32768"),
        (("check", "{grid}", "--module", "{grid}"), "grid.csv"),
        (("fit", "{grid}", "-o", "{new}"), "one of --panel WIDTHxHEIGHT and --module FILE"),
        (("fit", "{grid}", "--panel", "640x480", "--module", "{module}", "-o", "{new}"), "one of --panel"),
        (("fit", "{grid}", "--panel", "640x480"), "Missing option"),
        (("fit", "{grid}", "--panel", "640x480", "-o", "{grid}"), "is also an input, which would be lost"),
        (("fit", "{grid}", "--panel", "640x480", "-o", "{folder}"), "is a folder"),
        (("fit", "{grid}", "--panel", "640x480", "-o", "{new}", "--picture", "{new}"), "name the same file"),
        (("fit", "{grid}", "--family", "magic", "--panel", "640x480", "-o", "{new}"),
         "'magic' is not one of"),
        (("compare", "{grid}", "{grid}"), "not a readable NPZ file"),
        (("compare", "{fit}", "{missing}"), "not found"),
        (("render", "{fit}", "--module", "{module}", "--pupil", "1,2", "-o", "{new}"), "such as 3,0,0"),
        (("render", "{fit}", "--module", "{module}", "--pupil", "nan,0,0", "-o", "{new}"), "such as 3,0,0"),
        (("render", "{fit}", "--module", "{module}", "--scene", "moon", "-o", "{new}"), "neither a scene"),
        (("render", "{fit}", "--module", "{module}", "-o", "{folder}"), "holds what prewarp did not write"),
        (("export", "{fit}", "--module", "{module}", "--eye", "left", "-o", "{new}"),
         "no channel for the left eye"),
        (("export", "{fit}", "--module", "{module}", "--pupils", "0x1x1", "-o", "{new}"), "expected 1 to 64"),
        (("export", "{fit}", "--module", "{module}", "--pupils", "64x64x1", "-o", "{new}"), "at most 1000"),
        (("trace", "{module}", "{module}", "-o", "{new}"), "visor.toml"),
        (("nonsense",), "No such command 'nonsense'"),
    ],
)  # fmt: skip
def test_one_line_says_what_is_wrong(capture, tmp_path, arguments, part):
    places = {
        "grid": capture / "grid.csv",
        "module": capture / "visor.toml",
        "fit": capture / "visor.fit.npz",
        "folder": capture,
        "missing": tmp_path / "missing.csv",
        "new": tmp_path / "new",
    }
    before = sorted(capture.iterdir())
    assert part in complaint(run(*(argument.format(**places) for argument in arguments)))
    assert sorted(capture.iterdir()) == before and list(tmp_path.iterdir()) == []


def test_an_output_that_cannot_be_written_is_one_line(capture, tmp_path):
    (tmp_path / "file").write_text("not a folder", encoding="utf-8")
    line = complaint(
        run("fit", capture / "grid.csv", "--panel", "640x480", "-o", tmp_path / "file" / "fit.npz", "-q")
    )
    assert "Check the path" in line


@pytest.mark.parametrize(
    ("failure", "code", "part"),
    [
        (
            PermissionError(errno.EACCES, os.strerror(errno.EACCES), "grid.csv"),
            2,
            "grid.csv: Permission denied",
        ),
        (OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)), 2, "No space left on device"),
        (MemoryError(), 2, "not enough memory"),
        (GridError("grid.csv, row 3:\ndir_x_deg is 'x'."), 2, "grid.csv, row 3: dir_x_deg is 'x'."),
        (KeyboardInterrupt(), 130, "stopped"),
    ],
)
def test_failures_from_inside(capture, monkeypatch, failure, code, part):
    def fail(*arguments, **options):
        raise failure

    monkeypatch.setattr(CHECK, "check_grid", fail)
    done = run("check", capture / "grid.csv", "-q")
    assert done.exit_code == code
    assert done.stdout == "" and done.stderr.count("\n") <= 2
    assert part in done.stderr and "Traceback" not in done.stderr


def test_a_real_fault_is_not_hidden(capture, monkeypatch):
    def fail(*arguments, **options):
        raise ZeroDivisionError("a mistake of ours")

    monkeypatch.setattr(CHECK, "check_grid", fail)
    assert isinstance(run("check", capture / "grid.csv").exception, ZeroDivisionError)


def test_a_closed_pipe_ends_quietly(capture):
    command = [
        sys.executable,
        "-c",
        "from prewarp.cli import main; main()",
        "check",
        str(capture / "grid.csv"),
        "--json",
        "-q",
    ]
    read, write = os.pipe()
    os.close(read)
    done = subprocess.run(command, stdout=write, stderr=subprocess.PIPE, text=True, timeout=120, check=False)
    os.close(write)
    assert done.returncode == 141
    assert done.stderr == ""
