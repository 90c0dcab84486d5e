"""Output folders: written beside their place, renamed when whole; what others put there is never removed.

A folder that this package wrote holds the marker `.prewarp`: which files it wrote, each with its SHA-256.
Whatever else lies there, or was changed since, is someone's own.
"""

import glob
import os
import re
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

from prewarp.errors import InputFileError
from prewarp.files import LOCKS_ARE_KNOWN, remove_abandoned_files, sha256_of_file, try_lock, write_text
from prewarp.leftovers import removed_if_stopped
from prewarp.renaming import OLD, locked_folder, put_in_place, remove_folder

MARKER = ".prewarp"
_HEAD = "written by prewarp; it may replace the files below, by SHA-256 and name, and nothing else here\n"
_PART = ".part"
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
        named. A link that leads nowhere to write, a place where nothing may be written, the folder that one
        is in.
    """
    place = _resolved(path)
    _require_place(path, place)
    if place.exists():
        # Not while another writer exchanges it: its list would be read of one and its files of the other.
        with locked_folder(place.parent):
            _require_ours(path, place)


def _require_ours(path: Path, place: Path) -> None:
    if not place.exists():
        return
    if not place.is_dir():
        raise InputFileError(f"{path}: is a file; expected the name of a folder to write.", path=str(path))
    try:
        foreign = _foreign(place)
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


def _resolved(path: Path) -> Path:
    """Return where a path leads, links followed."""
    try:
        return path.resolve()
    except (OSError, RuntimeError) as cause:
        raise InputFileError(
            f"{path}: leads nowhere ({getattr(cause, 'strerror', None) or cause}). Name another output "
            "folder.",
            path=str(path),
        ) from cause


def _require_place(path: Path, place: Path) -> None:
    """Raise where no folder can be given its name, or taken from it."""
    if place.exists() and (os.path.ismount(place) or Path.cwd().is_relative_to(place)):
        what = "the top of a disk" if os.path.ismount(place) else "the folder that you are in, or holds it"
        raise InputFileError(
            f"{path}: is {what}, which cannot be replaced. Name a folder inside it.", path=str(path)
        )
    above = next(one for one in place.parents if one.exists())
    if not above.is_dir() or not os.access(above, os.W_OK | os.X_OK):
        why = "no folder may be made there" if above.is_dir() else "is a file, not a folder"
        raise InputFileError(f"{path}: {above}: {why}. Name another output folder.", path=str(path))


@contextmanager
def output_folder(path: Path, /) -> Iterator[Path]:
    """Yield a temporary folder beside `path`; give it that name on success, remove it on any failure.

    An existing folder is replaced only if all that it holds was written by this package and not changed
    since (`require_output_folder`): asked before the work and again after it. It is replaced in one step
    where the system can (`renaming`). What writers of the same name left when they were killed is removed
    first, or put back where they had moved it aside.
    """
    require_output_folder(path)
    path = _resolved(path)
    working = path.with_name(f".{path.name}.{os.urandom(6).hex()}{_PART}")
    with _parents_of(path), removed_if_stopped(working):
        try:
            # Made and locked under the lock of the folder around, so nobody takes it for an abandoned one.
            with locked_folder(path.parent) as alone:
                _mend(path, alone)
                working.mkdir()
                marker = (working / MARKER).open("w", encoding="utf-8")
                try_lock(marker)
                marker.write(_HEAD)
                marker.flush()
            # Locked until the folder has its name.
            with marker:
                yield working
                for name, file in sorted(_files_in(working)):
                    if name != MARKER:
                        marker.write(f"{sha256_of_file(file)}  {name}\n")
                marker.flush()
                if LOCKS_ARE_KNOWN:
                    _put_in_place(working, path)
            if not LOCKS_ARE_KNOWN:
                # There a folder with an open file cannot be renamed.
                _put_in_place(working, path)
        except BaseException:
            remove_folder(working, marker=MARKER)
            raise


def _put_in_place(working: Path, path: Path) -> None:
    with locked_folder(path.parent):
        _require_ours(path, path)
        put_in_place(working, path, marker=MARKER)


@contextmanager
def _parents_of(path: Path) -> Iterator[None]:
    """Make the folders that `path` lies in; those that were not there go again where nothing came of it."""
    made = [one for one in path.parents if not one.exists()]
    with ExitStack() as told:
        for one in reversed(made):
            told.enter_context(removed_if_stopped(one, while_empty=True))
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            yield
        except BaseException:
            for one in made:
                with suppress(OSError):
                    one.rmdir()
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
        write_text(path / MARKER, _HEAD)
    for _, file in list(_files_in(path)):
        if file.name.endswith(_PART):
            remove_abandoned_files(file.with_name(file.name[1:].rpartition(".")[0].rpartition(".")[0]))


def list_work_folder(path: Path, /) -> None:
    """Write into the marker of a work folder what it holds now."""
    held = [
        (name, file) for name, file in sorted(_files_in(path)) if name != MARKER and not name.endswith("/")
    ]
    listed = [f"{sha256_of_file(file)}  {name}\n" for name, file in held]
    write_text(path / MARKER, _HEAD + "".join(listed))


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


def _mend(path: Path, alone: bool) -> None:
    """Remove temporary folders for `path` that nobody works on any more; put back what was moved aside.

    `alone`: nobody else is making or renaming one now.
    """
    if not LOCKS_ARE_KNOWN:
        return
    for aside in _beside(path, OLD) if alone else ():
        if not path.exists() and _is_abandoned(aside, alone):
            with suppress(OSError):
                os.rename(aside, path)
        else:
            _remove_if_abandoned(aside, alone)
    for working in _beside(path, _PART):
        _remove_if_abandoned(working, alone)


def _remove_if_abandoned(folder: Path, alone: bool) -> None:
    if _is_abandoned(folder, alone):
        remove_folder(folder, marker=MARKER)
    elif alone:
        # Its writer was killed before it held anything; one that holds something is not removed by this.
        with suppress(OSError):
            folder.rmdir()


def _beside(path: Path, ending: str) -> Iterator[Path]:
    return path.parent.glob(f".{glob.escape(path.name)}.*{ending}")


def _is_abandoned(folder: Path, alone: bool) -> bool:
    """Whether a folder is marked as ours, and its marker not locked by whoever works on it."""
    try:
        with (folder / MARKER).open(encoding="utf-8") as marker:
            # Who begins locks it first and then writes; with nobody beginning now an empty one is dead.
            head = marker.read(len(_HEAD)) if try_lock(marker) else "locked"
    # Not a folder of ours, or just gone: it is left alone.
    except (OSError, UnicodeDecodeError):
        return False
    return _HEAD.startswith(head) and (alone or head != "")
