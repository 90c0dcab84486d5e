"""The state of a line: one SQLite file, written by one process, that others may query while it is.

Table `units`: serial, key (SHA-256 of the grid, the family and the settings: a row counts only for these),
status, reason, figures and flags by their names, and `numbers`, a JSON object of all.
"""

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from prewarp.line.figures import FIGURES
from prewarp.line.seam import SEAM_FIGURES
from prewarp.line.unit import UnitRow
from prewarp.quality.units_table import FLAGS

NAME = "line.sqlite"
_SHOWN = (
    *(f"{name}{ending}" for name in (*FIGURES, *SEAM_FIGURES) for ending in ("", "_sigma")),
    *FLAGS,
    "positions",
)
_TEXTS = ("serial", "key", "status", "reason")


class Store:
    """Rows of units on disk; each is whole or not there."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    def keys(self) -> dict[str, str]:
        """Return the key of every unit that has a row, by serial."""
        return dict(self._connection.execute("SELECT serial, key FROM units"))

    def put(self, row: UnitRow, key: str, /) -> None:
        """Write a row in place of an older one of the unit."""
        numbers = dict(row.numbers)
        shown = [numbers.get(name) for name in _SHOWN]
        marks = ", ".join("?" * (5 + len(shown)))
        with self._connection:
            self._connection.execute(
                f"INSERT OR REPLACE INTO units VALUES ({marks})",
                (row.serial, key, row.status, row.reason, *shown, json.dumps(numbers, sort_keys=True)),
            )

    def has_package(self, serial: str, /) -> bool:
        """Return whether a unit's row tells of a package."""
        found = self._connection.execute("SELECT numbers FROM units WHERE serial = ?", (serial,)).fetchone()
        return found is not None and "package_bytes" in json.loads(found[0])

    def keep_only(self, serials: set[str], /) -> None:
        """Remove the rows of units that the line does not hold any more."""
        gone = set(self.keys()) - serials
        with self._connection:
            self._connection.executemany(
                "DELETE FROM units WHERE serial = ?", [(one,) for one in sorted(gone)]
            )

    def rows(self) -> dict[str, UnitRow]:
        """Return all rows by serial."""
        found = self._connection.execute("SELECT serial, status, reason, numbers FROM units")
        return {row[0]: UnitRow(row[0], row[1], row[2], json.loads(row[3])) for row in found}


@contextmanager
def opened_store(folder: Path, /) -> Iterator[Store]:
    """Open the store of a line's folder; made where it is not there."""
    with closing(sqlite3.connect(folder / NAME, timeout=30.0)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = NORMAL")
        columns = ", ".join(f"{name} REAL" for name in _SHOWN)
        with connection:
            # One with other columns is another version's, whose rows do not count.
            known = [one[1] for one in connection.execute("PRAGMA table_info(units)")]
            if known and known != [*_TEXTS, *_SHOWN, "numbers"]:
                connection.execute("DROP TABLE units")
            connection.execute(
                "CREATE TABLE IF NOT EXISTS units (serial TEXT PRIMARY KEY, key TEXT NOT NULL, "
                f"status TEXT NOT NULL, reason TEXT NOT NULL, {columns}, numbers TEXT NOT NULL)"
            )
        yield Store(connection)
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
