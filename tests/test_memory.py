"""What commands ask of memory before they work, held to what they took (resident sizes, two cores)."""

import subprocess
import sys
from concurrent.futures.process import BrokenProcessPool
from importlib import import_module
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from PIL import Image

import prewarp.checking.working as checking
from prewarp import memory
from prewarp.columns import unpacking
from prewarp.content import ContentProjection
from prewarp.errors import PrewarpError
from prewarp.export.working import working_bytes as package_bytes
from prewarp.field import working as fitting
from prewarp.grids import grid_from_samples, read_grid, write_grid
from prewarp.grids.columns import GRID_SCHEMA
from prewarp.preview.film import Film
from prewarp.preview.state import State
from prewarp.preview.working import film_bytes, held_bytes
from prewarp.render.pictures import read_picture
from tests.cli.conftest import run

check_command = import_module("prewarp.cli.commands.check")
ROOT = Path(__file__).parents[1]
# What a process that reads a grid takes before it does.
STARTED_MB = 85
linux = pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")


def grid_of(rows):
    """A grid of two channels and three colours."""
    each = rows // 6
    return grid_from_samples(
        channel=np.repeat(["inner", "outer"], 3 * each),
        colour=np.tile(np.repeat(["R", "G", "B"], each), 2),
        pupil_mm=np.zeros(3),
        tangent=np.linspace(-0.3, 0.3, 12 * each).reshape(-1, 2),
        pixel=np.arange(12.0 * each).reshape(-1, 2),
    )


def held_mb(grid):
    arrays = (grid.channel, grid.colour, grid.row, grid.pupil_mm, grid.tangent, grid.pixel)
    return STARTED_MB + sum(one.nbytes for one in (*arrays, grid.direction_deg)) / 1e6


def foreseen(needed_mb, taken_mb, *, within=1.5):
    assert taken_mb <= needed_mb <= within * taken_mb


@pytest.mark.parametrize(
    ("rows", "check_mb", "six_mb"), [(101_400, 286, None), (303_750, 305, 641), (1_008_600, 548, 908)]
)
def test_what_a_check_takes_is_foreseen(monkeypatch, rows, check_mb, six_mb):
    grid = grid_of(rows)
    for cores, taken_mb in ((2, check_mb), (16, six_mb)):
        monkeypatch.setattr(checking, "usable_cores", lambda cores=cores: cores)
        if taken_mb is not None:
            foreseen(held_mb(grid) + checking.working_bytes(grid) / 1e6, taken_mb)


@pytest.mark.parametrize(("rows", "fit_mb"), [(80_294, 1088), (1_008_600, 1079)])
def test_what_a_fit_takes_is_foreseen(rows, fit_mb):
    """The first is the folded demo's, whose model is nearly the largest."""
    grid = grid_of(rows)
    foreseen(held_mb(grid) + fitting.working_bytes(grid, 2) / 1e6, fit_mb)


def test_one_channel_is_fitted_at_a_time_where_memory_holds_no_two(monkeypatch):
    grid = grid_of(80_294)
    one, two = (fitting.working_bytes(grid, count) for count in (1, 2))
    assert 1.7 * one < two < 2.0 * one
    for free, count in ((None, 2), (two, 2), (two - 1, 1), (one, 1)):
        monkeypatch.setattr(memory, "available_bytes", lambda free=free: free)
        monkeypatch.setattr(fitting, "available_bytes", lambda free=free: free)
        assert fitting.channels_at_once(grid) == count
    monkeypatch.setattr(memory, "available_bytes", lambda: int(one) - 1)
    monkeypatch.setattr(fitting, "available_bytes", lambda: int(one) - 1)
    with pytest.raises(PrewarpError, match=r"fitting 80292 rows needs about 0\.6.* Give fewer rows"):
        fitting.channels_at_once(grid)


class Flat:
    """A field of the size and scale of the folded demo's, with its pupil degree."""

    panel_size_px, expansion = (2560, 2208), SimpleNamespace(pupil_degree=4)

    def forward_lattice(self, u, v, *, pupil_mm):
        return np.stack(np.meshgrid((u - 1280.0) / 3670.0, (v - 1104.0) / 3670.0), axis=-1)


@pytest.mark.parametrize(
    ("content_px", "size_px", "cpu", "film_mb"),
    [
        ((3840, 1920), (160, 90), False, 432),
        ((3840, 1920), (8192, 8192), False, 1457),
        ((16384, 8192), (960, 540), False, 1768),
        ((3840, 1920), (160, 90), True, 285),
        ((3840, 1920), (3840, 2160), True, 1170),
    ],
)
def test_what_a_film_takes_is_foreseen(content_px, size_px, cpu, film_mb):
    film = Film(State(), size_px, 40, 20.0)
    content = ContentProjection("flat", content_px, 80.0)
    fields = SimpleNamespace(colours=("G",), field=lambda name, colour: Flat())
    foreseen(film_bytes(film, fields, ("inner", "outer"), content, on_cpu=cpu) / 1e6, film_mb)


