"""What C says of a display: names, sizes, eye box, content, statuses; compiled with sanitizers and run."""

import ctypes
import re
import struct
import subprocess

import numpy as np
import pytest

from prewarp.export.c_evaluator import STRICT
from prewarp.export.c_sources import SOURCES, c_sources, write_c_sources
from prewarp.lookup.layout import CHANNEL, DISPLAY
from tests.lookup.small_lookups import BOX_MM, CONTENT, SIZE, case, small_blobs
from tests.lookup.test_blob import NAN, changed
from tests.support import require_tool

OK, REFUSED, NO_SUCH = 0, 18, 19
PROGRAM = r"""
#include "prewarp_names.h"
#include <stdio.h>
#include <stdlib.h>

/* by its address: what a call wrote there is read after the call */
static void found(const char *what, prewarp_status status, const uint32_t *place)
{
    printf("%s %s %lu\n", what, prewarp_status_name(status), (unsigned long)*place);
}

int main(int count, char **words)
{
    FILE *file = fopen(words[1], "rb");
    unsigned char *blob;
    long size;
    uint32_t place, size_px[2];
    int32_t low[3], high[3];
    float low_mm[3], high_mm[3];
    char name[PREWARP_NAME_BYTES];
    prewarp_lookup lookup;
    prewarp_content content;
    prewarp_status status;
    if (file == NULL || fseek(file, 0, SEEK_END) != 0)
        return 2;
    size = ftell(file);
    rewind(file);
    blob = malloc((size_t)size); /* exactly, so that a byte too far is seen */
    if (blob == NULL || fread(blob, 1, (size_t)size, file) != (size_t)size || fclose(file) != 0)
        return 2;
    status = prewarp_open(&lookup, blob, (size_t)size);
    printf("open %s\n", prewarp_status_name(status));
    if (status != PREWARP_OK) {
        free(blob);
        return 1;
    }
    for (; count > 2; count--) {
        place = 77u;
        found("channel", prewarp_find_channel(&lookup, words[count - 1], &place), &place);
        place = 77u;
        found("colour", prewarp_find_colour(&lookup, words[count - 1], &place), &place);
        place = 77u;
        found("map", prewarp_find_named_map(&lookup, words[count - 1], "R", &place), &place);
    }
    place = 77u;
    found("null", prewarp_find_channel(&lookup, NULL, &place), &place);
    for (place = 0; place <= lookup.channel_count; place++) {
        found("width", prewarp_panel_size(&lookup, place, size_px), &size_px[0]);
        found("height", prewarp_panel_size(&lookup, place, size_px), &size_px[1]);
        status = prewarp_channel_name(&lookup, place, name);
        printf("name %s [%s]\n", prewarp_status_name(status), name);
    }
    for (place = 0; place <= lookup.colour_count; place++) {
        status = prewarp_colour_name(&lookup, place, name);
        printf("name %s [%s]\n", prewarp_status_name(status), name);
    }
    prewarp_eye_box(&lookup, low_mm, high_mm);
    prewarp_fixed_eye_box(&lookup, low, high);
    for (place = 0; place < 3u; place++)
        printf("box %.9g %.9g\n", low_mm[place], high_mm[place]);
    for (place = 0; place < 3u; place++)
        printf("fixed %ld %ld\n", (long)low[place], (long)high[place]);
    status = prewarp_get_content(&lookup, &content);
    printf("content %s %lu %lu %lu %.9g\n", prewarp_status_name(status), (unsigned long)content.size_px[0],
           (unsigned long)content.size_px[1], (unsigned long)content.kind, content.focal_px);
    free(blob);
    return 0;
}
"""


