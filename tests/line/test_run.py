"""A line: rows with reasons, the same bytes after a kill, the cluster."""

import os
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import nullcontext
from dataclasses import replace

import numpy as np
import pyarrow.parquet
import pytest

from prewarp import memory
from prewarp.errors import PrewarpError
from prewarp.grids import read_grid, write_grid
from prewarp.line import run as run_module
from prewarp.line.package import PackageSettings
from prewarp.line.run import run_line, units_of
from prewarp.line.unit import LineSettings
from prewarp.line.workers import Job, local_rows
from prewarp.line.working import most_rows, working_bytes
from prewarp.processes import imported_ahead
from prewarp.quality.units_table import read_units
from tests.cli.conftest import run
from tests.line.clusters import cluster_that_loses_a_worker
from tests.line.conftest import CALIB
from tests.support import long_form

TABLES = ("units.csv", "units.parquet")


@pytest.fixture(scope="module")
def whole(line, tmp_path_factory):
    """Return a line's folder, run in one go, and the grids: good ones and every kind of bad one."""
    _, family, grids = line
    folder = tmp_path_factory.mktemp("whole")
    place = folder / "grids"
    shutil.copytree(grids, place)
    first = read_grid(grids / "U1.npz")
    pose = first.extra["pose"]
    write_grid(place / "U6.npz", first.take(np.flatnonzero(pose == 1.0)))
    shutil.copy(place / "U2.npz", place / "U7.npz")
    (place / "U8.npz").write_bytes((place / "U3.npz").read_bytes()[:5000])
    write_grid(place / "U9.npz", replace(first, channel_names=first.channel_names[::-1]))
    write_grid(place / "U10.npz", replace(first, extra={**first.extra, "serial": pose * 0.0 + 11.0}))
    settings = LineSettings(positions=2)
    run_line(family, units_of([place]), folder / "line", settings, workers=1)
    return folder / "line", place, settings


def test_bad_units_are_rows_with_a_reason_and_the_line_goes_on(whole):
    units = read_units(whole[0] / "units.csv")
    told = dict(zip(units.serial, zip(units.status, units.reason, strict=True), strict=True))
    assert list(told) == [f"U{number}" for number in range(1, 11)]
    assert all(told[f"U{number}"][0] == "pass" for number in (1, 3, 4, 5))
    for serial, reason in (
        ("U2", "the same file as U7"),
        ("U7", "the same file as U2"),
        ("U6", "1 camera positions; expected 2"),
        ("U8", "not a readable NPZ file"),
        ("U9", "are swapped"),
        ("U10", "'serial' says 11"),
    ):
        assert told[serial][0] == "bad"
        assert reason in told[serial][1]
    assert pyarrow.parquet.read_table(whole[0] / "units.parquet").num_rows == 10


def test_the_store_tells_what_the_table_tells(whole):
    with sqlite3.connect(f"file:{whole[0] / 'line.sqlite'}?mode=ro", uri=True) as store:
        found = dict(store.execute("SELECT serial, place_px FROM units WHERE status = 'pass'"))
    units = read_units(whole[0] / "units.parquet")
    for serial, value in zip(units.serial, units.figures["place_px"][0], strict=True):
        if serial in found:
            assert found[serial] == pytest.approx(value, rel=1e-8)


def test_a_killed_line_goes_on_to_the_same_bytes(whole, line, tmp_path):
    folder, place, _ = whole
    command = [sys.executable, "-m", "prewarp", "line", "run", str(line[1]), str(place)]
    command += ["--positions", "2", "--jobs", "2", "-o", str(tmp_path / "line")]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    until = time.monotonic() + 60.0
    while time.monotonic() < until and process.poll() is None:
        if _rows(tmp_path / "line" / "line.sqlite") >= 4:
            break
        time.sleep(0.02)
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    assert not (tmp_path / "line" / "units.csv").exists()
    done = run_line(line[1], units_of([place]), tmp_path / "line", LineSettings(positions=2), workers=1)
    assert 0 < done.worked_on < 10
    for name in TABLES:
        assert (tmp_path / "line" / name).read_bytes() == (folder / name).read_bytes()


def _rows(path):
    try:
        with sqlite3.connect(f"file:{path}?mode=ro", uri=True) as store:
            return store.execute("SELECT COUNT(*) FROM units").fetchone()[0]
    except sqlite3.Error:
        return 0


def test_what_a_new_user_gets_wrong_is_told_with_its_mend(line, tmp_path):
    _, family, grids = line
    shutil.copytree(grids, tmp_path / "grids")
    (tmp_path / "grids" / "U3.npz").write_bytes(b"half a file")
    (tmp_path / "none").mkdir()
    coaxial, folded = (CALIB / f"{name}.module.toml" for name in ("coaxial", "folded"))
    begin = ("line", "run", family, grids)
    for given, words in (
        (
            (*begin, "--module", coaxial),
            r"another display than '.*coaxial'.* Give the module that the family",
        ),
        ((*begin, tmp_path / "grids"), r"serial U1: .*; expected one grid a unit\. Take one out"),
        (("line", "run", family, tmp_path / "none"), r"0 grids in .*files ending in \.npz"),
        (("line", "run", grids / "U1.npz", grids), r"not a family as 'prewarp line family' writes one"),
        ((*begin, "--packages"), r"Add --module"),
    ):
        done = run(*given, "-o", tmp_path / "out")
        assert done.exit_code == 2 and re.search(words, done.stderr), (given, done.stderr)
        assert not (tmp_path / "out").exists()
    # The family of the tests has one colour.
    text = re.sub(r"\[color\.[RB]\]\n[^\[]*", "", folded.read_text(encoding="utf-8"))
    text += "\n[limits]\nfield_lost_percent = 1.0\n"
    (tmp_path / "module.toml").write_text(text, encoding="utf-8")
    done = run("line", "run", family, tmp_path / "grids", "--module", tmp_path / "module.toml",
               "-o", tmp_path / "out", "--jobs", "1")  # fmt: skip
    assert done.exit_code == 0, done.stderr
    for words in ("'pass' says that a unit belongs", "field lost percent: not judged here", "did not pass"):
        assert words in done.stdout
    reasons = dict(zip(*(getattr(read_units(tmp_path / "out" / "units.csv"), name)
                         for name in ("serial", "reason")), strict=True))  # fmt: skip
    assert "its name says NPZ" in reasons["U3"]


