"""A command runs in a process of its own while another watches over it.

The one that watches does nothing else, so it answers a signal at once, whatever the other is in: it ends all
processes of the command, removes what they had begun to write, and leaves by `exit` with 128 and the number
of the signal. It imports nothing large and has one thread, so the fork is safe and costs a millisecond or
two.
"""

import os
import select
import signal
import sys
import time
import warnings
from collections.abc import Callable, Iterator
from contextlib import suppress
from threading import Thread

from prewarp import leftovers

_SIGNALS = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))
# How long the processes of a stopped command may take to be gone, and to end by themselves, s.
_MOST_SECONDS, _OWN_SECONDS = 0.6, 0.2
# How often it is asked what there is: that takes time from those that are ending.
_LOOK_SECONDS = 0.1
# The name of what removes semaphores of processes that are gone; it ends when they are.
_TRACKER = b"multiprocessing.resource_tracker"
_PR_SET_CHILD_SUBREAPER = 36


def watch(work: Callable[[], object], /) -> None:
    """Run `work` in a new process and end as it ends; where processes cannot fork, run it in this one."""
    open_standard_streams()
    if not hasattr(os, "fork"):
        work()
        return
    # One that was started with a signal ignored (`nohup`) goes on ignoring it.
    obeyed = tuple(one for one in _SIGNALS if signal.getsignal(one) != signal.SIG_IGN)
    signal.pthread_sigmask(signal.SIG_BLOCK, obeyed)
    told, tell = os.pipe()
    alive, living = os.pipe()
    temporary = _temporary_folder()
    worker = os.fork()
    if worker == 0:
        os.close(told)
        os.close(living)
        _begin(tell, alive, temporary)
        signal.pthread_sigmask(signal.SIG_UNBLOCK, obeyed)
        work()
        return
    os.close(tell)
    os.close(alive)
    # `living` stays open as long as this process lives: the other waits for its end.
    # At once: what an interpreter does at its end would take as long as all else here.
    os._exit(_Watch(worker, told, temporary).end(obeyed))


