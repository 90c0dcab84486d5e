"""Results that are asked for again, the latest of them kept; several threads may ask at once."""

from collections.abc import Callable, Hashable
from typing import TypeVar

Key = TypeVar("Key", bound=Hashable)
Result = TypeVar("Result")


def remembered(kept: dict[Key, Result], key: Key, make: Callable[[], Result], /, *, most: int) -> Result:
    """Return what `kept` has for `key`, else `make` it and keep it in place of the oldest of `most`."""
    found = kept.get(key)
    if found is None:
        found = make()
        for oldest in list(kept)[: max(len(kept) + 1 - most, 0)]:
            kept.pop(oldest, None)
        kept[key] = found
    return found
