"""Tables that a notebook shows in place of a result's text."""

from collections.abc import Iterable, Sequence
from html import escape


def html_table(caption: str, head: Sequence[str], rows: Iterable[Sequence[str]], /) -> str:
    """Return a table as HTML: caption, one line of headings, lines of as many cells; all is escaped text."""

    def line(cells: Sequence[str], tag: str) -> str:
        return "<tr>" + "".join(f"<{tag}>{escape(cell)}</{tag}>" for cell in cells) + "</tr>"

    body = "".join(line(row, "td") for row in rows)
    return f"<table><caption>{escape(caption)}</caption>{line(head, 'th')}{body}</table>"
