"""Fixtures that every test may use."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

_spec = importlib.util.spec_from_file_location("shared_data", Path(__file__).parent / "shared_data.py")
assert _spec is not None
assert _spec.loader is not None
_module = importlib.util.module_from_spec(_spec)
sys.modules["shared_data"] = _module
_spec.loader.exec_module(_module)


@pytest.fixture(scope="session")
def shared_data() -> Callable[..., Path]:
    """`shared_data("physics_public", "trench-hobby.ndjson.gz")`: a path, or the test is skipped saying why."""
    found: Callable[..., Path] = _module.shared
    return found