@pytest.fixture(scope="module")
def program(tmp_path_factory):
    folder = tmp_path_factory.mktemp("names")
    write_c_sources(folder)
    (folder / "main.c").write_text(PROGRAM, encoding="utf-8")
    checked = ("-g", "-O0", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")
    command = [require_tool("gcc"), *STRICT, *checked, "-o", "names", "main.c", *SOURCES, "-lm"]
    subprocess.run(command, cwd=folder, check=True)
    return folder / "names"


def told(program, blob, *names):
    path = program.parent / "blob"
    path.write_bytes(blob)
    done = subprocess.run([program, path, *names], capture_output=True, text=True, check=False, timeout=60)
    assert done.stderr == "" and done.returncode in (0, 1)
    return done.stdout.splitlines()


def test_channels_colours_and_maps_are_found_by_name(program):
    lookup = case("chebyshev")
    for name in ("left", "right", "G", "R"):
        lines = told(program, small_blobs()["chebyshev"], name)
        of = {}
        for kind, known in (("channel", lookup.channels), ("colour", lookup.colours)):
            there = name in known
            of[kind] = f"PREWARP_OK {known.index(name)}" if there else "PREWARP_NO_SUCH 77"
            assert f"{kind} {of[kind]}" in lines
        there = name in lookup.channels
        place = f"PREWARP_OK {lookup.map_index(name, 'R')}" if there else "PREWARP_NO_SUCH 77"
        assert f"map {place}" in lines
    assert "null PREWARP_NO_SUCH 77" in lines


@pytest.mark.parametrize("name", ["", "lef", "leftt", "Left", "x" * 31, "x" * 32, "x" * 100])
def test_other_names_are_not_found(program, name):
    lines = told(program, small_blobs()["chebyshev"], name)
    assert [line for line in lines if line.startswith(("channel", "colour", "map"))] == [
        f"{kind} PREWARP_NO_SUCH 77" for kind in ("channel", "colour", "map")
    ]


def test_sizes_names_eye_box_and_content(program):
    lines = told(program, small_blobs()["chebyshev"])
    for name, length in zip(("width", "height"), SIZE, strict=True):
        sizes = [f"{name} PREWARP_OK {length}"] * 2 + [f"{name} PREWARP_NO_SUCH 0"]
        assert [line for line in lines if line.startswith(name)] == sizes
    names = [line for line in lines if line.startswith("name")]
    assert names == [
        "name PREWARP_OK [left]", "name PREWARP_OK [right]", "name PREWARP_NO_SUCH []",
        "name PREWARP_OK [G]", "name PREWARP_OK [R]", "name PREWARP_NO_SUCH []",
    ]  # fmt: skip
    for name, one in (("box", 1.0), ("fixed", 65536.0)):
        rows = [line.split()[1:] for line in lines if line.startswith(name)]
        np.testing.assert_array_equal(np.array(rows, dtype=float).T, BOX_MM * one)
    status, *figures = lines[-1].split()[1:]
    assert status == "PREWARP_OK" and [int(one) for one in figures[:3]] == [*CONTENT.size_px, 1]
    # A flat picture 80 degrees and 800 px wide: 400 px for the tangent of 40 degrees.
    assert float(figures[3]) == pytest.approx(400.0 / np.tan(np.radians(40.0)), rel=1e-7)


def test_names_as_long_as_their_entry_are_whole(program):
    """No writer makes such a blob; a reader must not run on."""
    blob = changed(small_blobs()["chebyshev"], 1, CHANNEL, 0, "name", b"y" * 32, "32s")
    lines = told(program, blob, "y" * 32)
    assert f"name PREWARP_OK [{'y' * 32}]" in lines and "channel PREWARP_OK 0" in lines
    assert "channel PREWARP_NO_SUCH 77" in told(program, blob, "y" * 31)
    assert "channel PREWARP_NO_SUCH 77" in told(program, blob, "y" * 33)


@pytest.mark.parametrize(
    ("entry", "value", "kind", "status"),
    [
        ("content_kind", 3, "I", "REFUSED"),
        ("content_kind", 0, "I", "NO_SUCH"),
        ("content_focal", NAN, "f", "REFUSED"),
        ("content_focal", float("inf"), "f", "REFUSED"),
        ("content_focal", -1.0, "f", "REFUSED"),
        ("content_focal", 0.0, "f", "REFUSED"),
        ("content_size", 1 << 20, "I", "REFUSED"),
        ("content_size", 0, "I", "REFUSED"),
        ("content_kind", 2, "I", "OK"),
    ],
)
def test_content_that_is_none_is_refused(program, entry, value, kind, status):
    blob = changed(small_blobs()["chebyshev"], 0, DISPLAY, 0, entry, value, kind)
    lines = told(program, blob)
    if status == "REFUSED":
        assert lines == ["open PREWARP_REFUSED"]
        return
    (line,) = (line for line in lines if line.startswith("content"))
    assert line.split()[1] == f"PREWARP_{status}"
    assert status == "OK" or line.split()[2:] == ["0", "0", "0", "0"]


def test_content_that_is_not_described_is_told(program):
    blob = changed(small_blobs()["chebyshev"], 0, DISPLAY, 0, "content_kind", 0, "I")
    blob = changed(blob, 0, DISPLAY, 0, "content_size", struct.pack("<II", 0, 0), "8s")
    assert "content PREWARP_NO_SUCH 0 0 0 0" in told(program, blob)


def test_every_status_has_its_name(program, tmp_path):
    """Those of the header, by its own text; any other number is told as unknown."""
    enumerated = re.search(
        r"typedef enum \{(.*?)\} prewarp_status;", c_sources()["prewarp_lookup.h"], re.DOTALL
    )
    known = {int(number): name for name, number in re.findall(r"(PREWARP_\w+) = (\d+)", enumerated[1])}
    assert {known[OK], known[REFUSED], known[NO_SUCH]} == {"PREWARP_OK", "PREWARP_REFUSED", "PREWARP_NO_SUCH"}
    library = tmp_path / "names.so"
    write_c_sources(tmp_path)
    command = [require_tool("gcc"), *STRICT, "-shared", "-fPIC", "-o", library, *SOURCES]
    subprocess.run(command, cwd=tmp_path, check=True)
    name_of = ctypes.CDLL(str(library)).prewarp_status_name
    name_of.restype = ctypes.c_char_p
    for number in (*range(-1, 40), 2**31 - 1):
        assert name_of(number).decode() == known.get(number, "unknown status")
    assert told(program, b"no blob" * 100) == ["open PREWARP_NOT_A_BLOB"]


def test_every_name_has_the_prefix():
    for line in c_sources()["prewarp_names.h"].splitlines():
        for name in re.findall(r"^[a-z_ ]*?\b(\w+)\(", line) + re.findall(r"^#define (\w+)", line):
            assert name.lower().startswith("prewarp_"), line
