"""What a report holds: sections of rows, tables and figures; rows are judged by limits, where there are any.

Knows nothing of displays or HTML. Every value has its unit; a row whose value is not known says what it
needs.
"""

import hashlib
import math
from dataclasses import dataclass
from typing import Any

from prewarp.published import Published
from prewarp.quality.conformance import FAIL, PASS, decide, interval

WITHIN, ABOVE, UNDECIDED = "within limit", "above limit", "undecided"
NO_LIMIT, NOT_MEASURED, TOLD = "no limit set", "not measured", "not judged"
# Of what is judged, the worst first.
_ORDER = (ABOVE, UNDECIDED, NOT_MEASURED, WITHIN)


@dataclass(frozen=True)
class Limit:
    """The largest value allowed, None where none is set; `key` names its entry in the module file."""

    key: str
    value: float | None


@dataclass(frozen=True)
class Row:
    """One quantity of a display.

    Parameters
    ----------
    key : str
        Name for machines; with `place` in the list it says which rows of two displays belong together.
    quantity : str
        For people.
    of : str
        Eye, channels, colour.
    value : float or None
        None: not measured, and `needs` says what is missing.
    unit : str
    sigma : float or None
        Standard uncertainty, in the same unit.
    interval : (float, float) or None
        A 95 % interval, where that is known and not `sigma`; an end may be infinite.
    limit : Limit or None
        None: no limit is foreseen for it, it is told and not judged.
    needs : str
        What must be given for the value to be known.
    note : str
        Conditions, and what the uncertainty holds.
    source : str
        Formula, term of the trade, or document; "from memory" where it is.
    """

    key: str
    quantity: str
    of: str = ""
    value: float | None = None
    unit: str = ""
    sigma: float | None = None
    interval: tuple[float, float] | None = None
    limit: Limit | None = None
    needs: str = ""
    note: str = ""
    source: str = ""

    @property
    def known(self) -> bool:
        """Whether there is a finite value."""
        return self.value is not None and math.isfinite(self.value)

    @property
    def range95(self) -> tuple[float, float] | None:
        """The 95 % interval of the value, from `interval` or `sigma`; None where neither is known."""
        if self.interval is not None:
            return self.interval
        if self.value is None or self.sigma is None:
            return None
        return interval(self.value, self.sigma)

    @property
    def verdict(self) -> str:
        """One of the words above. A value counts as within or above its limit only where all of its 95 %
        interval is (guard band, JCGM 106:2012, from memory).
        """
        if not self.known:
            return NOT_MEASURED
        if self.limit is None:
            return TOLD
        if self.limit.value is None:
            return NO_LIMIT
        assert self.value is not None
        low, high = self.range95 or (self.value, self.value)
        return {PASS: WITHIN, FAIL: ABOVE}.get(decide(self.value, low, high, self.limit.value), UNDECIDED)

    @property
    def is_judged(self) -> bool:
        """Whether a limit is set for it."""
        return self.limit is not None and self.limit.value is not None

    def as_dict(self) -> dict[str, Any]:
        """Return the row for machines; what is not known is None."""
        low, high = self.range95 or (None, None)
        return {
            "key": self.key,
            "quantity": self.quantity,
            "of": self.of,
            "value": self.value if self.known else None,
            "unit": self.unit,
            "sigma": self.sigma,
            "interval95": None if low is None and high is None else [_finite(low), _finite(high)],
            "limit_key": None if self.limit is None else self.limit.key,
            "limit": None if self.limit is None else self.limit.value,
            "verdict": self.verdict,
            "needs": self.needs,
            "note": self.note,
            "source": self.source,
        }


@dataclass(frozen=True)
class DataTable:
    """A table of text: `head` one heading a column, the first cell of a row names it."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]

    def as_dict(self) -> dict[str, Any]:
        """Return the table for machines."""
        return {"caption": self.caption, "head": list(self.head), "rows": [list(row) for row in self.rows]}


@dataclass(frozen=True)
class FigureItem:
    """A picture: PNG bytes, its size, a caption, and `alt`, what it shows for those who do not see it."""

    key: str
    caption: str
    alt: str
    png: bytes
    size_px: tuple[int, int]

    def as_dict(self) -> dict[str, Any]:
        """Return what the picture says, and the hash of its bytes."""
        return {
            "key": self.key,
            "caption": self.caption,
            "alt": self.alt,
            "size_px": list(self.size_px),
            "sha256": hashlib.sha256(self.png).hexdigest(),
        }


@dataclass(frozen=True)
class Section:
    """One chapter: `text` are sentences, `published` figures from the literature, none of them a limit."""

    key: str
    title: str
    rows: tuple[Row, ...] = ()
    tables: tuple[DataTable, ...] = ()
    figures: tuple[FigureItem, ...] = ()
    text: tuple[str, ...] = ()
    published: tuple[Published, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Return the section for machines."""
        return {
            "key": self.key,
            "title": self.title,
            "rows": [row.as_dict() for row in self.rows],
            "tables": [table.as_dict() for table in self.tables],
            "figures": [figure.as_dict() for figure in self.figures],
            "text": list(self.text),
            "published": [one.as_dict() for one in self.published],
        }


@dataclass(frozen=True)
class DisplayReport:
    """The report of one display."""

    name: str
    sections: tuple[Section, ...]

    @property
    def rows(self) -> tuple[Row, ...]:
        """All rows, in order."""
        return tuple(row for section in self.sections for row in section.rows)

    @property
    def judged(self) -> tuple[Row, ...]:
        """Rows with a limit that is set."""
        return tuple(row for row in self.rows if row.is_judged)

    @property
    def verdict(self) -> str:
        """The worst verdict of all that is judged; `NO_LIMIT` where no limit is set."""
        found = {row.verdict for row in self.judged}
        return next((word for word in _ORDER if word in found), NO_LIMIT)

    @property
    def headline(self) -> str:
        """The verdict in a few words."""
        return _HEADLINES[self.verdict]

    @property
    def sentence(self) -> str:
        """The verdict in words."""
        if not self.judged:
            return (
                "The module file sets no limit ([limits]) for any of these figures, so nothing "
                "passes and nothing fails."
            )
        counts = [(word, sum(row.verdict == word for row in self.judged)) for word in _ORDER]
        told = ", ".join(f"{count} {word}" for word, count in counts if count)
        return f"{_OPENING[self.verdict]} Of {len(self.judged)} judged figures: {told}."

    def section(self, key: str, /) -> Section | None:
        """Return the section `key`, None where there is none."""
        return next((one for one in self.sections if one.key == key), None)

    def as_dict(self) -> dict[str, Any]:
        """Return the whole report for machines."""
        return {
            "name": self.name,
            "verdict": self.verdict,
            "headline": self.headline,
            "sentence": self.sentence,
            "sections": [section.as_dict() for section in self.sections],
        }


_HEADLINES = {
    ABOVE: "above its limits",
    UNDECIDED: "undecided",
    NOT_MEASURED: "not all measured",
    WITHIN: "within its limits",
    NO_LIMIT: NO_LIMIT,
}
_OPENING = {
    ABOVE: "The display does not keep its limits.",
    UNDECIDED: "It is undecided whether the display keeps its limits: some limits lie within the "
    "uncertainty of their figure.",
    NOT_MEASURED: "Not every figure with a limit was measured.",
    WITHIN: "The display keeps every limit that is set.",
}


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None
