"""A TOML file read into checked records. Knows nothing of displays or optics."""

import dataclasses
import functools
import json
import logging
import re
import tomllib
from collections.abc import Callable
from difflib import get_close_matches
from pathlib import Path
from typing import Any, TypeVar

from prewarp.checks import nearest_name
from prewarp.errors import InputFileError, PrewarpError
from prewarp.files import read_bytes
from prewarp.records.fields import Dataclass, ruled_fields
from prewarp.records.problems import Problems
from prewarp.records.rules import Name, Rule, shown

_LOG = logging.getLogger("prewarp")
TOML_LIMIT_BYTES = 1 << 20
# The deepest key of our files has 5 parts; tomllib's time grows with the square of a key's parts (77 s for
# 300 000).
_MOST_DOTS = 64
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]{1,64}")

Kind = TypeVar("Kind", bound=Dataclass)
Made = TypeVar("Made")


class Table:
    """One table of a TOML file, with its place in the file for messages.

    Parameters
    ----------
    values : dict
        The table as tomllib gives it.
    key : str
        Its full key, "" at the top.
    path : str
        File name for messages.
    error : type
        The `PrewarpError` raised for wrong content.
    """

    def __init__(self, values: dict[str, object], *, key: str, path: str, error: type[PrewarpError]) -> None:
        self.values = values
        self.key = key
        self.path = path
        self.error = error
        self._opened: set[str] = set()
        self._named: set[str] = set()

    def full_key(self, name: str) -> str:
        """Return the full key of an entry, for instance `channel.inner.panel.width_px`."""
        plain = name if _BARE_KEY.fullmatch(name) else shown(name)
        return f"{self.key}.{plain}" if self.key else plain

    def fail(self, text: str, *, name: str = "", cause: Exception | None = None) -> PrewarpError:
        """Return (to be raised) this file's error, `path: key text`."""
        key = self.full_key(name) if name else self.key
        error = self.error(
            f"{self.path}: {key} {text}" if key else f"{self.path}: {text}", path=self.path, key=key
        )
        error.__cause__ = cause
        return error

    def missing(self, name: str, expected: str) -> PrewarpError:
        """Return the error of an entry that is not there, naming one that may have been meant."""
        others = [other for other in self.values if other not in self._opened]
        near = get_close_matches(name, others, n=1, cutoff=0.5)
        self._named |= set(near)
        found = f" {shown(near[0])} stands there: was it meant?" if near else ""
        return self.fail(f"is missing; expected {expected}.{found}", name=name)

    def table(self, name: str) -> "Table":
        """Return the sub-table `name`; it must be there."""
        self._opened.add(name)
        if name not in self.values:
            raise self.missing(name, f"a table [{self.full_key(name)}]")
        return self._sub(name, self.values[name], self.full_key(name))

    def named_tables(self, name: str, *, most: int) -> dict[str, "Table"]:
        """Return the tables `[name.x]`, `[name.y]`, ... in file order; 1 to `most` of them."""
        parent = self.table(name)
        if not 1 <= len(parent.values) <= most:
            raise parent.fail(
                f"holds {len(parent.values)} tables; expected 1 to {most}: [{parent.key}.<name>]."
            )
        problems = Problems()
        tables = {entry: problems.attempt(functools.partial(parent.table, entry)) for entry in parent.values}
        problems.raise_all()
        return {entry: table for entry, table in tables.items() if table is not None}

    def named(self, name: str, make: Callable[["Table", str], Made], *, most: int) -> tuple[Made, ...]:
        """Return what `make` gives for each of `named_tables` and its name; mistakes of all in one error."""
        problems, made = Problems(), []
        for own, table in self.named_tables(name, most=most).items():
            made.append(problems.attempt(functools.partial(_named, table, own, make)))
        problems.raise_all()
        return tuple(one for one in made if one is not None)

    def spelt(self, name: str, older: str) -> str:
        """Return which of two spellings of one entry stands here; `name` where neither does.

        The older one is told of, once, as a warning of the logger `prewarp`.

        Raises
        ------
        PrewarpError
            Both stand here.
        """
        if older not in self.values:
            return name
        if name in self.values:
            self._opened |= {name, older}
            raise self.fail(
                f"stands beside {older}, its older spelling; expected one. Keep {name}.", name=name
            )
        _LOG.warning("%s: %s is read as %s; write %s.", self.path, self.full_key(older), name, name)
        return older

    def rename(self, name: str, older: str) -> None:
        """Let an entry that has an older name stand here under today's; told of as by `spelt`, which see."""
        if self.spelt(name, older) == older:
            self.values = {name if key == older else key: value for key, value in self.values.items()}

    def listed_tables(self, name: str, *, most: int) -> list["Table"]:
        """Return the tables `[[name]]` in file order; 1 to `most` of them, numbered from 1 in messages."""
        self._opened.add(name)
        expected = f"1 to {most} tables [[{self.full_key(name)}]]"
        if name not in self.values:
            raise self.missing(name, expected)
        entries = self.values[name]
        if not isinstance(entries, list) or not 1 <= len(entries) <= most:
            raise self.fail(f"is {shown(entries)}; expected {expected}.", name=name)
        return [
            self._sub(name, entry, f"{self.full_key(name)}[{number}]")
            for number, entry in enumerate(entries, 1)
        ]

    def _sub(self, name: str, values: object, key: str) -> "Table":
        if not isinstance(values, dict):
            raise self.fail(f"is {shown(values)}; expected a table [{self.full_key(name)}].", name=name)
        return Table(values, key=key, path=self.path, error=self.error)

    def read(self, kind: type[Kind], /, **parts: object) -> Kind:
        """Return `kind` made from this table's entries and the `parts` that the caller has made.

        Every `checked` field of `kind` that is not among `parts` is an entry here; sub-tables opened before
        count as known; any other entry is an error. All wrong entries of the table are told in one error.
        """
        found = self.entries(kind, apart=tuple(parts))
        try:
            return kind(**found, **parts)
        except PrewarpError as cause:
            raise self._located(cause) from cause

    def entries(self, kind: type[Dataclass], /, *, apart: tuple[str, ...] = ()) -> dict[str, Any]:
        """Return the entries of this table that are `checked` fields of `kind`, but those `apart`."""
        ruled = [entry for entry in ruled_fields(kind) if entry[0] not in apart]
        names = [name for name, _, _ in ruled]
        problems, found, meant = Problems(), dict[str, Any](), set[str]()
        for unknown in self._unknown(names):
            problems.attempt(functools.partial(self._refuse, unknown, names))
            meant |= set(get_close_matches(unknown, [*names, *self._opened], n=1, cutoff=0.5))
        # None of these can have been meant for another of them.
        self._opened |= set(names)
        for name, rule, default in ruled:
            # A misspelt key is told once, as not known.
            if name in self.values or (default is dataclasses.MISSING and name not in meant):
                found[name] = problems.attempt(functools.partial(self.entry, name, rule))
        problems.raise_all()
        return found

    def entry(self, name: str, rule: Rule) -> Any:
        """Return one entry, checked by `rule`."""
        if name not in self.values:
            raise self.missing(name, rule.expected)
        accepted, reason = rule.accept(self.values[name])
        if reason:
            raise self.fail(f"is {shown(self.values[name])}{reason}; expected {rule.expected}.", name=name)
        return accepted

    def checked_name(self, name: str) -> str:
        """Return the name of this table when it may stand in a file name."""
        if Name().accept(name)[1]:
            raise self.fail(f"cannot be used; expected {Name().expected}.")
        return name

    def refuse_unknown(self, known: list[str]) -> None:
        """Raise for an entry that is neither in `known` nor a sub-table opened before."""
        for name in self._unknown(known):
            self._refuse(name, known)

    def _unknown(self, known: list[str]) -> list[str]:
        """Return the entries that nobody reads; one that an error has named already is not among them."""
        return [name for name in self.values if name not in {*known, *self._opened, *self._named}]

    def _refuse(self, name: str, known: list[str]) -> None:
        allowed = [*known, *sorted(self._opened)]
        hint = nearest_name(name, allowed) or f" Known here: {', '.join(allowed) or 'nothing'}."
        raise self.fail(f"is not a known key.{hint}", name=name)

    def _located(self, cause: PrewarpError) -> PrewarpError:
        """Return `cause`, which starts with a bare key of this table, with file and full key."""
        text = str(cause)
        lead = f"{self.key}." if self.key and not text.startswith(f"{self.key}.") else ""
        return self.error(f"{self.path}: {lead}{text}", path=self.path, key=f"{self.key}")


