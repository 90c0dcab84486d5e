"""Commands that are stopped: nothing runs on, nothing is left, and the status is that of an exit."""

import os
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from prewarp import leftovers
from prewarp.watching import _Watch
from tests.stopping import begun, contents, processes_of, stopped

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork here: commands run by themselves")

# What a command may be in when the signal comes. Each says "ready" and would go on for a minute or more.
_SCRIPT = """
import re, subprocess, sys, time
from pathlib import Path
from prewarp.watching import watch

def ready():
    print("ready", flush=True)

def hold(path):
    from prewarp.leftovers import removed_if_stopped
    with removed_if_stopped(Path(path)):
        Path(path).write_text("half")
        Path(path + ".begun").touch()
        time.sleep(90)

def work():
    kind, folder = sys.argv[1:]
    if kind == "locked interpreter":
        ready()
        # One call of the regular expressions' C code, which lets no other thread run.
        re.match("(a?){60}b", "a" * 60)
    elif kind.endswith("processes"):
        from contextlib import nullcontext
        from prewarp.processes import imported_ahead, worker_pool
        ahead = imported_ahead("decimal") if kind == "copied processes" else nullcontext()
        with ahead, worker_pool(2) as pool:
            jobs = [pool.submit(hold, f"{folder}/{number}") for number in range(2)]
            while len(list(Path(folder).glob("*.begun"))) < 2:
                time.sleep(0.01)
            for one in Path(folder).glob("*.begun"):
                one.unlink()
            ready()
            [job.result() for job in jobs]
    elif kind == "program":
        import tempfile
        with tempfile.TemporaryDirectory():
            subprocess.run(["sh", "-c", "echo ready; sleep 90 & wait"])
    elif kind == "folder":
        from prewarp.folders import output_folder
        with output_folder(Path(folder) / "new" / "er" / "out") as working:
            (working / "half").write_text("half")
            ready()
            time.sleep(90)
    elif kind == "ends while another imports":
        from prewarp import processes
        from prewarp.processes import imported_ahead
        with imported_ahead("scipy.stats"):
            assert processes._method == ("forkserver" if len(folder) < 60 else "spawn")
            sys.exit(7)
    elif kind == "ends":
        Path(folder, "whole").write_text("whole")
        sys.exit(7)

if __name__ == "__main__":
    watch(work)
"""


@pytest.fixture
def place():
    """Folders to work in and for temporary files, and the script beside; names short enough for sockets."""
    with tempfile.TemporaryDirectory() as name:
        path = Path(name)
        for folder in ("work", "temporary"):
            (path / folder).mkdir()
        (path / "script.py").write_text(_SCRIPT)
        yield path


@pytest.mark.parametrize(
    ("kind", "number"),
    [
        ("locked interpreter", signal.SIGINT),
        ("processes", signal.SIGTERM),
        ("copied processes", signal.SIGINT),
        ("program", signal.SIGINT),
        ("folder", signal.SIGTERM),
    ],
)
def test_a_signal_ends_all_at_once(place, kind, number):
    command = [sys.executable, str(place / "script.py"), kind, str(place / "work")]
    process = begun(command, place, temporary=place / "temporary")
    assert process.stdout.readline() == "ready\n"
    found = stopped(process, number, place / "work", set(), temporary=place / "temporary")
    assert found.status == 128 + number and found.said == "prewarp: stopped.\n"
    assert found.processes == () and found.files == ()
    # What it was in takes a minute or more; the figures are those of `tests.long.stopping`.
    assert found.seconds < 20.0


@pytest.mark.parametrize("kind", ["processes", "copied processes"])
def test_the_end_of_the_watcher_is_the_end_of_all(place, kind):
    command = [sys.executable, str(place / "script.py"), kind, str(place / "work")]
    process = begun(command, place, temporary=place / "temporary")
    assert process.stdout.readline() == "ready\n"
    found = stopped(process, signal.SIGKILL, place / "work", set(), temporary=place / "temporary")
    assert found.status == -signal.SIGKILL
    # Its pipes are closed when the last of its processes has ended: `communicate` waited for that.
    assert found.processes == () and found.seconds < 20.0


def test_an_end_of_its_own_is_passed_on(place):
    command = [sys.executable, str(place / "script.py"), "ends", str(place / "work")]
    process = begun(command, place, temporary=place / "temporary")
    assert process.communicate(timeout=60) == ("", "") and process.returncode == 7
    assert contents(place / "work") == {"whole"} and not contents(place / "temporary")


@pytest.mark.parametrize("name", ["work", "long" * 40])
def test_what_imports_ahead_ends_with_the_command(place, name):
    """Where the folder for temporary files has a name too long for a socket, nothing is imported ahead."""
    temporary = place / name
    temporary.mkdir(exist_ok=True)
    command = [sys.executable, str(place / "script.py"), "ends while another imports", str(temporary)]
    process = begun(command, place, temporary=temporary)
    assert process.communicate(timeout=60) == ("", "") and process.returncode == 7
    assert not [one for one in processes_of(temporary) if "forkserver" in one]


def test_a_command_that_is_killed_is_told(place):
    command = [sys.executable, str(place / "script.py"), "folder", str(place / "work")]
    process = begun(command, place, temporary=place / "temporary")
    assert process.stdout.readline() == "ready\n"
    children = f"/proc/{process.pid}/task/{process.pid}/children"
    with open(children, encoding="ascii") as stream:
        os.kill(int(stream.read().split()[0]), signal.SIGKILL)
    _, said = process.communicate(timeout=60)
    assert process.returncode == 137 and "ended by signal 9 (SIGKILL). Most likely" in said
    assert not contents(place / "work") and not contents(place / "temporary")


def test_closed_standard_streams_are_opened_on_nothing(place):
    """Else the first file that is opened gets the number of a stream, and what is said goes into it."""
    script = (
        "import os\nfrom prewarp.watching import open_standard_streams\nopen_standard_streams()\n"
        "import sys\nprint('out'); print('err', file=sys.stderr); assert sys.stdin.read() == ''\n"
        f"number = os.open({str(place / 'data')!r}, os.O_CREAT | os.O_WRONLY)\n"
        "os._exit(0 if number > 2 else 1)\n"
    )
    (place / "streams.py").write_text(script)
    done = subprocess.run(
        ["sh", "-c", f"exec {sys.executable} {place / 'streams.py'} <&- >&- 2>&-"], check=False, timeout=60
    )
    assert done.returncode == 0 and (place / "data").read_bytes() == b""


def test_a_module_that_is_run_is_the_program(place):
    done = subprocess.run(
        [sys.executable, "-m", "prewarp", "check", "no.csv"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2 and done.stderr.count("prewarp: no.csv: ") == 1


def test_what_was_moved_aside_is_put_back_where_nothing_else_has_its_name(tmp_path):
    """What a stopped command had told of: a folder that stood in its way, and one that came of its work."""
    for name in ("aside", "other aside", "other", "begun"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "file").write_text(name)
    watch = _Watch(0, 0, None)
    home, other = (os.fsencode(tmp_path / name) for name in ("home", "other"))
    watch._begun = {
        os.fsencode(tmp_path / "aside"): (leftovers.BEGUN, home),
        os.fsencode(tmp_path / "other aside"): (leftovers.BEGUN, other),
        os.fsencode(tmp_path / "begun"): (leftovers.BEGUN, b""),
    }
    watch._remove()
    found = {path.parent.name: path.read_text() for path in tmp_path.rglob("file")}
    assert found == {"home": "aside", "other": "other"}
