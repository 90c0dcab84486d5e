"""How commands speak: results on stdout (text or one JSON document), progress on stderr, or nothing."""

import functools
import logging
import math
import sys
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import click
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn
from rich.table import Table

from prewarp.files import json_text

# Width of tables where there is no terminal to ask, so that a log looks the same everywhere.
WIDTH_WITHOUT_TERMINAL = 120
_WIDEST = 10_000
NOTHING_BELOW = 1e-6


@dataclass(frozen=True)
class Talk:
    """What a command may say. `quiet`: errors, and JSON where asked for, but nothing else; `as_json`: JSON on
    stdout.
    """

    quiet: bool
    as_json: bool

    @property
    def shows_text(self) -> bool:
        """Whether text for people goes to stdout."""
        return not (self.quiet or self.as_json)

    def text(self, *lines: str) -> None:
        """Print lines for people."""
        if self.shows_text:
            for line in lines:
                click.echo(line)

    def note(self, line: str) -> None:
        """Print a line for people on stderr, beside the result: a default that was used, a file that was
        written.
        """
        if not self.quiet:
            click.echo(line, err=True)

    def table(
        self,
        title: str,
        head: Sequence[str],
        sections: Sequence[tuple[str, Sequence[Sequence[str]]]],
        *,
        text_columns: int = 1,
    ) -> None:
        """Print a table of sections, each (title or "", rows); the first `text_columns` columns are text, the
        rest numbers.
        """
        if not self.shows_text:
            return
        width = None if sys.stdout.isatty() else WIDTH_WITHOUT_TERMINAL
        console = _Console(file=sys.stdout, width=width, markup=False, emoji=False, highlight=False)
        table = _table(title, head, sections, text_columns, narrow=False)
        if console.measure(table, options=console.options.update(width=_WIDEST)).maximum > console.width:
            # Words are folded, numbers never: a table of many numbers is wider than a narrow terminal.
            table = _table(title, head, sections, text_columns, narrow=True)
            least = console.measure(table, options=console.options.update(width=_WIDEST)).minimum
            console.width = max(console.width, least)
        console.print(table)

    def json(self, value: Mapping[str, Any]) -> None:
        """Print the one JSON document, if it was asked for."""
        if self.as_json:
            click.echo(json_text(value), nl=False)

    @contextmanager
    def progress(self, what: str, total: int | None = None) -> Iterator[Callable[[str, int], None]]:
        """Show a bar on stderr while work goes on; yields `step(text, done)`.

        Without a terminal the texts are printed line by line.
        """
        if self.quiet:
            yield lambda text, done: None
            return
        if not sys.stderr.isatty():
            click.echo(f"{what} ...", err=True)
            yield lambda text, done: click.echo(f"  {text}", err=True)
            return
        columns = (
            SpinnerColumn(),
            TextColumn("{task.description}", markup=False),
            BarColumn(),
            TimeElapsedColumn(),
        )
        with Progress(*columns, console=_Console(file=sys.stderr), transient=True) as bar:
            task = bar.add_task(what, total=total)
            yield lambda text, done: bar.update(task, description=text, completed=done)


def _table(
    title: str,
    head: Sequence[str],
    sections: Sequence[tuple[str, Sequence[Sequence[str]]]],
    text_columns: int,
    *,
    narrow: bool,
) -> Table:
    table = Table(title=title, title_justify="left", title_style="bold", box=SIMPLE_HEAD)
    for place, name in enumerate(head):
        is_text = place < text_columns
        cells = [row[place] for _, rows in sections for row in rows]
        if narrow and not is_text:
            name = textwrap.fill(name, max(map(len, (*cells, *name.split(), " "))), break_long_words=False)
        table.add_column(
            name,
            justify="left" if is_text else "right",
            overflow="fold",
            no_wrap=narrow and not is_text,
        )
    for section, rows in sections:
        if section:
            table.add_row(section, *[""] * (len(head) - 1), style="bold")
        for row in rows:
            table.add_row(*row)
        table.add_section()
    return table


class _Console(Console):
    """A console that leaves a closed pipe to the command line; by itself it would end with 1."""

    def on_broken_pipe(self) -> None:
        raise BrokenPipeError


def talking(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options --quiet and --json, and a `Talk` as its first argument."""

    @click.option(
        "-q", "--quiet", is_flag=True, help="Say nothing but errors (and the JSON, where asked for)."
    )
    @click.option(
        "--json", "as_json", is_flag=True, help="Print one JSON document on stdout, nothing else there."
    )
    @functools.wraps(command)
    def with_talk(*args: Any, quiet: bool, as_json: bool, **options: Any) -> Any:
        talk = Talk(quiet, as_json)
        with _told(talk):
            return command(talk, *args, **options)

    return with_talk


@contextmanager
def _told(talk: Talk) -> Iterator[None]:
    """Print what the package logs as notes, each line once, while a command runs."""
    log, notes = logging.getLogger("prewarp"), _Notes(talk)
    log.addHandler(notes)
    try:
        yield
    finally:
        log.removeHandler(notes)


class _Notes(logging.Handler):
    """Log records as notes; one that says the same again is left out."""

    def __init__(self, talk: Talk) -> None:
        super().__init__(logging.WARNING)
        self._talk, self._said = talk, set[str]()

    def emit(self, record: logging.LogRecord) -> None:
        """Print one record."""
        line = record.getMessage()
        if line not in self._said:
            self._said.add(line)
            self._talk.note(line)


def number(value: float | None, digits: int = 4) -> str:
    """Return a number with so many significant digits, never with an exponent; a dash where there is none.

    Digits before the point are all told; what is below a millionth, in units that people read, is nothing.
    """
    if value is None:
        return "-"
    if not math.isfinite(value):
        return f"{value:g}"
    if abs(value) < NOTHING_BELOW:
        return "0"
    if abs(value) >= 10.0 ** (digits - 1):
        return f"{value:.0f}"
    text = f"{float(f'{value:.{digits}g}'):.{digits + 6}f}"
    return text.rstrip("0").rstrip(".")
