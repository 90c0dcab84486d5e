"""Help for tests: what a machine must have.

Something missing skips a test, or fails it where PREWARP_STRICT=1 (as in CI) wants every test to run.
"""

import importlib
import os
import shutil
from types import ModuleType
from typing import NoReturn

import pytest


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
