"""Where the kernels could be compiled they are there, and of the source that stands here.

Without them the tests of compiled twins skip, and a build that failed would be noticed by nobody.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType
from typing import Any, Generic, TypeVar

import pytest

import tipdatum
from module_at import module_at
from tipdatum.fusion.chain import compiled

ROOT = Path(__file__).resolve().parents[2]
CHAIN = ROOT / "service" / "tipdatum" / "fusion" / "chain"
INSTALL = (
    "install the checkout again: .venv/bin/pip install -v -e '.[test]' (-v shows why it did not compile)"
)
Any_ = TypeVar("Any_")


class _Interface(Generic[Any_]):
    """In the place of hatchling's, which an environment for tests need not have."""


def expected(monkeypatch: pytest.MonkeyPatch) -> None:
    """Skip where no kernels are to be expected: no compiler or headers, pure Python asked for, a wheel."""
    if importlib.util.find_spec("hatchling") is None:
        parts = ["hatchling", "builders", "hooks", "plugin", "interface"]
        for i in range(1, len(parts) + 1):
            module = ModuleType(".".join(parts[:i]))
            monkeypatch.setitem(sys.modules, module.__name__, module)
        module.BuildHookInterface = _Interface  # type: ignore[attr-defined]
    hook: Any = module_at(ROOT / "service" / "build_hook.py")
    if not hook.can_compile():
        pytest.skip("no C compiler or Python.h here, or TIPDATUM_PURE asks for pure Python")
    if ROOT not in Path(tipdatum.__file__).resolve().parents:
        pytest.skip("not an editable installation")


def test_kernels_that_can_be_compiled_are_there(monkeypatch: pytest.MonkeyPatch) -> None:
    expected(monkeypatch)
    assert compiled.built is not None, f"a compiler is here and no kernels: {INSTALL}"


def test_kernels_are_of_the_source_that_stands_here(monkeypatch: pytest.MonkeyPatch) -> None:
    expected(monkeypatch)
    if compiled.built is None:
        pytest.skip("no kernels; the other test says so")
    made = Path(compiled.built.__file__).stat().st_mtime
    newer = [p.name for p in (CHAIN / "_kernels.c", *CHAIN.glob("kernels/*.h")) if p.stat().st_mtime > made]
    assert not newer, f"{', '.join(newer)} changed since the kernels were compiled: {INSTALL}"