def test_frames_of_one_file_are_held_together():
    """Random blocks, drifting: 40 frames of 960 x 544 px took 58 MB as GIF, 176 as PNG."""
    film = Film(State(), (960, 544), 40, 20.0)
    foreseen(held_bytes(film, ".gif") / 1e6, 58)
    foreseen(held_bytes(film, ".png") / 1e6, 176)
    assert held_bytes(film, "") == 0.0


@pytest.mark.parametrize(
    ("formats", "step_px", "package_mb"),
    [
        (("lookup", "shaders"), 20.0, 578),
        (("shaders",), 20.0, 164),
        (("st",), 20.0, 547),
        (("csv",), 4.0, 569),
        (("gltf",), 2.0, 1718),
        (("png",), 2.0, 1084),
    ],
)
def test_what_a_package_takes_is_foreseen(formats, step_px, package_mb):
    foreseen(package_bytes([(2560, 2208)] * 2, 3, step_px, formats) / 1e6, package_mb)


@pytest.mark.parametrize(("rows", "csv_mb", "npz_mb"), [(101_400, 202, 108), (1_008_600, 434, 305)])
def test_what_reading_takes_is_foreseen(tmp_path, monkeypatch, rows, csv_mb, npz_mb):
    """The files here are short ones, said to be as long as those that were measured."""
    grid, told = grid_of(6000), rows / 6000
    for path, taken_mb in ((tmp_path / "a.csv", csv_mb), (tmp_path / "a.npz", npz_mb)):
        write_grid(path, grid)
        needed = unpacking.reading_bytes(path, limit_bytes=1 << 30, schema=GRID_SCHEMA)
        shorter = unpacking.CSV_BYTES if path.suffix == ".csv" else 0.0
        foreseen(STARTED_MB + ((needed - shorter) * told + shorter) / 1e6, taken_mb)
        monkeypatch.setattr(memory, "available_bytes", lambda needed=needed: int(needed) - 1)
        with pytest.raises(PrewarpError, match=r"reading a\.(csv|npz) needs about .* Split it"):
            read_grid(path)
        monkeypatch.undo()


CHILD = """
import re, sys
from pathlib import Path
from types import SimpleNamespace
import prewarp.checking.working as checking
from prewarp.checking import check_grid
from tests.synthetic import make_grid, pupil_lattice
checking.usable_cores = lambda: 2
told = lambda name: int(re.search(name + r":\\s+(\\d+) kB", Path("/proc/self/status").read_text())[1]) * 1024
for points in (15, 45):
    grid = make_grid("scattered", noise_px=0.05, points=points, pupils=pupil_lattice(3))
    before = told("VmRSS")
    check_grid(grid, panel_size_px=(2560, 2560))
    print(before + checking.working_bytes(grid), told("VmHWM"))
"""


@linux
def test_a_check_takes_no_more_than_it_asks():
    done = subprocess.run([sys.executable, "-c", CHILD], cwd=ROOT, capture_output=True, text=True, check=True)
    for line in done.stdout.splitlines():
        foreseen(*map(float, line.split()), within=2.0)
    assert len(done.stdout.splitlines()) == 2


@linux
def test_a_limit_of_the_shell_is_memory_that_is_not_there():
    code = (
        "import resource; resource.setrlimit(resource.RLIMIT_AS, (1 << 30, 1 << 30));"
        "from prewarp.memory import available_bytes; print(available_bytes())"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert 0 < int(done.stdout) < 1 << 30


@linux
def test_too_few_addresses_for_libraries_are_told_before_they_are_loaded(tmp_path):
    command = f"ulimit -v 400000; exec {sys.executable} -m prewarp check none.csv"
    done = subprocess.run(["sh", "-c", command], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "the shell leaves 0.3" in done.stderr and "take 0.55 GB. Allow more." in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_a_file_that_memory_does_not_hold_is_not_called_damaged(tmp_path, monkeypatch):
    def none(*given):
        raise MemoryError

    write_grid(tmp_path / "a.npz", grid_of(60))
    monkeypatch.setattr(np.lib.format, "read_magic", none)
    with pytest.raises(MemoryError):
        read_grid(tmp_path / "a.npz")
    (tmp_path / "a.png").write_bytes(b"no picture")
    monkeypatch.setattr(Image, "open", none)
    with pytest.raises(MemoryError):
        read_picture(tmp_path / "a.png")


@pytest.mark.parametrize(
    "cause", [RuntimeError("can't start new thread"), BrokenProcessPool("A process was terminated.")]
)
def test_a_thread_or_process_without_memory_is_one_line(monkeypatch, cause):
    def work(*given, **more):
        raise cause

    monkeypatch.setattr(check_command, "read_grid", work)
    done = run("check", ROOT / "calib" / "folded.grid.npz", "-q")
    assert done.exit_code == 2 and len(done.stderr.splitlines()) == 1
    assert f"{str(cause).rstrip('.')}. Most likely there is not enough memory" in done.stderr
