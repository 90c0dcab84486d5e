"""Output folders: written beside their place, renamed when whole; what others put there is never removed.

A folder that this package wrote holds the marker `.prewarp`: which files it wrote, each with its SHA-256.
Whatever else lies there, or was changed since, is someone's own.
"""

import glob
import os
import re
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType
from typing import TextIO

from prewarp.errors import InputFileError
from prewarp.files import sha256_of_file

# Locks are known to POSIX systems alone; elsewhere abandoned folders stay.
fcntl: ModuleType | None
try:
    import fcntl
except ImportError:
    fcntl = None

MARKER = ".prewarp"
_HEAD = "written by prewarp; it may replace the files below, by SHA-256 and name, and nothing else here\n"
_LINE = re.compile(r"([0-9a-f]{64})  (.+)")
_MOST_MARKER_BYTES = 64 << 20
# How many things that lie in the way are named.
_NAMED = 5


def require_output_folder(path: Path, /) -> None:
    """Raise unless a folder can be written at `path` without losing anything that prewarp did not write.

    Call it before the work begins; `output_folder` asks again.

    Raises
    ------
    InputFileError
        A file stands there, or a folder with content that is not ours, or that was changed since; it is
        named.
    """
    if not path.exists() and not path.is_symlink():
        return
    if not path.is_dir():
        raise InputFileError(f"{path}: is a file; expected the name of a folder to write.", path=str(path))
    try:
        foreign = _foreign(path)
    except OSError as cause:
        raise InputFileError(
            f"{path}: what lies there cannot be read ({cause.strerror}). Name another output folder.",
            path=str(path),
        ) from cause
    if foreign:
        more = " and more" if len(foreign) > _NAMED else ""
        raise InputFileError(
            f"{path}: holds what prewarp did not write, or what was changed since: "
            f"{', '.join(foreign[:_NAMED])}{more}. Move it away, or name another output folder. Nothing was "
            "written or removed.",
            path=str(path),
        )


@contextmanager
def output_folder(path: Path, /) -> Iterator[Path]:
    """Yield a temporary folder beside `path`; rename it into place on success, remove it on any failure.

    An existing folder is replaced only if all that it holds was written by this package and not changed
    since (`require_output_folder`): asked before the work and again after it. Temporary folders of the same
    name whose writers were killed are removed first.
    """
    if path.is_symlink():
        path = path.resolve()
    require_output_folder(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    _remove_abandoned(path)
    working = Path(tempfile.mkdtemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent))
    try:
        with (working / MARKER).open("w", encoding="utf-8") as marker:
            # Locked before anything is written: who finds the marker filled and not locked finds an abandoned
            # folder.
            _try_lock(marker)
            marker.write(_HEAD)
            marker.flush()
            yield working
            for name, file in sorted(_files_in(working)):
                if name != MARKER:
                    marker.write(f"{sha256_of_file(file)}  {name}\n")
        os.chmod(working, 0o755)
        require_output_folder(path)
        _put_in_place(working, path)
    except BaseException:
        shutil.rmtree(working, ignore_errors=True)
        raise


def claim_work_folder(path: Path, /) -> None:
    """Make a folder at `path` in which results are kept from run to run, or take one up that is ours.

    Raises
    ------
    InputFileError
        A file stands there, or a folder that holds something and is not marked as written by this package.
    """
    if path.is_dir() and not (path / MARKER).is_file() and any(path.iterdir()):
        raise InputFileError(
            f"{path}: holds what prewarp did not write; results are kept there. Move it away, or name "
            "another output.",
            path=str(path),
        )
    if path.exists() and not path.is_dir():
        raise InputFileError(f"{path}: is a file; a folder for results is needed there.", path=str(path))
    path.mkdir(parents=True, exist_ok=True)
    if not (path / MARKER).is_file():
        (path / MARKER).write_text(_HEAD, encoding="utf-8")


def list_work_folder(path: Path, /) -> None:
    """Write into the marker of a work folder what it holds now."""
    listed = [f"{sha256_of_file(file)}  {name}\n" for name, file in sorted(_files_in(path)) if name != MARKER]
    (path / MARKER).write_text(_HEAD + "".join(listed), encoding="utf-8")


def _files_in(folder: Path) -> Iterator[tuple[str, Path]]:
    """Yield name within the folder (with /) and place of everything but folders that hold something."""
    for place, folders, files in os.walk(folder):
        inside = Path(place)
        linked = [one for one in folders if (inside / one).is_symlink()]
        for one in (*files, *linked):
            yield (inside / one).relative_to(folder).as_posix(), inside / one
        if not folders and not files and inside != folder:
            yield f"{inside.relative_to(folder).as_posix()}/", inside


def _foreign(folder: Path) -> list[str]:
    """Return names of what in a folder is not ours, as many as are told and one more."""
    found: list[str] = []
    if not (folder / MARKER).is_file():
        # Top level only: a mistyped name may stand for a whole disk.
        with os.scandir(folder) as entries:
            for entry in entries:
                found.append(f"{entry.name}/" if entry.is_dir(follow_symlinks=False) else entry.name)
                if len(found) > _NAMED:
                    break
        return sorted(found)
    written = _written(folder / MARKER)
    for name, file in _files_in(folder):
        if name != MARKER and not _is_ours(file, written.get(name)):
            found.append(name)
        if len(found) > _NAMED:
            break
    return sorted(found)


def _is_ours(file: Path, sha256: str | None) -> bool:
    return sha256 is not None and file.is_file() and not file.is_symlink() and sha256_of_file(file) == sha256


def _written(marker: Path) -> dict[str, str]:
    """Return what a marker lists: SHA-256 by name; nothing where it is no such list."""
    if marker.is_symlink() or marker.stat().st_size > _MOST_MARKER_BYTES:
        return {}
    lines = marker.read_text(encoding="utf-8", errors="replace").splitlines()
    found = (_LINE.fullmatch(line) for line in lines)
    return {one[2]: one[1] for one in found if one}


def _try_lock(stream: TextIO) -> bool:
    """Lock an open file until it is closed; False where another process, or the system, will not have it."""
    if fcntl is None:
        return False
    try:
        fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _remove_abandoned(path: Path) -> None:
    """Remove temporary folders for `path` that nobody works on any more."""
    for working in path.parent.glob(f".{glob.escape(path.name)}.*.part"):
        try:
            with (working / MARKER).open(encoding="utf-8") as marker:
                if _try_lock(marker) and marker.read(1):
                    shutil.rmtree(working, ignore_errors=True)
        # Not a folder of ours, or just gone: it is left alone.
        except OSError:
            continue


def _put_in_place(working: Path, path: Path) -> None:
    """Rename a finished folder to `path`; what was there moves aside first: a kill leaves no half of it."""
    if not path.exists():
        os.replace(working, path)
        return
    aside = Path(tempfile.mkdtemp(prefix=f".{path.name}.", suffix=".old", dir=path.parent))
    os.replace(path, aside)
    os.replace(working, path)
    shutil.rmtree(aside)
