"""Output folders: what killed writers leave behind, what is replaced, and what is never removed."""

import errno
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from prewarp import renaming
from prewarp.errors import InputFileError
from prewarp.files import remove_abandoned_files, try_lock
from prewarp.folders import MARKER, list_work_folder, output_folder
from tests.folder_trials import kill_everywhere, race

_HELD = """
import sys, time
from pathlib import Path
from prewarp.folders import output_folder
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
    for name in (".out.1.part", ".out.2.part", ".out.3.old"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "mine.txt").write_text("keep me")
    (tmp_path / ".out.2.part" / MARKER).write_text("another's mark\n")
    _write(tmp_path / "out")
    for name in (".out.1.part", ".out.2.part", ".out.3.old"):
        assert (tmp_path / name / "mine.txt").exists()


def test_a_name_with_wildcards_matches_itself_alone(tmp_path):
    (tmp_path / ".a.x.part").mkdir()
    (tmp_path / ".a.x.part" / MARKER).write_text("written by prewarp\n")
    _write(tmp_path / "*")
    assert (tmp_path / ".a.x.part").exists() and (tmp_path / "*" / "whole.txt").exists()


def content_of(folder):
    return {
        one.relative_to(folder).as_posix(): one.read_bytes() for one in folder.rglob("*") if one.is_file()
    }


def refused(folder, *names):
    """Begin to write a folder: no work is done, the things in the way are named, all stays as it was."""
    before, beside = content_of(folder), sorted(folder.parent.iterdir())
    with (
        pytest.raises(InputFileError, match="holds what prewarp did not write") as told,
        output_folder(folder),
    ):
        pytest.fail("the work began")
    for name in names:
        assert name in str(told.value)
    assert content_of(folder) == before and sorted(folder.parent.iterdir()) == beside


def test_what_was_written_is_replaced_and_nothing_is_left_of_it(tmp_path):
    folder = tmp_path / "out"
    with output_folder(folder) as working:
        (working / "deep" / "er").mkdir(parents=True)
        (working / "deep" / "er" / "old.bin").write_bytes(bytes(range(256)))
    _write(folder)
    assert sorted(content_of(folder)) == [MARKER, "whole.txt"] and not (folder / "deep").exists()
    # A file of ours that is gone stands in nobody's way; nor does an empty folder.
    (folder / "whole.txt").unlink()
    _write(folder)
    (tmp_path / "empty").mkdir()
    _write(tmp_path / "empty")
    assert content_of(tmp_path / "empty") == content_of(folder)


def test_what_others_put_there_is_never_removed(tmp_path):
    folder = tmp_path / "out"
    _write(folder)
    (folder / "film").mkdir()
    (folder / "film" / "frame_00000.png").write_bytes(b"a film")
    (folder / "notes.txt").write_text("my notes")
    refused(folder, "film/frame_00000.png", "notes.txt", str(folder))


@pytest.mark.parametrize("kind", ["changed", "empty folder", "link", "link in place of ours", "old marker"])
def test_other_things_that_are_not_ours(tmp_path, kind):
    folder, name = tmp_path / "out", "whole.txt"
    _write(folder)
    if kind == "changed":
        (folder / name).write_text("whole, and more by hand")
    elif kind == "empty folder":
        name = "later/"
        (folder / "later").mkdir()
    elif kind == "link":
        name = "there"
        (folder / "there").symlink_to(tmp_path)
    elif kind == "link in place of ours":
        (tmp_path / "same.txt").write_bytes((folder / name).read_bytes())
        (folder / name).unlink()
        (folder / name).symlink_to(tmp_path / "same.txt")
    else:
        # Earlier versions kept no list.
        (folder / MARKER).write_text("written by prewarp; may be replaced by it\n")
    refused(folder, name)


def test_a_folder_of_another_hand_is_told_by_its_top_level(tmp_path):
    folder = tmp_path / "home"
    for number in range(9):
        (folder / f"d{number}" / "deep").mkdir(parents=True)
    refused(folder, "/, ", " and more")
    (tmp_path / "file").write_text("mine")
    with pytest.raises(InputFileError, match="is a file; expected the name of a folder"):
        _write(tmp_path / "file")
    assert (tmp_path / "file").read_text() == "mine"


def test_what_comes_while_the_work_goes_on_is_kept(tmp_path):
    folder = tmp_path / "out"
    _write(folder)
    with pytest.raises(InputFileError, match=r"late\.txt"), output_folder(folder):
        (folder / "late.txt").write_text("just now")
    assert (folder / "late.txt").read_text() == "just now" and (folder / "whole.txt").exists()
    assert [one.name for one in tmp_path.iterdir()] == ["out"]


def test_a_link_to_a_folder_is_followed(tmp_path):
    _write(tmp_path / "real")
    (tmp_path / "link").symlink_to(tmp_path / "real")
    with output_folder(tmp_path / "link") as working:
        (working / "new.txt").write_text("new")
    assert (tmp_path / "link").is_symlink() and (tmp_path / "real" / "new.txt").exists()


def test_the_same_work_gives_the_same_marker(tmp_path):
    for name in ("one", "two"):
        _write(tmp_path / name)
    assert (tmp_path / "one" / MARKER).read_bytes() == (tmp_path / "two" / MARKER).read_bytes()


@pytest.mark.skipif(sys.platform != "linux", reason="names are exchanged on Linux alone")
@pytest.mark.parametrize("exchanging", [True, False])
@pytest.mark.parametrize("replacing", [False, True])
def test_a_kill_before_any_file_event_leaves_the_old_or_the_new_one(tmp_path, replacing, exchanging):
    """Larger folders, and 2,000 races, in `tests.long.folder_trials`."""
    assert kill_everywhere(tmp_path, replacing=replacing, exchanging=exchanging) > 20


@pytest.mark.skipif(sys.platform == "win32", reason="no file locks that end with their process")
def test_of_two_writers_of_one_name_one_is_left(tmp_path):
    for number in range(40):
        place = tmp_path / str(number // 10)
        place.mkdir(exist_ok=True)
        race(place, number)


def test_a_rename_that_fails_leaves_what_was_there(tmp_path, monkeypatch):
    _write(tmp_path / "out")
    rename, calls = os.rename, []

    def second_fails(one, other):
        calls.append(one)
        if len(calls) == 2:
            raise OSError(errno.EIO, "no")
        rename(one, other)

    monkeypatch.setattr(renaming, "exchange", lambda one, other: False)
    monkeypatch.setattr(renaming.os, "rename", second_fails)
    with pytest.raises(OSError, match="no"), output_folder(tmp_path / "out") as working:
        (working / "new.txt").write_text("new")
    assert sorted(content_of(tmp_path / "out")) == [MARKER, "whole.txt"] and len(calls) == 3
    assert [one.name for one in tmp_path.iterdir()] == ["out"]


def test_places_where_no_folder_can_stand_are_told_before_the_work(tmp_path, monkeypatch):
    def told(path, words):
        with pytest.raises(InputFileError, match=words), output_folder(path):
            pytest.fail("the work began")

    (tmp_path / "file").write_text("mine")
    told(tmp_path / "file" / "out", "is a file, not a folder")
    (tmp_path / "link").symlink_to(tmp_path / "file")
    told(tmp_path / "link", "is a file; expected")
    (tmp_path / "round").symlink_to(tmp_path / "round")
    told(tmp_path / "round", "leads nowhere")
    told(Path("/"), "is the top of a disk, which cannot be replaced")
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    told(Path("."), "is the folder that you are in")
    told(tmp_path, "is the folder that you are in, or holds it")
    assert sorted(one.name for one in tmp_path.iterdir()) == ["file", "here", "link", "round"]


def test_a_link_to_a_folder_that_is_not_there_yet_is_followed(tmp_path):
    (tmp_path / "link").symlink_to(tmp_path / "deep" / "real")
    _write(tmp_path / "link")
    assert (tmp_path / "link").is_symlink() and (tmp_path / "deep" / "real" / "whole.txt").exists()


def test_folders_made_on_the_way_go_with_work_that_fails(tmp_path):
    with pytest.raises(ZeroDivisionError), output_folder(tmp_path / "a" / "b" / "out"):
        raise ZeroDivisionError
    assert not list(tmp_path.iterdir())
    _write(tmp_path / "a" / "b" / "out")
    assert (tmp_path / "a" / "b" / "out" / "whole.txt").exists()


def test_a_file_that_a_killed_writer_left_goes_with_the_next(tmp_path):
    left, held, other = (tmp_path / f".{name}.part" for name in ("a.npz.1", "a.npz.2", "b.npz.1"))
    for one in (left, held, other):
        one.write_bytes(b"half")
    with held.open() as stream:
        assert try_lock(stream)
        remove_abandoned_files(tmp_path / "a.npz")
    assert not left.exists() and held.exists() and other.exists()


def test_an_empty_folder_in_a_work_folder_is_not_listed(tmp_path):
    (tmp_path / "kept.txt").write_text("kept")
    (tmp_path / "empty").mkdir()
    list_work_folder(tmp_path)
    text = (tmp_path / MARKER).read_text()
    assert "kept.txt" in text and "empty" not in text