def _named(table: Table, name: str, make: Callable[[Table, str], Made]) -> Made:
    return make(table, table.checked_name(name))


def read_toml(path: Path, /, *, what: str, error: type[PrewarpError], or_json: bool = False) -> Table:
    """Return the top table of a TOML file of at most 1 MiB; with `or_json` of a JSON file too, by its suffix.

    Raises
    ------
    InputFileError
        The file is missing, too large or not UTF-8 text.
    error
        It is not TOML (or JSON), or a key has absurdly many parts.
    """
    data = read_bytes(path, limit_bytes=TOML_LIMIT_BYTES, what=what)
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as cause:
        raise InputFileError(
            f"{path}: byte {cause.start} is not UTF-8 text; expected {what}. Save the file as UTF-8.",
            path=str(path),
        ) from cause
    is_json = or_json and path.suffix.lower() == ".json"
    if not is_json:
        _refuse_long_keys(text, path, error)
    try:
        values = _of_json(text) if is_json else tomllib.loads(text)
    # tomllib passes on ValueError for impossible dates and numbers, RecursionError for deep brackets.
    except (ValueError, RecursionError) as cause:
        name = "JSON" if is_json else "TOML"
        raise error(f"{path}: not valid {name} ({cause}). Mend the line named.", path=str(path)) from cause
    return Table(values, key="", path=str(path), error=error)


def _of_json(text: str) -> dict[str, object]:
    """Return an object of JSON; `ValueError` for another value, keys that stand twice, NaN and infinity."""

    def once(pairs: list[tuple[str, object]]) -> dict[str, object]:
        found = dict(pairs)
        if len(found) < len(pairs):
            raise ValueError("a key stands twice in one object")
        return found

    def never(name: str) -> object:
        raise ValueError(f"{name} is no number of JSON")

    values = json.loads(text, object_pairs_hook=once, parse_constant=never)
    if not isinstance(values, dict):
        raise ValueError("line 1: expected an object")
    return values


def _refuse_long_keys(text: str, path: Path, error: type[PrewarpError]) -> None:
    for number, line in enumerate(text.split("\n"), 1):
        if line.count(".") < _MOST_DOTS or line.lstrip().startswith("#"):
            continue
        if max(part.count(".") for part in re.split("[=,{]", line)) >= _MOST_DOTS:
            raise error(
                f"{path}: line {number} holds a key of more than {_MOST_DOTS} parts. Shorten it.",
                path=str(path),
                row=number,
            )
