"""A command that is stopped by a signal, and what it leaves: processes, files, its exit status."""

import os
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

PROGRAM = (sys.executable, "-m", "prewarp")
# Tells processes of one trial from all others: those that it begins inherit it.
_MARK = "PREWARP_TRIAL"


@dataclass(frozen=True)
class Stopped:
    """How long it took, s; the exit status (negative: died of a signal); what is left; what was said."""

    seconds: float
    status: int
    processes: tuple[str, ...]
    files: tuple[str, ...]
    said: str


def begun(command, folder, /, *, temporary):
    """Begin a command in a folder, with a folder for temporary files, and return its process."""
    environment = {**os.environ, "TMPDIR": str(temporary), _MARK: str(temporary)}
    return subprocess.Popen(
        command,
        cwd=folder,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        # A shell that begins the tests in the background has INT ignored in every process below it.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )


def stopped(process, number, folder, before, /, *, temporary):
    """Send a signal to a process and wait for its end; `before`: what lay in the folder when it began."""
    start = time.monotonic()
    process.send_signal(number)
    try:
        _, said = process.communicate(timeout=60)
    except subprocess.TimeoutExpired:
        process.kill()
        raise
    seconds = time.monotonic() - start
    left = sorted(contents(folder) - before) + sorted(contents(temporary))
    return Stopped(seconds, process.returncode, tuple(processes_of(temporary)), tuple(left), said)


def contents(folder):
    """Return the names of all that lies in a folder."""
    return {path.relative_to(folder).as_posix() for path in Path(folder).rglob("*")}


def processes_of(temporary):
    """Yield command lines of processes, not yet ended, that a trial began."""
    mark = f"{_MARK}={temporary}".encode()
    for place in Path("/proc").glob("[0-9]*"):
        try:
            state = (place / "stat").read_text().rpartition(")")[2].split()[0]
            if state not in "ZX" and mark in (place / "environ").read_bytes().split(b"\0"):
                yield (place / "cmdline").read_bytes().replace(b"\0", b" ").decode()
        except OSError:
            continue


SIGNALS = (signal.SIGINT, signal.SIGTERM)
