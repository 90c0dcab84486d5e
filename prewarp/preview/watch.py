"""Files that change while they are in use: noticed by time and size, a few times a second."""

from collections.abc import Iterable
from pathlib import Path

from prewarp.resources import resource_folder

POLL_SECONDS = 0.5


class Watch:
    """Notices when one of some files, or a file in one of some folders, is not what it was."""

    def __init__(self, paths: Iterable[Path], /) -> None:
        self._paths = tuple(paths)
        self._seen = self._marks()
        self._due = 0.0

    def changed(self, now_s: float, /) -> bool:
        """Return True once after a change; looks at the disk every `POLL_SECONDS` at most."""
        if now_s < self._due:
            return False
        self._due = now_s + POLL_SECONDS
        marks = self._marks()
        if marks == self._seen:
            return False
        self._seen = marks
        return True

    def _marks(self) -> dict[str, tuple[int, int]]:
        marks = {}
        for path in self._paths:
            for file in sorted(path.iterdir()) if path.is_dir() else [path]:
                try:
                    status = file.stat()
                except OSError:
                    # Between the writer's delete and rename; the next look sees the new file.
                    continue
                marks[str(file)] = (status.st_mtime_ns, status.st_size)
        return marks


def shader_folder() -> Path:
    """Return the folder whose files make the shaders."""
    return resource_folder("shaders")
