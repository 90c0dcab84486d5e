"""One HTML page of one or more reports, side by side: no network, all text escaped; the live picture's script
alone may run.
"""

import base64
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib.resources import files

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from prewarp.errors import ShapeError
from prewarp.report.live.part import LivePart
from prewarp.report.page.tree import (
    ABOVE,
    NO_LIMIT,
    NOT_MEASURED,
    TOLD,
    UNDECIDED,
    WITHIN,
    DisplayReport,
    FigureItem,
    Row,
    Section,
)
from prewarp.report.page.words import number_text

# Verdicts have a mark and words besides a colour: told apart in grey and by any eye.
_MARKS = {WITHIN: "✓", ABOVE: "✕", UNDECIDED: "?", NOT_MEASURED: "○", NO_LIMIT: "–", TOLD: "–"}
_CLASSES = {
    WITHIN: "within",
    ABOVE: "above",
    UNDECIDED: "undecided",
    NOT_MEASURED: "missing",
    NO_LIMIT: "plain",
    TOLD: "plain",
}
# Of the bars: width, where the limit stands, in the drawing's own units.
_BAR, _LIMIT_AT = 120.0, 60.0
_LARGEST_DISPLAYS = 4


@dataclass(frozen=True)
class Cell:
    """One row of one display, in words; `mark` and `style` go with the verdict."""

    of: str
    value: str
    uncertainty: str
    limit: str
    verdict: str
    mark: str
    style: str
    note: str
    needs: str
    bar: "Bar | None"


@dataclass(frozen=True)
class Bar:
    """A value beside its limit: where both and the 95 % interval stand along the bar."""

    value: float
    low: float
    high: float
    limit: float


@dataclass(frozen=True)
class Line:
    """A quantity, and a cell for each display; None where a display has no such row."""

    quantity: str
    source: str
    cells: tuple[Cell | None, ...]


def report_html(reports: Sequence[DisplayReport], /, *, live: LivePart | None = None) -> str:
    """Return one self-contained page of one to four displays; the same reports give the same bytes.

    `live`: the live picture (`prewarp.report.live`); without it nothing in the page is run.

    Raises
    ------
    ShapeError
        None, or more than four.
    """
    if not 1 <= len(reports) <= _LARGEST_DISPLAYS:
        raise ShapeError(f"{len(reports)} displays; expected 1 to {_LARGEST_DISPLAYS} side by side.")
    environment = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["data_uri"] = _data_uri
    here = files("prewarp.report.page")
    template = environment.from_string((here / "page.html.jinja").read_text(encoding="utf-8"))
    return template.render(
        # The style sheet is a file of this package; nothing read from outside is in it.
        style=Markup((here / "page.css").read_text(encoding="utf-8")),
        live=live,
        reports=reports,
        marks=_MARKS,
        classes=_CLASSES,
        judged=list(_lines([one.judged for one in reports])),
        chapters=[
            (number, parts, list(_lines([part.rows for part in parts])))
            for number, parts in enumerate(zip(*(one.sections for one in reports), strict=True), 1)
        ],
        has_rows=_has_rows,
    )


def _lines(groups: Sequence[Sequence[Row]]) -> Iterator[Line]:
    """Yield rows of all displays side by side: those of one key, in the order that each display has."""
    placed: dict[tuple[str, int], list[Row | None]] = {}
    for display, rows in enumerate(groups):
        seen: dict[str, int] = {}
        for row in rows:
            place = seen.get(row.key, 0)
            seen[row.key] = place + 1
            placed.setdefault((row.key, place), [None] * len(groups))[display] = row
    for _, found in sorted(placed.items(), key=lambda item: _first_place(item[0], groups)):
        known = [row for row in found if row is not None]
        source = next((row.source for row in known if row.source), "")
        yield Line(known[0].quantity, source, tuple(None if row is None else _cell(row) for row in found))


def _first_place(key: tuple[str, int], groups: Sequence[Sequence[Row]]) -> tuple[int, int]:
    for display, rows in enumerate(groups):
        places = [place for place, row in enumerate(rows) if row.key == key[0]]
        if len(places) > key[1]:
            return places[key[1]], display
    return len(groups[0]), 0


def _cell(row: Row) -> Cell:
    unit = f" {row.unit}" if row.unit else ""
    uncertainty = "not stated"
    if row.interval is not None:
        low, high = (number_text(end) for end in row.interval)
        uncertainty = f"{low} to {high}{unit} (95 %)"
    elif row.sigma is not None:
        uncertainty = f"± {number_text(row.sigma)}{unit} (1-sigma)"
    limit = "–"
    if row.limit is not None:
        limit = NO_LIMIT if row.limit.value is None else f"{row.limit.value:g}{unit}"
    return Cell(
        row.of,
        f"{number_text(row.value)}{unit}" if row.known else "",
        uncertainty if row.known else "–",
        limit,
        row.verdict,
        _MARKS[row.verdict],
        _CLASSES[row.verdict],
        row.note if row.known else "",
        row.needs,
        _bar(row),
    )


def _bar(row: Row) -> Bar | None:
    if row.limit is None or not row.limit.value or not row.known or row.value is None:
        return None
    low, high = row.range95 or (row.value, row.value)
    value, low, high = (
        min(max(one, 0.0) / row.limit.value * _LIMIT_AT, _BAR) for one in (row.value, low, high)
    )
    return Bar(round(value, 2), round(low, 2), round(high, 2), _LIMIT_AT)


def _data_uri(figure: FigureItem) -> str:
    return "data:image/png;base64," + base64.b64encode(figure.png).decode("ascii")


def _has_rows(parts: Sequence[Section]) -> bool:
    return any(part.rows for part in parts)
