"""Ctrl-C while a file is written: the old one stands as it was, and nothing half-written lies beside it."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, NoReturn

import pytest

from tipdatum.calibration import description
from tipdatum.calibration.observations import ObservationBook
from tipdatum.calibration.observations_file import save_observations
from tipdatum.results import write_text

WRITERS: dict[str, Callable[[Path], Any]] = {
    "result.svg": lambda path: write_text(path, "new"),
    "result.csv.gz": lambda path: write_text(path, "new"),
    "machine.toml": lambda path: description.write(path, "new", "20260501-100000", "old"),
    "observations.toml": lambda path: save_observations(path, ObservationBook(machine="new")),
    "observations.json": lambda path: save_observations(path, ObservationBook(machine="new")),
}
ON_DISK, IN_PLACE = (os, "fsync"), (Path, "replace")
"""Calls before which Ctrl-C comes."""
CASES = [(name, IN_PLACE) for name in WRITERS]
CASES += [(name, ON_DISK) for name in WRITERS if not name.startswith("result")]  # a result waits for no disk


@pytest.mark.parametrize(("name", "moment"), CASES)
def test_ctrl_c_while_a_file_is_written_leaves_the_old_one_and_nothing_else(
    name: str, moment: tuple[object, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / name
    old = 'machine = "old"\n' if name == "observations.toml" else "old"
    path.write_text(old, encoding="utf-8")

    def interrupted(*_: object) -> NoReturn:
        raise KeyboardInterrupt

    monkeypatch.setattr(*moment, interrupted)
    with pytest.raises(KeyboardInterrupt):
        WRITERS[name](path)
    assert [(one.name, one.read_text(encoding="utf-8")) for one in tmp_path.iterdir()] == [(name, old)]


def test_ctrl_c_once_the_old_description_is_kept_leaves_both_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "machine.toml"
    path.write_text("old", encoding="utf-8")
    replace = Path.replace

    def interrupted(part: Path, target: Path) -> Path:
        if target == path:
            raise KeyboardInterrupt
        return replace(part, target)

    monkeypatch.setattr(Path, "replace", interrupted)
    with pytest.raises(KeyboardInterrupt):
        description.write(path, "new", "20260501-100000", "old")
    assert {one.name: one.read_text(encoding="utf-8") for one in tmp_path.iterdir()} == {
        "machine.toml": "old",
        "machine.20260501-100000.toml": "old",
    }
