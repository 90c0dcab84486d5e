"""Output folders: what killed writers leave behind, and what is left alone. Arrays in files."""

import io
import signal
import subprocess
import sys
import zipfile

import numpy as np
import pytest

from prewarp.files import MARKER, file_stem, file_stems, npz_bytes, output_folder

_HELD = """
import sys, time
from pathlib import Path
from prewarp.files import output_folder
with output_folder(Path(sys.argv[1])) as working:
    (working / "half.txt").write_text("half")
    print(working.name, flush=True)
    time.sleep(60)
"""


@pytest.fixture
def writer(tmp_path):
    """Another process that has begun to write the folder `out`; its temporary folder."""
    with subprocess.Popen(
        [sys.executable, "-c", _HELD, str(tmp_path / "out")], stdout=subprocess.PIPE, text=True
    ) as process:
        yield process, tmp_path / process.stdout.readline().strip()
        process.kill()


def _write(folder):
    with output_folder(folder) as working:
        (working / "whole.txt").write_text("whole")


def test_a_folder_that_another_process_works_on_is_left_alone(tmp_path, writer):
    _, held = writer
    _write(tmp_path / "out")
    assert (held / "half.txt").exists() and (tmp_path / "out" / "whole.txt").exists()


@pytest.mark.skipif(sys.platform == "win32", reason="no file locks that end with their process")
def test_what_a_killed_writer_left_is_removed_by_the_next(tmp_path, writer):
    process, held = writer
    process.send_signal(signal.SIGKILL)
    process.wait()
    assert (held / "half.txt").exists()
    _write(tmp_path / "other")
    assert held.exists()
    _write(tmp_path / "out")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["other", "out"]


def test_strange_folders_of_such_a_name_are_left_alone(tmp_path):
    for name in (".out.1.part", ".out.2.part", ".out.3.part"):
        (tmp_path / name).mkdir()
    (tmp_path / ".out.1.part" / "mine.txt").write_text("keep me")
    # Just begun: the marker is there, and nothing in it yet.
    (tmp_path / ".out.2.part" / MARKER).touch()
    _write(tmp_path / "out")
    assert (tmp_path / ".out.1.part" / "mine.txt").exists() and (tmp_path / ".out.2.part").exists()


def test_a_name_with_wildcards_matches_itself_alone(tmp_path):
    (tmp_path / ".a.x.part").mkdir()
    (tmp_path / ".a.x.part" / MARKER).write_text("written by prewarp\n")
    _write(tmp_path / "*")
    assert (tmp_path / ".a.x.part").exists() and (tmp_path / "*" / "whole.txt").exists()


def test_arrays_are_stored_without_the_time_of_day():
    """The same arrays give the same bytes tomorrow."""
    with zipfile.ZipFile(io.BytesIO(npz_bytes({"a": np.zeros(3)}))) as archive:
        (entry,) = archive.infolist()
    assert entry.date_time == (1980, 1, 1, 0, 0, 0)


def test_names_become_parts_of_file_names():
    assert file_stem("inner-2_G") == "inner-2_G"
    assert file_stem("../in ner:\u00e9") == "___in_ner__" and len(file_stem("x" * 100)) == 40


def test_no_two_names_become_one_file():
    names = ["in ner", "in:ner", "IN_NER", "\u5185", "\u5916", "in_ner-2", "y" * 41, "y" * 42]
    stems = file_stems(names)
    assert list(stems) == names and stems["in ner"] == "in_ner"
    assert len({stem.lower() for stem in stems.values()}) == len(names)
    assert all(stem.replace("-", "").replace("_", "").isalnum() or set(stem) <= set("_-0123456789")
               for stem in stems.values())  # fmt: skip
