"""Rules for one entry of a table: what is accepted, and the words that say so."""

import re
import reprlib
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Protocol

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,31}")


def _plain(value: float) -> str:
    """Return a number without an exponent."""
    short = f"{value:g}"
    return f"{Decimal(short):f}" if "e" in short else short


class Rule(Protocol):
    """The face of every rule."""

    @property
    def expected(self) -> str:
        """What is accepted, to follow the word "expected"."""

    def accept(self, value: object, /) -> tuple[Any, str]:
        """Return the value in its own type and "", or None and what is wrong (" (...)") in a few words."""


def shown(value: object, /) -> str:
    """Return a short repr, whatever the value (an integer of a million digits has no plain one)."""
    try:
        return reprlib.repr(value)
    except ValueError:
        return f"a {type(value).__name__} too long to show"


def _kind(value: object) -> str:
    """Return the kind of a value, as people say it where a file holds it."""
    return "text" if isinstance(value, str) else type(value).__name__


@dataclass(frozen=True)
class Number:
    """A finite number from `low` to `high`, both included; a whole one where `whole`."""

    low: float
    high: float
    unit: str = ""
    whole: bool = False

    @property
    def expected(self) -> str:
        """What is accepted, to follow the word "expected"."""
        unit = f" {self.unit}" if self.unit else ""
        low, high = (_plain(end) for end in (self.low, self.high))
        return f"{'a whole number' if self.whole else 'a number'} from {low} to {high}{unit}"

    def accept(self, value: object, /) -> tuple[Any, str]:
        """Return an int or a float and "", or None and the reason."""
        if not isinstance(value, int | float) or isinstance(value, bool):
            return None, f" ({_kind(value)})"
        if self.whole and not isinstance(value, int):
            return None, " (not written as a whole number)"
        # NaN fails the comparison; an integer too large for a float compares exactly.
        if not self.low <= value <= self.high:
            return None, " (out of range)"
        return (value if self.whole else float(value)), ""


@dataclass(frozen=True)
class Numbers:
    """A list of numbers, each as `each` has it; strictly increasing where `increasing`. Becomes a tuple."""

    each: Number
    fewest: int
    most: int
    increasing: bool = False

    @property
    def expected(self) -> str:
        """What is accepted, to follow the word "expected"."""
        count = f"{self.fewest}" if self.fewest == self.most else f"{self.fewest} to {self.most}"
        order = ", strictly increasing" if self.increasing else ""
        return f"a list of {count} numbers{order}, each {self.each.expected}"

    def accept(self, value: object, /) -> tuple[Any, str]:
        """Return a tuple of numbers and "", or None and the reason."""
        if not isinstance(value, list | tuple):
            return None, f" ({_kind(value)})"
        if not self.fewest <= len(value) <= self.most:
            return None, f" ({len(value)} entries)"
        accepted: list[float] = []
        for number, entry in enumerate(value, 1):
            item, reason = self.each.accept(entry)
            if reason:
                return None, f" (entry {number}, {shown(entry)}{reason})"
            if self.increasing and accepted and not item > accepted[-1]:
                return None, f" (entry {number}, {shown(entry)}, is not above the one before)"
            accepted.append(item)
        return tuple(accepted), ""


@dataclass(frozen=True)
class Choice:
    """One of a few words."""

    words: tuple[str, ...]

    @property
    def expected(self) -> str:
        """What is accepted, to follow the word "expected"."""
        return f"one of {', '.join(repr(word) for word in self.words)}"

    def accept(self, value: object, /) -> tuple[Any, str]:
        """Return the word and "", or None and the reason."""
        return (value, "") if isinstance(value, str) and value in self.words else (None, " (not known)")


@dataclass(frozen=True)
class Name:
    """A short name that may stand in a table and in a file name."""

    @property
    def expected(self) -> str:
        """What is accepted, to follow the word "expected"."""
        return "a name of 1 to 32 letters a-z A-Z, digits, '_' or '-' that starts with a letter or digit"

    def accept(self, value: object, /) -> tuple[Any, str]:
        """Return the name and "", or None and the reason."""
        return (value, "") if isinstance(value, str) and _NAME.fullmatch(value) else (None, " (not a name)")


@dataclass(frozen=True)
class Text:
    """One line of text for people."""

    longest: int = 200

    @property
    def expected(self) -> str:
        """What is accepted, to follow the word "expected"."""
        return f"one line of 1 to {self.longest} printable characters"

    def accept(self, value: object, /) -> tuple[Any, str]:
        """Return the text and "", or None and the reason."""
        good = (
            isinstance(value, str)
            and 1 <= len(value) <= self.longest
            and value.isprintable()
            and value.strip()
        )
        return (value, "") if good else (None, " (not such a line)")


@dataclass(frozen=True)
class Flag:
    """True or false."""

    @property
    def expected(self) -> str:
        """What is accepted, to follow the word "expected"."""
        return "true or false"

    def accept(self, value: object, /) -> tuple[Any, str]:
        """Return the flag and "", or None and the reason."""
        return (value, "") if isinstance(value, bool) else (None, f" ({_kind(value)})")
