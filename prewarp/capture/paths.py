"""Names of files in a capture's folder: relative, plain, and never outside it."""

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from prewarp.errors import CaptureError

LONGEST = 200
# No part starts with a dot (hidden, or "..") or ends with one (other systems drop it).
_PART = re.compile(r"[A-Za-z0-9_]([A-Za-z0-9._-]*[A-Za-z0-9_-])?")


@dataclass(frozen=True)
class RelativePath:
    """A path inside the folder, with / between its parts; empty where `optional`."""

    optional: bool = False

    @property
    def expected(self) -> str:
        """What is accepted, to follow the word "expected"."""
        empty = "nothing, or " if self.optional else ""
        return (
            f"{empty}a path inside the folder: letters, digits, '_', '-', '.' and '/', at most {LONGEST} "
            "characters, no part that starts with a dot"
        )

    def accept(self, value: object, /) -> tuple[Any, str]:
        """Return the path and "", or None and the reason."""
        if value == "" and self.optional:
            return "", ""
        if not isinstance(value, str) or not 1 <= len(value) <= LONGEST:
            return None, " (not such a path)"
        if not all(_PART.fullmatch(part) for part in value.split("/")):
            return None, " (not such a path)"
        return value, ""


def path_inside(folder: Path, relative: str, /) -> Path:
    """Return the place of a file named in a table beside it.

    Raises
    ------
    CaptureError
        The name, or a link that it leads through, leaves the folder.
    """
    accepted, reason = RelativePath().accept(relative)
    if reason:
        raise CaptureError(
            f"{folder}: file {relative[:60]!r}{reason}; expected {RelativePath().expected}.", path=str(folder)
        )
    place = folder / str(accepted)
    if not place.resolve().is_relative_to(folder.resolve()):
        raise CaptureError(
            f"{place}: leads outside {folder}. Copy the file into the folder instead of linking to it.",
            path=str(place),
        )
    return place
