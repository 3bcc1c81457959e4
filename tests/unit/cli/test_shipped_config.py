"""The configuration that is shipped is in order and complete."""

from __future__ import annotations

import typing
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel

from tipdatum.config import load_service
from tipdatum.machine import Machine, load_machine, parse_machine
from tipdatum_drivers.session_file import SessionFile

ROOT = Path(__file__).parents[3]
MACHINES = sorted((ROOT / "config" / "machines").glob("*.toml"))
SERVICES = sorted((ROOT / "config" / "services").glob("*.toml"))


@pytest.mark.parametrize("path", MACHINES, ids=lambda path: path.name)
def test_a_shipped_machine_loads(path: Path) -> None:
    load_machine(path)


@pytest.mark.parametrize("path", SERVICES, ids=lambda path: path.name)
def test_a_shipped_service_loads_and_names_files_that_are_shipped(path: Path) -> None:
    service = load_service(path)
    assert service.machine_path in MACHINES
    for driver in service.drivers:
        if driver.kind == "replay":
            SessionFile(getattr(driver.options, "file"))  # noqa: B009 - the options' type is the driver's own


def _keys(model: type[BaseModel]) -> set[str]:
    found: set[str] = set()
    for name, info in model.model_fields.items():
        found.add(name)
        pending: list[Any] = [info.annotation]
        while pending:
            annotation = pending.pop()
            pending += typing.get_args(annotation)
            if isinstance(annotation, type) and issubclass(annotation, BaseModel):
                found |= _keys(annotation)
    return found


def test_the_example_shows_every_key_that_a_machine_knows() -> None:
    text = (ROOT / "config" / "machines" / "example.toml").read_text()
    # Written by a calibration, not by people.
    missing = {key for key in _keys(Machine) - {"calibration"} if key not in text}
    assert not missing


def test_the_demo_machine_is_the_one_of_its_dig() -> None:
    recorded = parse_machine(SessionFile(ROOT / "replay_data" / "trench.ndjson.gz").header.machine, "dig")
    described = load_machine(ROOT / "config" / "machines" / "demo.toml")
    # The description is rounded to a tenth of a millimetre.
    assert described.chain().lengths == pytest.approx(recorded.chain().lengths, abs=6e-5)
    assert described.chain().foot == pytest.approx(recorded.chain().foot, abs=6e-5)
    assert described.sensor == recorded.sensor
