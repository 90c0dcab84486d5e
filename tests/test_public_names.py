"""Public names: packages say what they offer, every public name has a docstring, units are in place."""

import ast
import importlib
import inspect
import pkgutil
from pathlib import Path

import pytest

import prewarp
from tests.sources import nodes_of

MODULES = sorted(
    name
    for _, name, _ in pkgutil.walk_packages(prewarp.__path__, "prewarp.")
    if not name.startswith("prewarp.cli")
)
# Abbreviations that people write where a word would do. The symbols u, v, x, y, z, q, t are words.
ABBREVIATIONS = {
    "img",
    "calc",
    "cfg",
    "tmp",
    "idx",
    "arr",
    "num",
    "func",
    "params",
    "coef",
    "coefs",
    "coeffs",
    "dist",
    "cam",
    "lum",
}


def _defined_here(module):
    for name, value in vars(module).items():
        if name.startswith("_") or not (inspect.isclass(value) or inspect.isfunction(value)):
            continue
        if value.__module__ == module.__name__:
            yield name, value


@pytest.mark.parametrize("name", MODULES)
def test_modules_and_public_names_have_docstrings(name):
    module = importlib.import_module(name)
    assert module.__doc__, f"{name} says nothing of itself"
    for public, value in _defined_here(module):
        assert value.__doc__, f"{name}.{public} has no docstring"
        if inspect.isclass(value):
            for method, function in vars(value).items():
                if inspect.isfunction(function) and not method.startswith("_"):
                    assert function.__doc__, f"{name}.{public}.{method} has no docstring"


@pytest.mark.parametrize(
    "name", [name for name in MODULES if hasattr(importlib.import_module(name), "__all__")]
)
def test_what_a_package_offers_is_there(name):
    module = importlib.import_module(name)
    for public in module.__all__:
        assert hasattr(module, public), f"{name}.__all__ names '{public}', which is not there"
    assert len(set(module.__all__)) == len(module.__all__)


def test_no_abbreviations_in_public_names():
    found = []
    for path in sorted(Path(prewarp.__file__).parent.rglob("*.py")):
        for node in nodes_of(path):
            names = []
            if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
                names.append(node.name)
            if isinstance(node, ast.FunctionDef):
                names += [one.arg for one in (*node.args.args, *node.args.posonlyargs, *node.args.kwonlyargs)]
            found += [
                f"{path.name}: {name}"
                for name in names
                if ABBREVIATIONS & set(name.strip("_").lower().split("_"))
            ]
    assert not found, "\n".join(found)
