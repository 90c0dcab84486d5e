"""One spelling in what is written, and the trade's words in what people read."""

import ast
from pathlib import Path

import prewarp

SOURCES = sorted(Path(prewarp.__file__).parent.rglob("*.py"))
# Keys that are no file's: names of arrays and columns in Python, and of sections of the blob in C.
OWN_KEYS = {
    "grids/table.py",
    "capture/extract/pose.py",
    "lookup/blob.py",
    "lookup/blob_reading.py",
    "trace/samples.py",
}


def keys_in(tree: ast.AST) -> set[str]:
    """Return the text by which dictionaries are made and asked in a module."""
    found = [key for node in ast.walk(tree) if isinstance(node, ast.Dict) for key in node.keys]
    found += [node.slice for node in ast.walk(tree) if isinstance(node, ast.Subscript)]
    return {node.value for node in found if isinstance(node, ast.Constant) and isinstance(node.value, str)}


def test_keys_of_files_say_color():
    folder = Path(prewarp.__file__).parent
    for path in SOURCES:
        if path.relative_to(folder).as_posix() not in OWN_KEYS | {"files.py"}:
            keys = keys_in(ast.parse(path.read_text(encoding="utf-8")))
            assert [key for key in keys if "colour" in key] == [], path
