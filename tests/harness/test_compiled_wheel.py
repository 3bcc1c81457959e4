"""Compiled modules give the bytes of the Python that they were made from; without a compiler a wheel is pure.

The kernels are left aside in that comparison: they have checks of their own, to the last digits.
"""

from __future__ import annotations

import gzip
import importlib.util
import json
import os
import subprocess
import sys
import zipfile
from itertools import takewhile
from pathlib import Path
from typing import Any

import pytest

from module_at import module_at

ROOT = Path(__file__).parents[2]
DIGS = [ROOT / "replay_data" / f"{name}.ndjson.gz" for name in ("trench", "rocker", "tilted")]
LENGTH_S = 24.0
"""Of each dig that is replayed: twelve seconds and more of digging after its last order."""
HOOK = ROOT / "service" / "build_hook.py"
# A limit for computers that do much else: alone it takes less than a minute.
PATIENCE_S = 1200
pytestmark = [
    pytest.mark.slow,
    pytest.mark.timeout(2 * PATIENCE_S),
    pytest.mark.skipif(importlib.util.find_spec("hatchling") is None, reason="no hatchling here"),
]

REPLAY = """
import sys
from pathlib import Path
from tipdatum.config import FusionTable, make_settings
from tipdatum.grade.forms import WorkOptions
from tipdatum.run.build import compiled
from tipdatum.run.replay import replay_file

print(compiled())
for dig in map(Path, sys.argv[2:]):
    settings = make_settings(FusionTable(), WorkOptions(), "defaults")
    replay_file(dig, Path(sys.argv[1], f"{dig.name}.tip.ndjson"), settings)
"""


def python(*arguments: str, cwd: Path, **environment: str) -> str:
    """What an interpreter of its own says."""
    done = subprocess.run(
        [sys.executable, *arguments],
        cwd=cwd,
        env=os.environ | environment,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout.strip()


def wheel(folder: Path, **environment: str) -> Path:
    """Built by what is installed here, without an environment of its own."""
    python("-m", "hatchling", "build", "-t", "wheel", "-d", str(folder), cwd=ROOT, **environment)
    (made,) = folder.glob("*.whl")
    return made


def compiled_parts(made: Path) -> list[str]:
    with zipfile.ZipFile(made) as opened:
        return [name for name in opened.namelist() if name.endswith((".so", ".pyd"))]


def beginning(dig: Path, folder: Path) -> Path:
    """The first seconds of a dig."""
    made = folder / dig.name.removesuffix(".gz")
    with gzip.open(dig, "rt", encoding="utf-8") as lines:
        made.write_text("".join(takewhile(lambda line: json.loads(line).get("t", 0.0) < LENGTH_S, lines)))
    return made


def messages(path: Path) -> list[str]:
    first, *rest = path.read_text(encoding="utf-8").splitlines()
    plain = json.loads(first)
    plain.pop("origin")  # it names the build
    return [json.dumps(plain), *rest]


def test_compiled_modules_replay_digs_to_the_same_bytes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("TIPDATUM_PURE", raising=False)
    if not module_at(HOOK).can_compile() or importlib.util.find_spec("mypyc") is None:
        pytest.skip("no C compiler, Python.h or mypyc here")
    made = wheel(tmp_path / "dist")
    assert "none-any" not in made.name
    installed = tmp_path / "installed"
    with zipfile.ZipFile(made) as opened:
        opened.extractall(installed)
    whole = python("-c", REPLAY, str(tmp_path), cwd=tmp_path, PYTHONPATH=str(installed))
    assert whole == "compiled kernels and modules"
    digs = [beginning(dig, tmp_path) for dig in DIGS]
    for folder, path, parts in (
        ("wheel", installed, "compiled modules"),
        ("source", f"{ROOT / 'service'}{os.pathsep}{ROOT / 'drivers'}", "pure Python"),
    ):
        (tmp_path / folder).mkdir()
        pure = {"PYTHONPATH": str(path), "TIPDATUM_PURE": "1"}
        told = python("-c", REPLAY, folder, *map(str, digs), cwd=tmp_path, **pure)
        assert told == parts
    for dig in digs:
        name = f"{dig.name}.tip.ndjson"
        compiled = messages(tmp_path / "wheel" / name)
        assert len(compiled) > 10.0 * LENGTH_S
        assert compiled == messages(tmp_path / "source" / name), name


@pytest.mark.parametrize(
    "environment",
    [{"PATH": "/nowhere", "CC": ""}, {"TIPDATUM_PURE": "1"}, {"CC": "false"}],
    ids=["no compiler", "asked for", "a compiler that fails"],
)
def test_a_wheel_is_pure_python_where_nothing_compiles(tmp_path: Path, environment: dict[str, str]) -> None:
    made = wheel(tmp_path, **environment)
    assert made.name.endswith("-py3-none-any.whl")
    assert compiled_parts(made) == []


def test_an_editable_build_puts_no_compiled_module_beside_its_source(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    hook: Any = module_at(HOOK)
    built: list[str] = []
    monkeypatch.setattr(hook, "can_compile", lambda: True)
    monkeypatch.setattr(hook, "build", lambda extensions, _: built.extend(one.name for one in extensions))
    for source in hook.IN_C.values():
        (tmp_path / source).parent.mkdir(parents=True)
    parts = hook.CompiledParts(str(tmp_path), {"modules": ["unused.py"]}, None, None, str(tmp_path), "wheel")
    for_the_wheel = {"force_include": {}}
    parts.initialize("editable", for_the_wheel)
    parts.finalize("editable", for_the_wheel, "")
    assert built == list(hook.IN_C)
    assert for_the_wheel == {"force_include": {}}


def test_the_version_says_what_is_compiled() -> None:
    told = python("-m", "tipdatum", "--version", cwd=ROOT / "service", TIPDATUM_PURE="1")
    assert told.endswith(", pure Python)")
