"""How much memory there is, asked before work that needs much of it."""

from contextlib import suppress
from pathlib import Path
from types import ModuleType

from prewarp.errors import PrewarpError

# POSIX systems alone have such limits.
resource: ModuleType | None
try:
    import resource
except ImportError:
    resource = None

_PROCESSES, _OWN, _GROUP = Path("/proc/meminfo"), Path("/proc/self/statm"), Path("/sys/fs/cgroup")
GIGABYTE = 1e9
# Interpreter and libraries of a process that works, by measurement.
PROGRAM_BYTES = 130e6
# Addresses of libraries, of threads and of their heaps, most of them never used, by measurement.
_LIBRARIES_BYTES = 550e6


def available_bytes() -> int | None:
    """Return how much memory this process may still take; None where the system does not tell."""
    found = []
    try:
        lines = dict(line.split(":", 1) for line in _PROCESSES.read_text(encoding="ascii").splitlines())
        found.append(1024 * int(lines["MemAvailable"].split()[0]))
    except (OSError, ValueError, KeyError):
        pass
    # The limit of the container, where there is one (Linux, control groups of version 2).
    try:
        most, taken = (int((_GROUP / name).read_text()) for name in ("memory.max", "memory.current"))
        found.append(most - taken)
    except (OSError, ValueError):
        pass
    if (left := _addresses_left()) is not None:
        found.append(left)
    return max(min(found), 0) if found else None


def _addresses_left() -> int | None:
    """Return how many addresses the shell leaves to this process (`ulimit -v`); None without a limit.

    Memory is a part of them.
    """
    if resource is None:
        return None
    most = int(resource.getrlimit(resource.RLIMIT_AS)[0])
    if most == resource.RLIM_INFINITY:
        return None
    taken = 0
    with suppress(OSError, ValueError):
        taken = int(_OWN.read_text(encoding="ascii").split()[0]) * int(resource.getpagesize())
    return max(most - taken, 0)


def require_addresses(needed_bytes: float = _LIBRARIES_BYTES, what: str = "libraries alone", /) -> None:
    """Raise `PrewarpError` where the shell leaves fewer addresses than `what` takes beside any work.

    Libraries are not written to end well there: some die of a signal, some wait for ever.
    """
    left = _addresses_left()
    if left is not None and left < needed_bytes:
        raise PrewarpError(
            f"the shell leaves {left / GIGABYTE:.3g} GB of addresses (ulimit -v); {what} take "
            f"{needed_bytes / GIGABYTE:.3g} GB. Allow more."
        )


def require_memory(needed_bytes: float, what: str, mend: str, /) -> None:
    """Raise `PrewarpError` where work needs more memory than there is: what it is, and how to mend it."""
    free = available_bytes()
    if free is not None and needed_bytes > free:
        raise PrewarpError(
            f"{what} needs about {needed_bytes / GIGABYTE:.3g} GB of memory; {free / GIGABYTE:.3g} GB are "
            f"free. {mend}"
        )


def processes_within_memory(
    asked: int | None, most: int, /, *, each_bytes: float, what: str, mend: str, beside_bytes: float = 0.0
) -> int:
    """Return how many processes to work with, `most` at most: those asked for, else those that memory holds.

    `each_bytes`: what one of them takes, its libraries (`PROGRAM_BYTES`) included; `beside_bytes`: what this
    one will take besides.

    Raises
    ------
    PrewarpError
        Those asked for, or even one, need more memory than there is: what it is, and how to mend it.
    """
    free = available_bytes()
    room = most if free is None else max(int((free - beside_bytes) // each_bytes), 0)
    count = max(min(most, room if asked is None else asked), 1)
    if count == 1:
        require_memory(each_bytes + beside_bytes, what, mend)
        return count
    fewer = f"Give --jobs {room}{' or less' if room > 1 else ''}." if room else mend
    require_memory(count * each_bytes + beside_bytes, f"{what} in {count} processes", fewer)
    return count