def test_only_what_changed_is_done_again(whole, line, tmp_path):
    folder, place, settings = whole
    shutil.copytree(folder, tmp_path / "line")
    assert run_line(line[1], units_of([place]), tmp_path / "line", settings, workers=1).worked_on == 0
    assert (tmp_path / "line" / "units.csv").read_bytes() == (folder / "units.csv").read_bytes()


@pytest.mark.filterwarnings("default")
@long_form
def test_a_cluster_that_loses_a_worker_writes_the_same_bytes(whole, line, tmp_path):
    folder, place, settings = whole
    with cluster_that_loses_a_worker(after=4) as (address, step):
        run_line(
            line[1],
            units_of([place]),
            tmp_path / "line",
            settings,
            scheduler=address,
            progress=step,
        )
    for name in TABLES:
        assert (tmp_path / "line" / name).read_bytes() == (folder / name).read_bytes()


class _Deadly:
    """What ends the process that it is handed to."""

    def __reduce__(self):
        return os._exit, (9,)


@pytest.mark.parametrize("ahead", [nullcontext(), imported_ahead("prewarp.line.workers")])
def test_a_unit_whose_process_ends_is_a_row_and_the_line_goes_on(line, ahead):
    family, _, grids = line
    jobs = [Job(serial, grids / f"{serial}.npz", "") for serial in ("U1", "U2", "U3")]
    jobs[1] = Job("U2", _Deadly(), "")
    with ahead:
        rows = {job.serial: row for job, row in local_rows(jobs, family, LineSettings(), 1)}
    assert {serial: row.status for serial, row in rows.items()} == {"U1": "pass", "U2": "bad", "U3": "pass"}
    assert rows["U2"].reason == "the process that worked on it ended"


def test_memory_is_asked_for_before_the_first_grid_is_read(line, tmp_path, monkeypatch):
    _, family, grids = line
    monkeypatch.setattr(run_module, "local_rows", lambda *given, **more: pytest.fail("the work began"))
    monkeypatch.setattr(memory, "available_bytes", lambda: 250_000_000)
    with pytest.raises(PrewarpError, match=r"grid in 2 processes needs about .* Give --jobs 1\."):
        run_line(family, units_of([grids]), tmp_path / "line", LineSettings(), workers=2)
    monkeypatch.setattr(memory, "available_bytes", lambda: 100_000_000)
    with pytest.raises(PrewarpError, match=r"give grids with fewer rows\.$"):
        run_line(family, units_of([grids]), tmp_path / "line", LineSettings())
    assert not (tmp_path / "line").exists()


def test_memory_for_the_search_is_asked_for_where_tables_are_not_there_yet(
    line, optics, tmp_path, monkeypatch
):
    """Room for a worker and not for the search; what is searched is read again by its name."""
    _, family, grids = line
    units, wanted, folder = units_of([grids]), PackageSettings(optics[0], 0.5), tmp_path / "line"
    monkeypatch.setattr(run_module, "search_tables", lambda family, settings, path: path.write_bytes(b"blob"))
    monkeypatch.setattr(run_module, "local_rows", lambda *given, **more: [])
    run_line(family, units, folder, LineSettings(), packages=wanted)
    monkeypatch.setattr(memory, "available_bytes", lambda: 400_000_000)
    run_line(family, units, folder, LineSettings(), packages=wanted)
    for other in (tmp_path / "other", folder):
        wanted = replace(wanted, max_error_px=0.5 if other != folder else 0.4)
        with pytest.raises(PrewarpError, match=r"searching the tables .* leave out --packages\.$"):
            run_line(family, units, other, LineSettings(), packages=wanted)


@pytest.mark.parametrize(
    ("rows", "judged", "packages", "resident_mb"),
    [
        (2976, False, False, 136),
        (25049, False, False, 231),
        (2976, True, False, 144),
        (2976, True, True, 178),
        (25049, True, False, 240),
    ],
)
def test_memory_is_foreseen_within_half_of_what_was_measured(rows, judged, packages, resident_mb):
    """Resident sizes of a fresh worker with the family of the folded demo, two shots of three colours."""
    foreseen = working_bytes(rows, judged=judged, packages=packages) / 1e6
    assert resident_mb / 1.5 < foreseen < resident_mb * 1.5


@pytest.mark.parametrize("name", ["grid.npz", "grid.csv", "grid.csv.gz"])
def test_rows_of_a_grid_are_told_by_its_file(line, tmp_path, name):
    grid = read_grid(line[2] / "U1.npz")
    write_grid(tmp_path / name, grid)
    (tmp_path / "small.npz").write_bytes(b"PK\x03\x04 no grid")
    told = most_rows(tmp_path.iterdir())
    assert told == pytest.approx(len(grid), rel=0.02 if name.endswith("npz") else 0.5)
    assert most_rows([tmp_path / "small.npz"]) == 0
