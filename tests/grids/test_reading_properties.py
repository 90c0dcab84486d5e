"""Damaged files: a PrewarpError or a right answer, never another exception, and bounded memory."""

import gzip
import io
import subprocess
import sys
import zipfile

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from prewarp.errors import GridError, PrewarpError
from prewarp.files import npz_bytes
from prewarp.grids import Grid, read_grid, write_grid
from tests.synthetic import make_grid, pupil_lattice

QUICK = settings(
    max_examples=150,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


@pytest.fixture(scope="module")
def originals(tmp_path_factory):
    folder = tmp_path_factory.mktemp("grids")
    grid = make_grid(points=3, pupils=pupil_lattice(1))
    for name in ("g.csv", "g.csv.gz", "g.npz"):
        write_grid(folder / name, grid)
    return grid, {name: (folder / name).read_bytes() for name in ("g.csv", "g.csv.gz", "g.npz")}


def read_or_refuse(path, data):
    path.write_bytes(data)
    try:
        grid = read_grid(path, limit_bytes=1 << 22)
    except PrewarpError as error:
        assert str(error) and path.name in str(error)
        return None
    assert isinstance(grid, Grid) and len(grid) >= 1
    return grid


def damaged(data, edits, cut):
    result = bytearray(data)
    for where, what in edits:
        place = int(where * len(result))
        result[place : place + 1] = what
    return bytes(result[: int(cut * len(result))])


EDITS = st.lists(st.tuples(st.floats(0, 0.9999), st.binary(max_size=4)), max_size=4)


@pytest.mark.parametrize("name", ["g.csv", "g.csv.gz", "g.npz"])
@given(edits=EDITS, cut=st.one_of(st.just(1.0), st.floats(0, 1)))
@QUICK
def test_damaged_bytes(tmp_path, originals, name, edits, cut):
    read_or_refuse(tmp_path / name, damaged(originals[1][name], edits, cut))


CELL = st.one_of(
    st.sampled_from(
        ["", "nan", "inf", "-inf", "1e999", "1,5", "1;5", '"', '""', '"1"', "0x1", "1_0", "None", "=1+1"]
    ),
    st.floats().map(repr),
    st.text(max_size=5),
)


@given(row=st.integers(0, 53), column=st.integers(0, 8), cell=CELL)
@QUICK
def test_one_damaged_cell_is_read_right_or_its_row_is_named(tmp_path, originals, row, column, cell):
    grid, files = originals
    lines = files["g.csv"].decode().split("\n")
    cells = lines[row + 1].split(",")
    cells[column] = cell
    lines[row + 1] = ",".join(cells)
    path = tmp_path / "cell.csv"
    path.write_bytes("\n".join(lines).encode("utf-8", errors="surrogatepass"))
    try:
        back = read_grid(path)
    except GridError as error:
        assert "cell.csv" in str(error)
        return
    if len(back) == len(grid):
        others = np.arange(len(grid)) != row
        np.testing.assert_array_equal(back.pixel[others], grid.pixel[others])
        np.testing.assert_array_equal(back.tangent[others], grid.tangent[others])


@given(
    name=st.sampled_from(["channel", "eye_x_mm", "dir_x_deg", "panel_u_px", "other", "luminance"]),
    dtype=st.sampled_from(["f2", "f4", ">f8", "i1", "u8", "?", "c8", "U3", "S3", "M8[s]", "V4", "f16"]),
    shape=st.sampled_from([(54,), (53,), (54, 1), (), (0,)]),
)
@QUICK
def test_npz_of_any_kind_of_array(tmp_path, originals, name, dtype, shape):
    with np.load(io.BytesIO(originals[1]["g.npz"])) as archive:
        arrays = dict(archive)
    arrays[name] = np.ones(shape, dtype=dtype) if "V" not in dtype else np.zeros(shape, dtype=dtype)
    read_or_refuse(tmp_path / "kind.npz", npz_bytes(arrays))


MEASURE = """
import resource, sys
from prewarp.errors import PrewarpError
from prewarp.grids import read_grid
import pyarrow.csv
with open("/proc/self/statm") as stream:
    used = int(stream.read().split()[0]) * resource.getpagesize()
limit = used + int(sys.argv[2])
resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
try:
    read_grid(sys.argv[1])
except PrewarpError as error:
    print(error)
"""


def bomb_gz(path):
    block = gzip.compress(b"a" * (1 << 24), compresslevel=9)
    path.write_bytes(block * 128)  # 2 GiB, as 128 members


def bomb_npz(path):
    with (
        zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive,
        archive.open("channel.npy", "w") as stream,
    ):
        np.lib.format.write_array_header_1_0(
            stream, {"descr": "<f8", "fortran_order": False, "shape": (40_000_000,)}
        )
        for _ in range(40):
            stream.write(bytes(8_000_000))


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="limits the address space through /proc")
@pytest.mark.parametrize(("make", "name"), [(bomb_gz, "bomb.csv.gz"), (bomb_npz, "bomb.npz")])
def test_a_decompression_bomb_is_refused_before_it_is_allocated(tmp_path, make, name):
    make(tmp_path / name)
    allowed = 200_000_000  # bytes of address space; the bombs want 2 GiB and 0.3 GB
    done = subprocess.run(
        [sys.executable, "-c", MEASURE, str(tmp_path / name), str(allowed)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert "unpacks to more than" in done.stdout, done.stderr
