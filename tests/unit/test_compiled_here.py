"""Where the kernels could be compiled they are there, and of the source that stands here.

Without them the tests of compiled twins skip, and a build that failed would be noticed by nobody.
"""

from __future__ import annotations

import importlib.util
import os
import sys
from pathlib import Path
from types import ModuleType
from typing import Any, Generic, TypeVar

import pytest

import tipdatum
from module_at import module_at
from tipdatum.fusion.chain import compiled
from tipdatum.run import build

ROOT = Path(__file__).resolve().parents[2]
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


def test_kernels_that_can_be_compiled_are_there_and_of_the_source_that_stands_here(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    expected(monkeypatch)
    assert compiled.built is not None, f"a compiler is here and no kernels of this source: {INSTALL}"


def test_reads_of_a_port_that_can_be_compiled_are_there(monkeypatch: pytest.MonkeyPatch) -> None:
    expected(monkeypatch)
    assert importlib.util.find_spec("tipdatum_drivers._kept") is not None, (
        f"a compiler is here and no compiled reads: {INSTALL}"
    )


def test_kernels_of_an_older_source_are_left_aside(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    if compiled.built is None:
        pytest.skip("no kernels here")
    changed = tmp_path / "_kernels.c"
    changed.touch()
    os.utime(changed, (2e10, 2e10))
    monkeypatch.setattr(compiled, "SOURCES", [*compiled.SOURCES, changed])
    assert compiled._built() == (None, True)
    monkeypatch.setattr(compiled, "built", None)
    monkeypatch.setattr(compiled, "outdated", True)
    assert "older source" in build.compiled()
