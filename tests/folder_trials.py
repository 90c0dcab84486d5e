"""Writers of one output folder that are killed before any of their file events, or that run side by side.

A writer is a fork of this process that ends at once by SIGKILL before its n-th event: whatever Python tells
its audit hooks about files, folders, names and calls into C (the exchange of names is one).
"""

import os
import signal
import sys

from prewarp import renaming
from prewarp.folders import MARKER, output_folder

_EVENTS = ("open", "os.", "shutil.", "fcntl.", "ctypes.dlsym", "ctypes.call_function", "tempfile.", "glob.")


def write_folder(path, text, files=3):
    """Write a folder whose files all hold a text."""
    with output_folder(path) as working:
        (working / "deep").mkdir()
        for number in range(files):
            (working / "deep" / f"{number}.txt").write_text(text)


def content(path):
    """Return the text that a whole folder holds, or None where there is no folder; anything else raises."""
    if not path.exists():
        return None
    found = {one.relative_to(path).as_posix(): one.read_text() for one in path.rglob("*") if one.is_file()}
    listed = [line[66:] for line in found.pop(MARKER).splitlines()[1:]]
    assert listed == sorted(found) and listed, f"half a folder: {sorted(found)}, listed {listed}"
    (text,) = set(found.values())
    return text


def forked(work):
    """Run a function in a fork of this process; return its process id."""
    child = os.fork()
    if child == 0:
        try:
            work()
        except BaseException as cause:
            os.write(2, f"{cause!r}\n".encode())
            os._exit(1)
        os._exit(0)
    return child


def killed_at(event, work):
    """Run a function in a fork that is killed before its event of this number; True where it came so far."""

    def counted():
        left = [event]

        def hook(name, arguments):
            if name.startswith(_EVENTS):
                left[0] -= 1
                if left[0] == 0:
                    os.kill(os.getpid(), signal.SIGKILL)

        sys.addaudithook(hook)
        work()

    _, status = os.waitpid(forked(counted), 0)
    code = os.waitstatus_to_exitcode(status)
    assert code in (0, -signal.SIGKILL)
    return code != 0


def kill_everywhere(folder, *, replacing, exchanging):
    """Kill a writer before each of its events; return how many there are.

    After each kill the old folder or the new one is there and whole (without exchange: after the next run, or
    none), and after the next run nothing else is.
    """
    plain = renaming.exchange
    renaming.exchange = plain if exchanging else lambda one, other: False
    try:
        event = 0
        while True:
            event += 1
            place = folder / f"{replacing}{exchanging}{event}"
            place.mkdir()
            if replacing:
                write_folder(place / "out", "old")
            if not killed_at(event, lambda place=place: write_folder(place / "out", "new")):
                return event - 1
            found = content(place / "out")
            allowed = {"old", "new"} if replacing else {None, "new"}
            assert found in (allowed if exchanging else allowed | {None}), f"{found} after event {event}"
            # The next run, one that ends before its work is done: what was there is there again.
            try:
                with output_folder(place / "out"):
                    raise KeyboardInterrupt
            except KeyboardInterrupt:
                assert content(place / "out") in allowed, f"after event {event} and another run"
            assert {one.name for one in place.iterdir()} <= {"out"}, f"left after event {event}"
            write_folder(place / "out", "next")
            assert content(place / "out") == "next" and [one.name for one in place.iterdir()] == ["out"]
    finally:
        renaming.exchange = plain


def race(place, number):
    """Let two writers write one name at the same time; one of them is there, whole, and nothing else."""
    texts = [f"{number}a", f"{number}b"]
    children = [forked(lambda text=text: write_folder(place / "out", text)) for text in texts]
    for child in children:
        assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
    assert content(place / "out") in texts
    assert [one.name for one in place.iterdir()] == ["out"]
