"""The house rules that machines can hold: one way of data, one style, full types."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections import defaultdict
from graphlib import TopologicalSorter
from pathlib import Path

import grimp
import pytest

ROOT = Path(__file__).resolve().parents[2]
BIN = Path(sys.executable).parent


def run(*command: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=600, check=False)


def test_imports_go_one_way_only() -> None:
    done = run(str(BIN / "lint-imports"), "--no-cache")
    assert done.returncode == 0, done.stdout + done.stderr


def test_no_module_is_imported_by_what_it_imports() -> None:
    graph = grimp.build_graph("tipdatum", "tipdatum_drivers", cache_dir=None)
    imports = {name: graph.find_modules_directly_imported_by(name) for name in graph.modules}
    assert len(imports) > 200
    # A circle raises a CycleError that names it.
    TopologicalSorter(imports).prepare()


def test_no_two_classes_share_a_name() -> None:
    places: defaultdict[str, list[str]] = defaultdict(list)
    for package in (ROOT / "service" / "tipdatum", ROOT / "drivers" / "tipdatum_drivers"):
        for path in package.rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.ClassDef):
                    places[node.name.lstrip("_")].append(f"{path.relative_to(ROOT)}:{node.lineno}")
    assert len(places) > 200
    assert {name: found for name, found in places.items() if len(found) > 1} == {}


def test_no_module_is_longer_than_four_hundred_lines() -> None:
    long = [
        str(path.relative_to(ROOT))
        for room in ("service", "drivers")
        for path in (ROOT / room).rglob("*.py")
        if len(path.read_text(encoding="utf-8").splitlines()) > 400
    ]
    assert long == []


def test_ruff_finds_nothing() -> None:
    done = run(str(BIN / "ruff"), "check", "--no-cache", ".")
    assert done.returncode == 0, done.stdout


def test_every_file_is_formatted() -> None:
    done = run(str(BIN / "ruff"), "format", "--check", "--no-cache", ".")
    assert done.returncode == 0, done.stdout


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_mypy_strict_is_content() -> None:
    done = run(sys.executable, "-m", "mypy")
    assert done.returncode == 0, done.stdout


def test_the_top_level_holds_what_it_may() -> None:
    files = {"README.md", "DEVELOPERS.md", "pyproject.toml"}
    folders = {"service", "drivers", "config", "tests", "replay_data"}
    tracked = run("git", "ls-files").stdout.splitlines()
    if not tracked:
        pytest.skip("not a git checkout")
    top = {name.split("/")[0] for name in tracked}
    assert {name for name in top if not name.startswith(".")} == files | folders
