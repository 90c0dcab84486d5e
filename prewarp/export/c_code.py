"""`code_of`: what a C compiler makes of a text, so that a comment or a space more is no other program."""

import re

from prewarp.errors import PackageError

# Literals first: what looks like a comment in them is none.
_PARTS = re.compile(r'"(?:\\.|[^"\\\n])*"|\'(?:\\.|[^\'\\\n])*\'|(?:/\*.*?(?:\*/|\Z)|[ \t])+', re.DOTALL)


def code_of(text: str, /) -> str:
    """Return a text with comments and the spaces about them as one space, and no empty lines.

    Two texts of which the same is left are the same program to a compiler (C99, 5.1.1.2, translation phases 1
    to 3): lines are spliced first, then comments go; literals stay as they are. Comments that begin with //
    are left in, since older compilers read on after them.

    Raises
    ------
    PackageError
        The text holds what compilers take differently: trigraphs, a backslash before spaces at the end of a
        line, control characters, a comment without an end.

    Examples
    --------
    >>> code_of("int  a; /* px */\\n\\nint b;") == code_of("int a; /* panel px */ \\nint b;")
    True
    """
    odd = re.search(r"\?\?|\\[ \t]+\n|[^\n\t -~\u00a0-\U0010ffff]", text)
    if odd:
        line = text.count("\n", 0, odd.start()) + 1
        raise PackageError(f"line {line} holds {odd[0]!r}, which compilers take differently.")

    def kept(part: re.Match[str]) -> str:
        if part[0][0] in "\"'":
            return part[0]
        if part.end() == len(spliced) and not part[0].endswith(("*/", " ", "\t")):
            raise PackageError("a comment has no end.")
        return " "

    spliced = text.replace("\\\n", "")
    lines = (line.strip() for line in _PARTS.sub(kept, spliced).split("\n"))
    return "\n".join(line for line in lines if line)
