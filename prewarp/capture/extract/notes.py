"""What is said once for the whole capture: what a plan cannot tell or holds that is not read, files that it
does not name, and what was found in many views alike.
"""

import re
from collections.abc import Sequence
from itertools import combinations, islice
from pathlib import Path

import numpy as np

from prewarp.capture.image_files import SUFFIXES
from prewarp.capture.marks import Marks
from prewarp.capture.plan import Plan

# Of the dots of two channels; fewer have one name at one place by chance.
_ALIKE = 0.5
REFUSED = ": refused. "
_WHERE = re.compile(r"^pose [^:]*: ")
# What differs between lines that say the same: files and numbers.
_OWN = re.compile(rf"\S+(?:{'|'.join(map(re.escape, SUFFIXES))})\b|\d+(?:\.\d+)?", re.IGNORECASE)
_MOST_FILES, _MOST_NAMED = 100_000, 3


def notes_on(plan: Plan, marks: Marks, read: tuple[str, ...], /) -> list[str]:
    """Return lines on a plan and its marks; `read` are the kinds of photographs that are read."""
    notes = []
    others = [one.kind for one in plan.photographs if one.kind not in read]
    for kind in dict.fromkeys(others):
        notes.append(f"{others.count(kind)} photographs of kind '{kind}' are not read.")
    shown = [channel for channel in plan.channels if channel in marks.channels]
    alike = [pair for pair in combinations(shown, 2) if _named_alike(marks, *pair)]
    if alike:
        notes.append(
            f"{marks.source}: {' and '.join(alike[0])} name their dots alike: if photographs of "
            "the two are exchanged in every pose, nothing shows it. Write the targets again."
        )
    return notes


def unnamed_files(plan: Plan, folder: Path, /) -> list[str]:
    """Return a line on photographs of a folder that no row of the plan names, where others are missing."""
    wanted = {folder / one.file for one in plan.photographs}
    missing = sum(not one.is_file() for one in wanted)
    if not missing:
        return []
    there = sorted(one for one in islice(folder.rglob("*"), _MOST_FILES) if one.suffix.lower() in SUFFIXES)
    others = [one.relative_to(folder).as_posix() for one in there if one not in wanted]
    if not others:
        return []
    more = ", ..." if len(others) > _MOST_NAMED else ""
    return [
        f"{folder}: photographs of the plan that are missing: {missing}; others that it does not name: "
        f"{len(others)} ({', '.join(others[:_MOST_NAMED])}{more}). Rename them as in its column 'file'."
    ]


def in_short(findings: Sequence[str], /) -> list[str]:
    """Return findings for people: why views are refused first; what many views or files have alike, once."""
    refused = [line for line in findings if REFUSED in line]
    alike: dict[str, list[str]] = {}
    for line in findings:
        if REFUSED not in line:
            alike.setdefault(_OWN.sub("#", _WHERE.sub("", line)), []).append(line)
    first = [own[0] + (f" {len(own) - 1} more like it." if len(own) > 1 else "") for own in alike.values()]
    return [*refused, *first]


def _named_alike(marks: Marks, first: str, second: str) -> bool:
    codes = [dict(zip(one.mark.tolist(), one.code, strict=True)) for one in map(marks.of, (first, second))]
    both = [mark for mark in codes[0] if mark in codes[1]]
    return bool(both) and float(np.mean([codes[0][k] == codes[1][k] for k in both])) > _ALIKE