def open_standard_streams() -> None:
    """Open what is closed of descriptors 0 to 2 on the null device, or a data file would take its number."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            opened = os.open(os.devnull, os.O_RDWR)
            if opened != number:
                os.dup2(opened, number)
                os.close(opened)
    for number, (name, mode) in enumerate((("stdin", "r"), ("stdout", "w"), ("stderr", "w"))):
        if getattr(sys, name) is None:
            setattr(sys, name, os.fdopen(number, mode, encoding="utf-8", closefd=False))


def _begin(tell: int, alive: int, temporary: str | None) -> None:
    """Make the new process one that is watched over."""
    # Ctrl-C reaches every process of a terminal: the one that watches ends the others.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    leftovers.tell_to(tell)
    if not sys.warnoptions:
        # Remarks of libraries about their own insides say nothing to who asked a command; errors do.
        warnings.simplefilter("ignore")
        os.environ.setdefault("PYTHONWARNINGS", "ignore")
    if temporary is not None:
        os.environ["TMPDIR"] = temporary

    def end_with_watcher() -> None:
        os.read(alive, 1)
        os._exit(1)

    Thread(target=end_with_watcher, daemon=True).start()


def _temporary_folder() -> str | None:
    """Make a folder for temporary files of this command and of the programs that it runs."""
    for base in (*(os.environ.get(name) for name in ("TMPDIR", "TEMP", "TMP")), "/tmp", "/var/tmp"):
        if base and os.path.isdir(base):
            path = os.path.join(os.path.abspath(base), f"prewarp-{os.urandom(8).hex()}")
            try:
                os.mkdir(path, 0o700)
            except OSError:
                continue
            return path
    return None


class _Watch:
    def __init__(self, worker: int, told: int, temporary: str | None) -> None:
        self._worker, self._told, self._temporary = worker, told, temporary
        self._unread = b""
        # What is to be removed: how it was told, and where it belongs if it is to be put back.
        self._begun: dict[bytes, tuple[bytes, bytes]] = {}

    def end(self, obeyed: tuple[int, ...]) -> int:
        """Wait for the end of the command, or for a signal; return the exit code."""
        number = self._wait(obeyed)
        if number is None:
            code = self._code
        else:
            _end_processes()
            code = 128 + number
        os.set_blocking(self._told, False)
        while self._listen():
            pass
        self._remove()
        if number is not None:
            _say("stopped.")
        elif code < 0:
            number, code = -code, 128 - code
            why = " Most likely there is not enough memory for this input." if number == 9 else ""
            _say(f"ended by signal {number} ({signal.Signals(number).name}).{why}")
        return code

    def _wait(self, obeyed: tuple[int, ...]) -> int | None:
        wake, wakes = os.pipe()
        for end in (wake, wakes):
            os.set_blocking(end, False)
        signal.set_wakeup_fd(wakes, warn_on_full_buffer=False)
        for one in (*obeyed, signal.SIGCHLD):
            signal.signal(one, lambda number, frame: None)
        signal.pthread_sigmask(signal.SIG_UNBLOCK, obeyed)
        sources = [self._told, wake]
        # It may have ended before its end could wake anybody.
        while not self._has_ended():
            ready, _, _ = select.select(sources, [], [])
            if self._told in ready and not self._listen():
                sources.remove(self._told)
            if wake in ready:
                for number in os.read(wake, 4096):
                    if number in obeyed:
                        return number
        return None

    def _has_ended(self) -> bool:
        ended, status = os.waitpid(self._worker, os.WNOHANG)
        if ended:
            self._code = os.waitstatus_to_exitcode(status)
        return bool(ended)

    def _listen(self) -> bool:
        """Take in what the command tells; False where there is no more."""
        try:
            data = os.read(self._told, 1 << 16)
        except BlockingIOError:
            return False
        parts = (self._unread + data).split(leftovers.END)
        # The last is what has not come whole.
        whole = (len(parts) - 1) // 2 * 2
        self._unread = leftovers.END.join(parts[whole:])
        for message, home in zip(parts[:whole:2], parts[1:whole:2], strict=True):
            if message.startswith(leftovers.DONE):
                self._begun.pop(message[1:], None)
            else:
                self._begun[message[1:]] = message[:1], home
        return bool(data)

    def _remove(self) -> None:
        for path, (kind, home) in reversed(self._begun.items()):
            if home and not os.path.lexists(home) and os.path.lexists(path):
                with suppress(OSError):
                    os.rename(path, home)
            elif kind == leftovers.BEGUN:
                _remove_all(path)
            else:
                with suppress(OSError):
                    os.rmdir(path)
        if self._temporary is not None:
            _remove_all(os.fsencode(self._temporary))


def _remove_all(path: bytes) -> None:
    with suppress(OSError):
        os.rmdir(path)
        return
    # Larger than all else here, and hardly ever needed.
    import shutil

    if os.path.isdir(path) and not os.path.islink(path):
        shutil.rmtree(path, ignore_errors=True)
    with suppress(OSError):
        os.unlink(path)


def _end_processes() -> None:
    """End all processes that this one has begun, and those that they have begun."""
    adopted = _adopt_orphans()
    # What stands still begins nothing new.
    stopped: set[int] = set()
    while new := {pid for pid, is_tracker in _family() if not is_tracker} - stopped:
        for pid in new:
            _signal(pid, signal.SIGSTOP)
        stopped |= new
    for pid in stopped:
        _signal(pid, signal.SIGKILL)
    start = look = time.monotonic()
    while (now := time.monotonic()) < start + _MOST_SECONDS and (_reap() or not adopted):
        if now >= look:
            look = now + _LOOK_SECONDS
            left = list(_family())
            if not left:
                return
            for pid, is_tracker in left:
                if not is_tracker or now > start + _OWN_SECONDS:
                    _signal(pid, signal.SIGKILL)
        time.sleep(0.002)


def _adopt_orphans() -> bool:
    """Become the parent of processes whose own parent ends (Linux); whether that was possible."""
    try:
        import ctypes

        return bool(ctypes.CDLL(None).prctl(_PR_SET_CHILD_SUBREAPER, 1, 0, 0, 0) == 0)
    except (ImportError, OSError, AttributeError):
        return False


def _reap() -> bool:
    """Take leave of children that have ended; False where none is left."""
    try:
        while os.waitpid(-1, os.WNOHANG)[0]:
            pass
    except ChildProcessError:
        return False
    return True


def _signal(pid: int, number: int) -> None:
    try:
        os.kill(pid, number)
    except (ProcessLookupError, PermissionError):
        return


def _family() -> Iterator[tuple[int, bool]]:
    """Yield what descends from this process and has not ended, and whether it is a tracker of semaphores."""
    if os.path.exists(f"/proc/self/task/{os.getpid()}/children"):
        for pid in _walked():
            yield pid, _is_tracker(pid)
        return
    left = dict(_parents_listed() if os.path.isdir("/proc/self") else _parents_asked())
    inside = {os.getpid()}
    while found := [pid for pid, parent in left.items() if parent in inside]:
        for pid in found:
            del left[pid]
            inside.add(pid)
            yield pid, _is_tracker(pid)


def _walked() -> Iterator[int]:
    """Yield all that descends from this process."""
    ahead = _children(os.getpid())
    while ahead:
        pid = ahead.pop()
        ahead += _children(pid)
        yield pid


def _children(pid: int) -> list[int]:
    """Return the children of a process that have not ended, as Linux lists them by thread."""
    found: list[int] = []
    try:
        for thread in os.listdir(f"/proc/{pid}/task"):
            with open(f"/proc/{pid}/task/{thread}/children", "rb") as stream:
                found += map(int, stream.read().split())
    except OSError:
        pass
    return [one for one in found if _parent(one) is not None]


def _parent(pid: int) -> int | None:
    """Return the parent of a process; None where it has ended."""
    try:
        with open(f"/proc/{pid}/stat", "rb") as stream:
            # The name of the program stands in brackets, and may hold brackets and spaces.
            state, parent = stream.read().rpartition(b")")[2].split()[:2]
    except OSError:
        return None
    return None if state in (b"Z", b"X") else int(parent)


def _parents_listed() -> Iterator[tuple[int, int]]:
    for name in os.listdir("/proc"):
        if name.isdigit() and (parent := _parent(int(name))) is not None:
            yield int(name), parent


def _parents_asked() -> Iterator[tuple[int, int]]:
    import subprocess

    asked = subprocess.run(["ps", "-A", "-o", "pid=,ppid=,stat="], capture_output=True, check=False)
    for line in asked.stdout.splitlines():
        pid, parent, state = line.split()[:3]
        if not state.startswith(b"Z"):
            yield int(pid), int(parent)


def _is_tracker(pid: int) -> bool:
    try:
        with open(f"/proc/{pid}/cmdline", "rb") as stream:
            return _TRACKER in stream.read(4096)
    except OSError:
        return False


def _say(text: str) -> None:
    # A bar that was cut off: its line is cleared, and the cursor, which it hides, shown again.
    clear = "\r\x1b[K\x1b[?25h" if os.isatty(2) else ""
    try:
        os.write(2, f"{clear}prewarp: {text}\n".encode())
    except OSError:
        return
