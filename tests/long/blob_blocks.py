"""Time to open blobs with many blocks in both readers: `python -m tests.long.blob_blocks`.

Blocks that lie on the bytes of another are refused when the first of them is met, blocks that follow each
other and belong to nothing after all were looked at: both in a time that grows no faster than the file. Last
figures, best of 5, with 2,005 and with 8,020 blocks more: DEVELOPERS.md, "Large work".
"""

import shutil
import tempfile
import time
from pathlib import Path

import numpy as np

from prewarp.errors import PackageError
from prewarp.export.c_evaluator import CEvaluator, compile_evaluator
from prewarp.lookup.blob_reading import lookup_from_blob
from prewarp.lookup.layout import BLOCK, aligned
from tests.lookup.test_blob import assembled, repeated_blocks, sections_of, small_blobs

COUNTS = (2_005, 8_020)


def blocks_of_nothing(count):
    """Return a blob with so many blocks at its end, of two numbers each, that belong to nothing."""
    parts = sections_of(small_blobs()["spline"])
    rows = np.zeros(count, BLOCK.dtype)
    start = aligned(len(parts[9]), 4)
    rows["format"], rows["count"], rows["scale"] = 16, 2, 1.0
    rows["offset"] = start + 4 * np.arange(count)
    parts[4] += rows.tobytes()
    parts[9] += bytes(start - len(parts[9]) + 4 * count)
    return assembled(parts)


def best(open_blob, blob):
    """Return the shortest of five times, seconds."""
    times = []
    for _ in range(5):
        start = time.perf_counter()
        open_blob(blob)
        times.append(time.perf_counter() - start)
    return min(times)


def main():
    """Print a line for each kind and count."""

    def python(blob):
        try:
            lookup_from_blob(blob)
        except PackageError:
            return
        raise AssertionError("the blob was taken")

    with tempfile.TemporaryDirectory() as folder:
        library = compile_evaluator(Path(folder), compiler=shutil.which("gcc"), options=("-O2",))

        def reader_in_c(blob):
            assert CEvaluator(library, blob).status != 0

        for made in (repeated_blocks, blocks_of_nothing):
            for count in COUNTS:
                blob = made(count)
                times = 1e3 * best(python, blob), 1e3 * best(reader_in_c, blob)
                size = f"{made.__name__} {count}: {len(blob) / 1e6:.2f} MB"
                print(f"{size}, Python {times[0]:.1f} ms, C {times[1]:.2f} ms", flush=True)


if __name__ == "__main__":
    main()
