"""One spelling in what is written, and the trade's words in what people read."""

import ast
import inspect
import re
from pathlib import Path

import pytest

import prewarp
from prewarp.budget import EyeMotion, Limit, Tracker
from prewarp.capture.photograph.bench import read_bench
from prewarp.trace import read_design
from tests.sources import nodes_of
from tests.trace.test_design import GOOD as DESIGN

SOURCES = sorted(Path(prewarp.__file__).parent.rglob("*.py"))
# Keys that are no file's: names of arrays and columns in Python, and of sections of the blob in C.
OWN_KEYS = {
    "grids/table.py",
    "capture/extract/pose.py",
    "lookup/blob.py",
    "lookup/blob_reading.py",
    "trace/samples.py",
}


def keys_in(path: Path) -> set[str]:
    """Return the text by which dictionaries are made and asked in a module."""
    nodes = nodes_of(path)
    found = [key for node in nodes if isinstance(node, ast.Dict) for key in node.keys]
    found += [node.slice for node in nodes if isinstance(node, ast.Subscript)]
    return {node.value for node in found if isinstance(node, ast.Constant) and isinstance(node.value, str)}


def test_keys_of_files_say_color():
    folder = Path(prewarp.__file__).parent
    for path in SOURCES:
        if path.relative_to(folder).as_posix() not in OWN_KEYS | {"files.py"}:
            keys = keys_in(path)
            assert [key for key in keys if "colour" in key] == [], path


# Words that the trade says otherwise, and what it says.
OLD_TERMS = {
    r"\bmoments\b": "time samples",
    r"error that stays|error of each sample": "accuracy (bias), precision (noise)",
    r"\b(the|a|of) shares?\b|\bshares? of|\bof equal shares": "fraction, weight",
    r"\b(even|light) (content|picture|field)\b|\b(an|no) even light\b": "luminance, uniform field",
    r"\bbrightness\b": "relative luminance",
    r"\bimage distance": "image vergence",
    r"\bfloor,? px": "map error due to noise",
    r"points blamed": "false positives",
    r"false pattern": "aliasing",
    r"\btoo (coarse|fine)\b": "undersampled, finer than",
    r"\b(hold|held)\b.{0,40} against": "compare",
    r"onto each other": "register",
    r"hand-over|handed over": "blend gradient",
    r"\b(level|upright) lines?\b": "horizontal, vertical lines",
    r"\bup, degrees|right of straight ahead, degrees": "vertical, horizontal field angle",
    r"good eye": "resolution limit of normal vision",
    r"\bdeg2\b": "square degrees, deg²",
}
# An older key, which readers know; a distance that is meant; a type; how keys end.
KEPT = {"brightness", "one known image distance", "Moments", "deg2"}
TEMPLATES = ("export/guide.template.md", "report/page/page.html.jinja")


def told_in(path: Path) -> list[str]:
    """Return what a module may tell people: its text, but no docstrings other than those of commands."""
    nodes = nodes_of(path)
    silent = set()
    for node in nodes:
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef) and ast.get_docstring(node):
            command = isinstance(node, ast.FunctionDef) and any(
                "command" in ast.dump(one) for one in node.decorator_list
            )
            silent |= set() if command else {node.body[0].value}
    texts = []
    for node in nodes:
        if isinstance(node, ast.JoinedStr):
            silent |= set(node.values)
            texts.append("".join(one.value if isinstance(one, ast.Constant) else "0" for one in node.values))
    for node in nodes:
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and node not in silent:
            texts.append(node.value)
    return texts


def test_people_read_the_words_of_the_trade():
    folder = Path(prewarp.__file__).parent
    told = {path.relative_to(folder).as_posix(): told_in(path) for path in SOURCES}
    told |= {name: [(folder / name).read_text(encoding="utf-8")] for name in TEMPLATES}
    # What options say is made from the classes that they fill.
    told |= {kind.__name__: [inspect.getdoc(kind)] for kind in (Tracker, Limit, EyeMotion)}
    found = [
        f"{place}: {match[0]!r} (say {better}) in {text[:80]!r}"
        for place, texts in told.items()
        for text in texts
        for old, better in OLD_TERMS.items()
        if text not in KEPT
        for match in re.finditer(old, " ".join(text.split()), re.IGNORECASE)
    ]
    assert found == []


@pytest.mark.parametrize(
    ("reading", "today", "older", "value"),
    [
        (read_design, DESIGN, "brightness", "0.5"),
        (read_bench, "stray_fraction = 0.25", "stray_share", "0.25"),
    ],
)
def test_older_keys_are_read_with_one_line_of_notice(tmp_path, caplog, reading, today, older, value):
    key = re.search(r"relative_luminance|stray_fraction", today)[0]
    path = tmp_path / "file.toml"
    found = []
    for text in (today, today.replace(key, older)):
        path.write_text(text, encoding="utf-8")
        found.append(reading(path))
    assert found[0] == found[1] and value in repr(found[0])
    (said,) = [record.getMessage() for record in caplog.records]
    assert f"{older} is read as {key}; write {key}." in said
