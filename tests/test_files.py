"""Arrays in files, and names of files."""

import errno
import io
import os
import socket
import stat
import zipfile

import numpy as np
import pytest

from prewarp.cli.arguments import require_output_file
from prewarp.errors import InputFileError
from prewarp.files import file_stem, file_stems, npz_bytes, write_bytes
from prewarp.folders import output_folder
from tests.folder_trials import write_folder


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


@pytest.fixture
def special(tmp_path):
    """A pipe, a link to it, and a socket: like devices, they are no files that may be replaced."""
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "link").symlink_to("pipe")
    with socket.socket(socket.AF_UNIX) as one:
        here = os.getcwd()
        os.chdir(tmp_path)
        try:
            # Its name may be no longer than some hundred bytes.
            one.bind("socket")
        finally:
            os.chdir(here)
        yield tmp_path


@pytest.mark.parametrize("name", ["pipe", "link", "socket"])
def test_what_is_no_file_is_never_replaced(special, name):
    """`-o /dev/null` replaced the device by a file for whoever may write there."""
    before = os.lstat(special / name)
    for write in (lambda path: write_bytes(path, b"1"), require_output_file):
        with pytest.raises(InputFileError, match="a device, a pipe or a socket"):
            write(special / name)
    assert os.lstat(special / name) == before
    assert sorted(one.name for one in special.iterdir()) == ["link", "pipe", "socket"]


@pytest.mark.parametrize("mask", [0o077, 0o022, 0o002])
def test_who_may_read_what_is_written_is_the_user_s_to_say(tmp_path, mask):
    before = os.umask(mask)
    try:
        write_bytes(tmp_path / "one", b"1")
        write_folder(tmp_path / "folder", "text")
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "one").stat().st_mode) == 0o666 & ~mask
    assert stat.S_IMODE((tmp_path / "folder").stat().st_mode) == 0o777 & ~mask


def test_a_full_disk_says_which_file_it_has_no_room_for(tmp_path, monkeypatch):
    def full(handle):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("prewarp.files.os.fsync", full)
    with pytest.raises(OSError, match="No space") as told, output_folder(tmp_path / "out") as folder:
        write_bytes(folder / "table.csv", b"1")
    assert told.value.filename.endswith("table.csv") and not list(tmp_path.iterdir())
