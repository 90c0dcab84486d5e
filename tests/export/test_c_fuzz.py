"""Short, deterministic fuzz of the C reader under sanitizers; long form in tests/fuzz."""

import pytest

from prewarp.lookup.blob_reading import lookup_from_blob
from tests.fuzz.fuzz_lookup import CHECKSUMS, PANEL_SIZES, build_harness, run_harness
from tests.fuzz.fuzz_open import build, run
from tests.lookup.small_lookups import CASES, small_blobs
from tests.support import require_tool

COPIES = 1500


@pytest.fixture(scope="module")
def harness(tmp_path_factory):
    # So few copies take a second more than with -O1, which takes six to compile.
    return build_harness(tmp_path_factory.mktemp("fuzz"), require_tool("gcc"), optimise="-O0")


@pytest.mark.parametrize("name", CASES)
def test_damaged_blobs_do_no_harm(harness, tmp_path, name):
    blob = small_blobs()[name]
    lookup_from_blob(blob)
    path = tmp_path / "tables.bin"
    path.write_bytes(blob)
    accepted, refused, broken = run_harness(harness, path, COPIES, seed=5)
    # Both kinds of copies occur, or the fuzz would prove nothing.
    assert accepted > 50 and refused > 200 and broken > 600


@pytest.mark.parametrize(
    ("rule", "said"), [(CHECKSUMS, "accepted with a broken checksum"), (PANEL_SIZES, "ended with -6")]
)
def test_the_harness_notices_a_broken_reader(tmp_path, rule, said):
    """The fuzz is held to its own promise: a reader that lacks a rule is found out (-6: abort)."""
    program = build_harness(tmp_path, require_tool("gcc"), without=rule)
    path = tmp_path / "tables.bin"
    path.write_bytes(small_blobs()["chebyshev"])
    with pytest.raises(AssertionError, match=said):
        run_harness(program, path, COPIES, seed=5)


def test_fuzz_by_coverage_finds_nothing(tmp_path):
    """Some seconds of what `tests.fuzz.fuzz_open` does for hours."""
    executions, edges = run(build(tmp_path, require_tool("clang")), tmp_path, "runs=40000")
    assert executions >= 40_000
    # It gets past checksums and rules, into every path of the evaluator.
    assert edges > 1200
