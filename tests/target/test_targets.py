"""The C evaluator elsewhere: a big-endian machine and a bare Cortex-M4F give the same bits; C++ links to it.

All machines: `tests.long.device_targets`.
"""

import subprocess

import numpy as np
import pytest

from prewarp.export.c_sources import SOURCES, write_c_sources
from prewarp.lookup.device import prepare
from tests.lookup.small_lookups import case, small_blobs
from tests.support import missing, require_tool
from tests.target.targets import FLAGS, HERE, HOST, M4F, S390X, answers, write_blob

pytestmark = pytest.mark.outside


@pytest.fixture(scope="module")
def here(tmp_path_factory):
    require_tool("gcc")
    return {
        name: answers(HOST, tmp_path_factory.mktemp(name), small_blobs()[name])
        for name in ("chebyshev", "spline12")
    }


@pytest.mark.parametrize(
    ("target", "name"),
    [(S390X, "chebyshev"), (S390X, "spline12"), (M4F, "chebyshev")],
    ids=lambda one: str(one)[:20],
)
def test_the_same_bits_as_on_a_pc(here, tmp_path, target, name):
    """Both paths: coefficients, meshes, points, borders, weights, claims, gains, turns."""
    if not target.is_here():
        missing(f"{target.compiler} or {target.runner[0]} is not installed")
    own = answers(target, tmp_path, small_blobs()[name])
    assert len(own) > 500 and not any("too large" in line or "no light" in line for line in own)
    assert own == here[name]


def test_answers_differ_where_the_blob_does(here):
    """The checksums are held to their own promise."""
    first, second = here["chebyshev"], here["spline12"]
    assert sum(a != b for a, b in zip(first, second, strict=True)) > 50  # light is the same


def test_cpp_links_to_it(tmp_path):
    require_tool("gcc"), require_tool("g++")
    write_c_sources(tmp_path)
    blob = small_blobs()["chebyshev"]
    source = write_blob(tmp_path, blob)
    subprocess.run(["gcc", *FLAGS, "-O1", "-c", *SOURCES, str(source)], cwd=tmp_path, check=True, timeout=120)
    objects = [str(path) for path in tmp_path.glob("*.o")]
    strict = ["-std=c++17", "-Wall", "-Wextra", "-Werror", "-pedantic", "-I", str(tmp_path)]
    program = tmp_path / "link"
    command = ["g++", *strict, "-o", str(program), str(HERE / "link.cpp"), *objects, "-lm"]
    subprocess.run(command, check=True, timeout=120)
    done = subprocess.run([str(program)], capture_output=True, text=True, check=True, timeout=20)
    name, *numbers = done.stdout.split()
    assert name == "left"
    twin = prepare(case("chebyshev"), 0, np.array([1.5, -1.0, 0.5], np.float32)).mesh(5, 4)
    np.testing.assert_array_equal(np.array(numbers, np.float32), twin.ravel())
