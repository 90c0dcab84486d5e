"""What a table of columns must hold: names, limits on what a file may ask for, and checks of a header.

Knows nothing of file formats: CSV and NPZ readers both come here.
"""

import difflib
from collections.abc import Sequence
from dataclasses import dataclass

from prewarp.errors import GridError

PUPIL_COLUMNS = ("eye_x_mm", "eye_y_mm", "eye_z_mm")  # every kind of table has them

LIMIT_ROWS = 20_000_000
LIMIT_COLUMNS = 256
LIMIT_NAME = 100  # characters in a column's, channel's or colour's name
LIMIT_GROUPS = 256  # channels, and colours
# A compressed table larger than RATIO_FREE_BYTES when unpacked may not shrink more than LIMIT_RATIO times:
# measured grids shrink 2 to 10 times, exact lattices with constant columns up to 30, and a decompression bomb
# about 1000.
LIMIT_RATIO = 60
RATIO_FREE_BYTES = 64 << 20
SHOWN_ROWS = 5  # a message names this many bad rows, and the count of all


@dataclass(frozen=True)
class Schema:
    """The columns of a kind of table: `text` and `numbers` must be there, `optional` numbers may be.

    `what` names the kind in messages, with its article.
    """

    what: str
    text: tuple[str, ...]
    numbers: tuple[str, ...]
    optional: tuple[str, ...]

    @property
    def required(self) -> tuple[str, ...]:
        """Columns that must be there."""
        return self.text + self.numbers

    @property
    def all_numbers(self) -> tuple[str, ...]:
        """Columns that hold numbers, where they are there."""
        return self.numbers + self.optional

    @property
    def known(self) -> tuple[str, ...]:
        """Every column with a meaning."""
        return self.text + self.numbers + self.optional

    @property
    def most_columns(self) -> int:
        """How many columns a table may have: twice what has a meaning, where that is many."""
        return max(LIMIT_COLUMNS, 2 * len(self.known))


def require_columns(names: Sequence[str], source: str, schema: Schema) -> None:
    """Raise `GridError` for a column of `schema` that is missing, misspelt or twice; names the nearest."""
    if len(names) > schema.most_columns:
        raise GridError(
            f"{source}: {len(names)} columns; at most {schema.most_columns} are accepted. Remove columns.",
            path=source,
        )
    for position, name in enumerate(names, start=1):
        if not name:
            raise GridError(f"{source}: column {position} has no name. Name or remove it.", path=source)
        if len(name) > LIMIT_NAME or not name.isprintable():
            raise GridError(
                f"{source}: the name of column {position} begins {name[:20]!r} and has {len(name)} "
                f"characters; expected at most {LIMIT_NAME} printable ones. Rename it.",
                path=source,
            )
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise GridError(
            f"{source}: column '{twice[0]}' is there {names.count(twice[0])} times. Remove one.",
            path=source,
            column=twice[0],
        )
    missing = [name for name in schema.required if name not in names]
    if missing:
        found = [name for name in names if name not in schema.known]
        hints = "".join(_misspelling(name, found) for name in missing)
        raise GridError(
            f"{source}: column{'s' if len(missing) > 1 else ''} missing: {', '.join(missing)}.{hints} "
            f"Expected: {', '.join(schema.required)}.",
            path=source,
            column=missing[0],
        )


def _misspelling(name: str, found: Sequence[str]) -> str:
    close = difflib.get_close_matches(name, found, n=1, cutoff=0.6)
    close = close or [other for other in found if other.lower() == name.lower()][:1]
    return f" The file has '{close[0][:LIMIT_NAME]}': rename it to '{name}'." if close else ""


def row_list(rows: Sequence[int], count: int | None = None) -> str:
    """Return the first rows and the count as text: "rows 2, 3, 4, 5, 6 and 12 more"."""
    count = len(rows) if count is None else count
    shown = ", ".join(str(int(row)) for row in rows[:SHOWN_ROWS])
    more = count - min(len(rows), SHOWN_ROWS)
    return f"row{'s' if count > 1 else ''} {shown}" + (f" and {more} more" if more else "")
