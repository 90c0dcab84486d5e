"""Help for tests: what a machine must have."""

import importlib
import os
from types import ModuleType

import pytest


def require_module(name: str) -> ModuleType:
    """Return an optional module; without it the test is skipped, or fails where PREWARP_STRICT=1 (as in CI)."""
    try:
        return importlib.import_module(name)
    except ImportError as cause:
        if os.environ.get("PREWARP_STRICT") == "1":
            pytest.fail(f"{name} is missing ({cause}); PREWARP_STRICT=1 wants every test to run")
        pytest.skip(f"{name} is not installed")
