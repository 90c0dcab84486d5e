"""Coverage-guided fuzz of the C reader by libFuzzer, under address and undefined-behaviour sanitizers.

Run from the checkout: python -m tests.fuzz.fuzz_open [SECONDS] [PROCESSES] [PROGRAM]. Needs clang with its
fuzzer runtime; PROGRAM is a harness compiled elsewhere.
`tests/export/test_c_fuzz.py` runs it for some seconds.
"""

import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

from prewarp.export.c_sources import SOURCES, write_c_sources
from prewarp.lookup.blob import blob_from_lookup
from prewarp.lookup.tables import Family
from tests.lookup.small_lookups import one_channel, small_blobs, small_lookup
from tests.lookup.test_blob import cut_terms

HARNESS = Path(__file__).parent / "fuzz_open.c"
SANITIZERS = ("-fsanitize=fuzzer,address,undefined", "-fno-sanitize-recover=all", "-g", "-O1")
MOST_BYTES = 4096


def seeds():
    """Return small blobs of every family, with light and without, one and two channels."""
    blobs = {name: blob for name, blob in small_blobs().items() if len(blob) < MOST_BYTES}
    blobs["plain"] = blob_from_lookup(small_lookup(Family.CHEBYSHEV, lit=False))
    for bits in (None, 8, 12, 16):
        blobs[f"spline_{bits}"] = blob_from_lookup(one_channel(Family.SPLINE, bits=bits))
    return blobs


def build(folder, compiler="clang"):
    """Return the path of the harness, compiled."""
    write_c_sources(folder)
    program = folder / "fuzz_open"
    command = [compiler, "-std=c99", "-ffp-contract=off", *SANITIZERS, "-I", str(folder), "-o", str(program)]
    sources = [str(HARNESS), *(str(folder / name) for name in SOURCES)]
    subprocess.run([*command, *sources, "-lm"], check=True, timeout=300)
    return program


def run(program, folder, limit, processes=1, seed=1):
    """Fuzz; return (executions, edges covered at most). Raises when anything was found.

    `limit`: "max_total_time=SECONDS" or "runs=COUNT", of each process.
    """
    corpus = folder / "corpus"
    corpus.mkdir()
    for name, blob in seeds().items():
        (corpus / name).write_bytes(blob)
    (corpus / "cut").write_bytes(cut_terms())
    options = [f"-max_len={MOST_BYTES}", f"-{limit}", "-print_final_stats=1", "-timeout=10"]
    # A process counts the largest size that its parent ever had as its own: single allocations are bounded.
    options += ["-rss_limit_mb=0", "-malloc_limit_mb=2048", f"-artifact_prefix={folder}/", "-reload=0"]
    running = []
    environment = {**os.environ, "ASAN_OPTIONS": "exitcode=3"}
    for process in range(processes):
        command = [str(program), *options, f"-seed={seed + process}", str(corpus)]
        with (folder / f"log_{process}").open("w") as log:
            running.append(subprocess.Popen(command, stderr=log, stdout=log, env=environment))
    executions = edges = 0
    for process, one in enumerate(running):
        one.wait()
        told = (folder / f"log_{process}").read_text(errors="replace")
        if one.returncode != 0:
            raise AssertionError(f"the harness ended with {one.returncode}: {told[-4000:]}")
        executions += int(re.findall(r"number_of_executed_units: (\d+)", told)[-1])
        edges = max(edges, *map(int, re.findall(r"cov: (\d+)", told)))
    return executions, edges


def main(seconds, processes, program=None):
    """Run and print what happened."""
    with tempfile.TemporaryDirectory() as text:
        folder = Path(text)
        executions, edges = run(program or build(folder), folder, f"max_total_time={seconds}", processes)
    print(f"{executions} executions in {seconds} s of {processes} processes, {edges} edges, nothing found")
    print(f"{executions / seconds / processes:.0f} a second and process")


if __name__ == "__main__":
    given = sys.argv[1:]
    main(*(int(text) for text in given[:2]), *(7200, os.cpu_count() or 1)[len(given[:2]) :], *given[2:])
