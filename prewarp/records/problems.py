"""Every mistake of one file gathered, so that all are told at once."""

from collections.abc import Callable, Sequence
from typing import TypeVar

from prewarp.errors import PrewarpError

# More than this many are counted, not told: one wrong line may spoil a whole file.
MOST_TOLD = 20

Value = TypeVar("Value")


class Problems:
    """Mistakes found so far while a file is read."""

    def __init__(self) -> None:
        self._found: list[PrewarpError] = []

    def attempt(self, work: Callable[[], Value], /) -> Value | None:
        """Return what `work` gives; None where it raised, which is kept."""
        try:
            return work()
        except PrewarpError as cause:
            self._found += problems_of(cause)
            return None

    def raise_all(self) -> None:
        """Raise what was kept, if anything was."""
        if self._found:
            raise joined(self._found)


def problems_of(error: PrewarpError, /) -> tuple[PrewarpError, ...]:
    """Return the single mistakes that an error tells of; itself where it tells of one."""
    found = error.fields.get("problems", (error,))
    assert isinstance(found, tuple)
    return found


def joined(problems: Sequence[PrewarpError], /) -> PrewarpError:
    """Return one error that tells all, a line each; its `problems` are they, other fields the first one's."""
    first = problems[0]
    if len(problems) == 1:
        return first
    told = [str(problem) for problem in problems[:MOST_TOLD]]
    if len(problems) > MOST_TOLD:
        path = first.fields.get("path", "")
        told.append(f"{path}: {len(problems) - MOST_TOLD} more mistakes. Mend these first.")
    return type(first)("\n".join(told), **{**first.fields, "problems": tuple(problems)})
