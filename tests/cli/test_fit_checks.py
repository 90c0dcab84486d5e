"""`prewarp fit` looks at the grid first: errors end in exit code 2 and one line, the rest is mentioned."""

import json

import pytest

from prewarp.field import FieldSet
from tests.cli.conftest import run


@pytest.fixture
def lines(capture):
    return (capture / "grid.csv").read_text(encoding="utf-8").splitlines()


def fitted(tmp_path, lines, *options):
    grid = tmp_path / "grid.csv"
    grid.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return run("fit", grid, *options, "-o", tmp_path / "a.fit.npz")


def with_cell(lines, row, column, text):
    """Return the lines with one cell of the line `row`, counted from 1, written anew."""
    cells = lines[row - 1].split(",")
    cells[lines[0].split(",").index(column)] = text
    return [*lines[: row - 1], ",".join(cells), *lines[row:]]


@pytest.mark.parametrize(
    ("spoil", "panel", "words"),
    [
        (lambda lines: lines, "64x48", "is off the panel of 64 x 48 px"),
        (
            lambda lines: [x.replace("outer,G", "outer,g") for x in lines],
            "640x480",
            "no sample of colour 'G'",
        ),
        (lambda lines: with_cell(lines, 6, "eye_y_mm", "1e300"), "640x480", "row 6: eye_y_mm is 1e+300 mm"),
    ],
)
def test_errors_end_in_one_line(tmp_path, lines, spoil, panel, words):
    done = fitted(tmp_path, spoil(lines), "--panel", panel)
    assert done.exit_code == 2 and done.stdout == "" and "Traceback" not in done.stderr
    (line,) = done.stderr.splitlines()
    assert line.startswith("prewarp: ") and words in line
    assert not (tmp_path / "a.fit.npz").exists()


def test_what_is_no_error_is_mentioned(tmp_path, lines):
    done = fitted(tmp_path, with_cell(lines, 4, "panel_u_px", "nan"), "--panel", "640x480", "--json")
    assert done.exit_code == 0
    assert "warning: nan: row 4: panel_u_px is not a finite number" in done.stderr
    assert json.loads(done.stdout)["options"]["grid"] == "grid.csv"
    assert FieldSet.load(tmp_path / "a.fit.npz").provenance["grid"] == "grid.csv"
