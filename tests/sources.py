"""The package's own sources, parsed once for all tests that read them."""

import ast
from functools import cache
from pathlib import Path


@cache
def tree_of(path: Path) -> ast.Module:
    """Return the syntax tree of a Python file."""
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def nodes_of(path: Path) -> tuple[ast.AST, ...]:
    """Return all nodes of a Python file's syntax tree."""
    return tuple(ast.walk(tree_of(path)))
