"""Long form of the fuzz: a million damaged blobs through the C reader, a hundred thousand through Python's.

Run from the checkout: python -m tests.fuzz.fuzz_lookup [C COUNT] [PYTHON COUNT].
`tests/export/test_c_fuzz.py` runs a short, deterministic form of it.
"""

import subprocess
import sys
import tempfile
import zlib
from pathlib import Path

import numpy as np

from prewarp.errors import PackageError
from prewarp.export.c_evaluator import STRICT
from prewarp.export.c_sources import SOURCES, write_c_sources
from prewarp.lookup.blob_reading import lookup_from_blob
from prewarp.lookup.layout import HEADER, SECTION, SECTIONS
from tests.lookup.small_lookups import small_blobs

HARNESS = Path(__file__).parent / "fuzz_blob.c"
SANITIZERS = ("-fsanitize=address,undefined", "-fno-sanitize-recover=all", "-g")
ODD = np.array([0, 1, 2, 127, 255, 32767, 32768, 65535, 0x7FFFFFFF, 0xFFFFFFFF, 0x7F800000, 0x7FC00000])


# Rules of the reader: checksums; that the content follows what the layout says of it.
CHECKSUMS = "crc_32(0, bytes + offset, size) != prewarp_u32(record + PREWARP_SECTION_CRC)"
PANEL_SIZES = "!is_picture(prewarp_u32(channel + PREWARP_CHANNEL_PANEL_WIDTH),"


def build_harness(folder, compiler="gcc", *, without=None, optimise="-O1"):
    """Return the path of the C harness, compiled with address and undefined-behaviour sanitizers.

    `without` takes one of the rules above from the reader, to see that the harness notices.
    """
    write_c_sources(folder)
    sanitizers = (*SANITIZERS, optimise)
    if without:
        sanitizers = ()
        reader = folder / "prewarp_open.c"
        text = reader.read_text()
        assert text.count(without) == 1
        reader.write_text(text.replace(without, f"0 && {without}"))
    program = folder / f"fuzz_blob_{Path(compiler).name}"
    command = [compiler, *STRICT, *sanitizers, "-I", str(folder), "-o", str(program), str(HARNESS)]
    subprocess.run([*command, *(str(folder / name) for name in SOURCES), "-lm"], check=True, timeout=120)
    return program


def run_harness(program, blob_path, count, seed):
    """Return (mended and accepted, mended and refused, broken and refused); raises when the harness fails."""
    done = subprocess.run(
        [str(program), str(blob_path), str(count), str(seed)], capture_output=True, text=True, check=False
    )
    if done.returncode != 0:
        raise AssertionError(f"harness ended with {done.returncode}: {done.stderr[-3000:]}")
    return tuple(int(line.split()[-1]) for line in done.stdout.splitlines())


def mended(blob):
    """Return the blob with all checksums made right, as far as its sections lie inside it."""
    data = bytearray(blob)
    end = HEADER.byte_count + SECTION.byte_count * len(SECTIONS)
    if len(data) < end:
        return bytes(data)
    for place in range(len(SECTIONS)):
        start = HEADER.byte_count + SECTION.byte_count * place
        row = np.frombuffer(bytes(data[start : start + SECTION.byte_count]), dtype=SECTION.dtype)[0]
        offset, size = int(row["offset"]), int(row["size"])
        if offset + size <= len(data):
            crc = zlib.crc32(bytes(data[offset : offset + size]))
            data[start + SECTION.offset("crc") : start + SECTION.offset("crc") + 4] = crc.to_bytes(
                4, "little"
            )
    place = HEADER.offset("crc")
    data[place : place + 4] = bytes(4)
    data[place : place + 4] = zlib.crc32(bytes(data[:end])).to_bytes(4, "little")
    return bytes(data)


def damaged(blob, random):
    """Return a damaged copy: bits, bytes and words changed, most among the records; sometimes cut short."""
    data = bytearray(blob)
    records = int.from_bytes(
        data[HEADER.byte_count + SECTION.byte_count * (len(SECTIONS) - 1) + 4 :][:4], "little"
    )
    for _ in range(random.integers(1, 5)):
        range_end = records if random.random() < 0.7 and records < len(data) else len(data)
        place = int(random.integers(range_end))
        kind = random.integers(8)
        if kind == 0 and len(data) > 8:
            del data[len(data) - int(random.integers(len(data) // 2)) :]
        elif kind <= 2:
            data[place] ^= 1 << int(random.integers(8))
        elif kind == 3:
            data[place] = int(random.integers(256))
        else:
            size = 2 if kind <= 5 else 4
            place -= place % size
            value = int(random.choice(ODD)) & (256**size - 1)
            data[place : place + size] = value.to_bytes(size, "little")[: len(data) - place]
    return bytes(data)


def fuzz_python(blob, count, seed):
    """Return (accepted, refused) of `count` damaged copies; anything but `PackageError` is a failure."""
    random = np.random.default_rng(seed)
    accepted = refused = 0
    for turn in range(count):
        copy = damaged(blob, random)
        if turn % 2:
            copy = mended(copy)
        try:
            lookup_from_blob(copy)
        except PackageError:
            refused += 1
            continue
        if turn % 2 == 0 and copy != blob:
            raise AssertionError(f"copy {turn}: accepted with a broken checksum")
        accepted += 1
    return accepted, refused


def main(c_count, python_count):
    """Run the long form and print what happened."""
    blobs = small_blobs()
    with tempfile.TemporaryDirectory() as folder:
        for compiler in ("gcc", "clang"):
            program = build_harness(Path(folder), compiler)
            for seed, (name, blob) in enumerate(blobs.items()):
                path = Path(folder) / f"{name}.blob"
                path.write_bytes(blob)
                accepted, refused, broken = run_harness(program, path, c_count // (2 * len(blobs)), seed)
                print(f"{compiler} {name}: mended accepted {accepted}, refused {refused}")
                print(f"{compiler} {name}: broken refused {broken}")
    for seed, (name, blob) in enumerate(blobs.items()):
        accepted, refused = fuzz_python(blob, python_count // len(blobs), seed)
        print(f"Python {name}: accepted {accepted}, refused {refused}")


if __name__ == "__main__":
    main(*(int(text) for text in sys.argv[1:]), *(1_000_000, 100_000)[len(sys.argv) - 1 :])
