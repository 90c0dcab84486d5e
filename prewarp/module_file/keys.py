"""The keys of a module file, table by table, made from the records that read them."""

import dataclasses
from collections.abc import Iterator
from dataclasses import dataclass

from prewarp.limits import Limits, Measured
from prewarp.module import (
    Channel,
    Chromaticity,
    Colour,
    ContentEntries,
    DisplayModule,
    EyeBox,
    Panel,
    Reach,
)
from prewarp.records import meaning, ruled_fields
from prewarp.records.fields import Dataclass
from prewarp.scan import PanelScan


@dataclass(frozen=True)
class KeyTable:
    """One table of a module file: its heading, the record that reads it, and what is said of the whole."""

    heading: str
    record: type[Dataclass]
    says: str = ""
    optional: bool = False


KEY_TABLES = (
    KeyTable("", DisplayModule),
    KeyTable("[eye_box]", EyeBox, "pupil positions that the display is made for, about its centre"),
    KeyTable("[content]", ContentEntries, "the picture that is shown, by direction from the eye-box centre"),
    KeyTable("[color.NAME]", Colour, "one for each colour of the panels, named as in grids"),
    KeyTable("[channel.NAME]", Channel, "one for each panel seen through its own optics, named as in grids"),
    KeyTable("[channel.NAME.panel]", Panel),
    KeyTable(
        "[channel.NAME.panel.scan]",
        PanelScan,
        "when the panel's lines are lit; without it figures of time are not known",
        True,
    ),
    KeyTable("[channel.NAME.reach]", Reach, "degrees: atan(X/Z), +x right; atan(Y/Z), +y up"),
    KeyTable(
        "[channel.NAME.chromaticity]",
        Chromaticity,
        "measured through the optics; besides white, one key per colour, named like the "
        "colour: CIE 1931 x, y of it alone",
        True,
    ),
    KeyTable(
        "[limits]",
        Limits,
        "what report, accept and line judge by; a figure whose limit is left out is not judged",
        True,
    ),
    KeyTable("[measured]", Measured, "what other instruments measured", True),
)
# Fields of the records that are no entries: they stand in the heading of their table.
_IN_HEADING = {(Colour, "name"), (Channel, "name")}


def key_rows(table: KeyTable, /) -> Iterator[tuple[str, str, str, str]]:
    """Yield (key, accepted, default, meaning) of every entry of a table; the default is "" where needed."""
    for name, rule, default in ruled_fields(table.record):
        if (table.record, name) in _IN_HEADING:
            continue
        yield name, rule.expected, _default(default), meaning(table.record, name)


def _default(value: object) -> str:
    if value is dataclasses.MISSING:
        return ""
    if value is None:
        return "none"
    return str(value).lower() if isinstance(value, bool) else f"{value}"


def keys_as_markdown() -> str:
    """Return the table of all keys as it stands in the README."""
    lines = ["| table | key | accepted | default | meaning |", "|---|---|---|---|---|"]
    for table in KEY_TABLES:
        heading = f"`{table.heading}`" if table.heading else "at the top"
        extra = f", optional: {table.says}" if table.optional else f": {table.says}" if table.says else ""
        for place, (name, accepted, default, means) in enumerate(key_rows(table)):
            first = f"{heading}{extra}" if place == 0 else ""
            lines.append(f"| {first} | `{name}` | {accepted} | {default or 'needed'} | {means} |")
    return "\n".join(lines) + "\n"
