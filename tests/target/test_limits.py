"""What the C header promises of stack and loops, held to what gcc says and to counters in a fuzz run."""

import gzip
import json
import re
import subprocess

import pytest

from prewarp.export.c_sources import SOURCES, c_sources, write_c_sources
from prewarp.lookup.device import INVERSE_STEPS
from tests.fuzz.fuzz_lookup import HARNESS
from tests.lookup.small_lookups import small_blobs
from tests.support import require_tool
from tests.target.stack import call_graph, deepest
from tests.target.targets import FLAGS

PROMISED = int(re.search(r"PREWARP_STACK_BYTES (\d+)u", c_sources()["prewarp_lookup.h"])[1])


@pytest.mark.parametrize(
    ("compiler", "options"),
    [
        ("gcc", ("-O2",)),
        ("arm-none-eabi-gcc", ("-Os", "-mthumb", "-mcpu=cortex-m0plus")),
    ],
    ids=["x86-64", "m0plus"],
)
def test_no_call_takes_more_stack_than_the_header_says(tmp_path, compiler, options):
    require_tool(compiler)
    bytes_of = deepest(*call_graph(tmp_path, compiler, options))
    assert {"prewarp_open", "prewarp_meshes", "prewarp_weights", "prewarp_fixed_weights"} <= set(bytes_of)
    assert max(bytes_of.values()) <= PROMISED
    # Promised with sense: not twice what is taken.
    assert max(bytes_of.values()) > PROMISED / 2


def test_newtons_method_ends_within_its_steps(tmp_path):
    """Counted in a fuzz run, where maps fold and directions lie anywhere."""
    gcc, gcov = require_tool("gcc"), require_tool("gcov")
    write_c_sources(tmp_path)
    blob = tmp_path / "tables.bin"
    blob.write_bytes(small_blobs()["chebyshev"])
    subprocess.run([gcc, *FLAGS, "-O0", "--coverage", "-c", *SOURCES], cwd=tmp_path, check=True, timeout=120)
    objects = [name.replace(".c", ".o") for name in SOURCES]
    command = [
        gcc,
        *FLAGS,
        "--coverage",
        "-I",
        ".",
        "-I",
        str(HARNESS.parent),
        str(HARNESS),
        *objects,
        "-lm",
        "-o",
        "run",
    ]
    subprocess.run(command, cwd=tmp_path, check=True, timeout=120)
    subprocess.run(
        ["./run", str(blob), "400", "3"], cwd=tmp_path, check=True, timeout=120, capture_output=True
    )
    for source in ("prewarp_float.c", "prewarp_fixed.c"):
        subprocess.run(
            [gcov, "--json-format", source], cwd=tmp_path, check=True, timeout=60, capture_output=True
        )
        told = json.loads(
            gzip.decompress((tmp_path / f"{source.removesuffix('.c')}.gcov.json.gz").read_bytes())
        )
        (file,) = (one for one in told["files"] if one["file"] == source)
        text = (tmp_path / source).read_text().splitlines()
        name = f"prewarp_{'fixed_' * ('fixed' in source)}panel_from_direction"
        calls = next(one["execution_count"] for one in file["functions"] if one["name"] == name)
        steps = sum(
            line["count"]
            for line in file["lines"]
            if line["function_name"] == name and "here);" in text[line["line_number"] - 1]
        )
        assert calls > 100
        # More than a map without folds takes, and never more than promised.
        assert 2 * calls < steps <= INVERSE_STEPS * calls
