"""What a plan cannot tell, or holds that is not read: said once for the whole capture."""

from itertools import combinations

import numpy as np

from prewarp.capture.marks import Marks
from prewarp.capture.plan import Plan

# Of the dots of two channels; fewer have one name at one place by chance.
_ALIKE = 0.5


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


def _named_alike(marks: Marks, first: str, second: str) -> bool:
    codes = [dict(zip(one.mark.tolist(), one.code, strict=True)) for one in map(marks.of, (first, second))]
    both = [mark for mark in codes[0] if mark in codes[1]]
    return bool(both) and float(np.mean([codes[0][k] == codes[1][k] for k in both])) > _ALIKE
