"""Composing shader text from the pieces in `shaders/`. Text only: nothing here needs OpenGL.

`#include "name.glsl"` is flattened depth first, each piece once. Options are `#define NAME value` lines of
the pieces, guarded by `#ifndef`; only names that some piece lists can be set. Every composed line knows the
file and line it came from, so a driver's message can be rewritten to name them (drivers disagree on `#line`).
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from prewarp.checks import nearest_name
from prewarp.errors import InputFileError, ShaderError
from prewarp.files import MEBIBYTE, read_bytes
from prewarp.resources import resource_folder

VERSIONS = {
    "330": "#version 330 core\n",
    "es300": "#version 300 es\nprecision highp float;\nprecision highp int;\nprecision highp sampler2D;\n",
    # Compute stages alone need it.
    "430": "#version 430 core\n",
}
# What PREWARP_ENCODING stands for in `shaders/encoding.glsl`.
ENCODINGS = {"srgb": 0, "power": 1, "table": 2}
_INCLUDE = re.compile(r'^\s*#include\s+"([^"]+)"\s*$')
_OPTION = re.compile(r"^\s*#define\s+(\w+)\s+\S+")
_GUARD = re.compile(r"^\s*#ifndef\s+(\w+)\s*$")
# How drivers mark a line: "0:12(3): error" (Mesa), "0(12) : error" (one vendor), "ERROR: 0:12:" (reference).
_DRIVER_LINE = re.compile(
    r"(?P<before>(?:ERROR: |WARNING: |^)\s*)\d+(?::|\()(?P<line>\d+)(?:\)|\(\d+\))?", re.MULTILINE
)


@dataclass(frozen=True)
class ShaderText:
    """A composed shader.

    Parameters
    ----------
    text : str
        What the compiler is given.
    origin : tuple of (str, int)
        File and line, from 1, of every composed line; ("composed", n) for lines that composing added.
    """

    text: str
    origin: tuple[tuple[str, int], ...]

    def explain(self, message: str, /) -> str:
        """Return a driver's message with its line numbers replaced by file and line of the piece."""

        def rewrite(found: re.Match[str]) -> str:
            number = int(found["line"])
            if not 1 <= number <= len(self.origin):
                return found[0]
            name, line = self.origin[number - 1]
            return f"{found['before']}{name}:{line}"

        return _DRIVER_LINE.sub(rewrite, message)


def compose(
    name: str,
    /,
    *,
    dialect: str = "330",
    options: Mapping[str, int | float] | None = None,
    folder: Path | None = None,
) -> ShaderText:
    """Flatten a shader piece or stage with all that it includes.

    Parameters
    ----------
    name : str
        File in `shaders/`, for instance "panel_pass.frag".
    dialect : str
        One of `VERSIONS`; gives the first lines.
    options : mapping, optional
        Values for options that the pieces list as `#define` under `#ifndef`.
    folder : Path, optional
        Another folder of pieces.

    Returns
    -------
    ShaderText

    Raises
    ------
    ShaderError
        A piece is missing (names the nearest), includes itself (gives the chain), or an option is not listed.
    """
    if dialect not in VERSIONS:
        raise ShaderError(f"dialect is {dialect!r}; expected one of {', '.join(VERSIONS)}.")
    pieces = _flatten(name, folder or resource_folder("shaders"), (), set())
    known = _options([text for _, _, text in pieces])
    head = VERSIONS[dialect].splitlines()
    for option, value in (options or {}).items():
        if option not in known:
            listed = ", ".join(sorted(known)) or "none"
            raise ShaderError(
                f"{name}: option '{option}' is not known; these pieces list {listed}."
                f"{nearest_name(option, known)}"
            )
        head.append(f"#define {option} {_literal(option, value)}")
    lines = [("composed", number, text) for number, text in enumerate(head, start=1)] + pieces
    return ShaderText(
        "\n".join(text for _, _, text in lines) + "\n", tuple((file, number) for file, number, _ in lines)
    )


def _flatten(name: str, folder: Path, chain: tuple[str, ...], done: set[str]) -> list[tuple[str, int, str]]:
    if name in chain:
        raise ShaderError(
            f"shader pieces include each other: {' -> '.join((*chain, name))}. Break the circle."
        )
    if name in done:
        return []
    path = folder / name
    if not path.resolve().is_relative_to(folder.resolve()) or not path.is_file():
        known = sorted(found.name for found in folder.iterdir() if found.is_file())
        place = f"{chain[-1]}: " if chain else ""
        raise ShaderError(f"{place}no shader piece '{name}'.{nearest_name(name, known)}", piece=name)
    try:
        text = read_bytes(path, limit_bytes=MEBIBYTE, what="a shader piece").decode("utf-8")
    except (InputFileError, UnicodeDecodeError) as cause:
        raise ShaderError(f"{name}: the piece cannot be read ({cause}).", piece=name) from cause
    lines: list[tuple[str, int, str]] = []
    for number, line in enumerate(text.splitlines(), start=1):
        included = _INCLUDE.match(line)
        if included:
            lines += _flatten(included[1], folder, (*chain, name), done)
        elif line.lstrip().startswith("#include"):
            raise ShaderError(f'{name}, line {number}: {line.strip()!r}; expected #include "name.glsl".')
        else:
            lines.append((name, number, line))
    done.add(name)
    return lines


def _options(lines: list[str]) -> set[str]:
    """Names that are defined right after an `#ifndef` of the same name."""
    found = set()
    for before, line in pairwise(lines):
        guard, option = _GUARD.match(before), _OPTION.match(line)
        if guard and option and guard[1] == option[1]:
            found.add(option[1])
    return found


def _literal(option: str, value: float) -> str:
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < 1e30:
        raise ShaderError(f"option '{option}' is {value!r}; expected a finite number.")
    return (
        str(value)
        if isinstance(value, int)
        else f"{value:.9g}"
        if "." in f"{value:.9g}"
        else f"{value:.9g}.0"
    )
