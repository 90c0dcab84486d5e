"""Help for tests: what a machine must have.

Something missing skips a test, or fails it where PREWARP_STRICT=1 (as in CI) wants every test to run.
"""

import importlib
import os
import shutil
import subprocess
from collections.abc import Iterable
from itertools import product
from pathlib import Path
from types import ModuleType
from typing import NoReturn

import pytest
from _pytest.mark.structures import ParameterSet

# Tests that take long and say little more than others do.
LONG = bool(os.environ.get("PREWARP_LONG"))
long_form = pytest.mark.skipif(not LONG, reason="long form: set PREWARP_LONG")


def one_in(every: int, *axes: Iterable[object]) -> list[ParameterSet]:
    """Return all combinations of some axes, of which one in `every` runs always, the others in the long form.

    As in a Latin square: no value of an axis is left out, nor are two of them always taken together.
    """
    params = []
    for one in product(*(list(enumerate(axis)) for axis in axes)):
        places, values = zip(*one, strict=True)
        params.append(pytest.param(*values, marks=() if sum(places) % every == 0 else long_form))
    return params


def missing(reason: str) -> NoReturn:
    """Skip the test, or fail it where PREWARP_STRICT=1."""
    if os.environ.get("PREWARP_STRICT") == "1":
        pytest.fail(f"{reason}; PREWARP_STRICT=1 wants every test to run")
    pytest.skip(reason)


def require_module(name: str) -> ModuleType:
    """Return an optional module."""
    try:
        return importlib.import_module(name)
    except ImportError as cause:
        missing(f"{name} is missing ({cause})")


def require_tool(name: str) -> str:
    """Return the path of a program."""
    path = shutil.which(name)
    if path is None:
        missing(f"{name} is not installed")
    return path


def require_node_package(name: str) -> tuple[str, Path]:
    """Return the path of node and a package's folder, in PREWARP_NODE_MODULES or where npm installs
    globally."""
    node = require_tool("node")
    folder = os.environ.get("PREWARP_NODE_MODULES")
    if folder is None:
        done = subprocess.run(
            [require_tool("npm"), "root", "-g"], capture_output=True, text=True, check=False
        )
        folder = done.stdout.strip()
    package = Path(folder) / name
    if not (package / "package.json").is_file():
        missing(
            f"the npm package {name} is not in {folder} (npm install -g {name}, or set PREWARP_NODE_MODULES)"
        )
    return node, package
