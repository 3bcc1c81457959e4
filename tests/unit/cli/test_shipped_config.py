"""The configuration that is shipped is in order and complete."""

from __future__ import annotations

import re
import tomllib
import typing
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel

from tipdatum.config import ServiceFile, Settings, load_service
from tipdatum.machine.bucket_files import read_bucket
from tipdatum.machine.description import Machine, load_machine, parse_machine
from tipdatum.validation import parse_model
from tipdatum_drivers.fields import SensorFields
from tipdatum_drivers.registry import BUILT_IN, find_driver
from tipdatum_drivers.serial_port import SerialOptions
from tipdatum_drivers.session_file import SessionFile

ROOT = Path(__file__).parents[3]
MACHINES = sorted((ROOT / "config" / "machines").glob("*.toml"))
BUCKETS = sorted((ROOT / "config" / "buckets").glob("*.toml"))
SERVICES = sorted((ROOT / "config" / "services").glob("*.toml"))


@pytest.mark.parametrize("path", MACHINES, ids=lambda path: path.name)
def test_a_shipped_machine_loads(path: Path) -> None:
    load_machine(path)


@pytest.mark.parametrize("path", BUCKETS, ids=lambda path: path.name)
def test_a_shipped_bucket_is_one(path: Path) -> None:
    assert read_bucket(path)["tip_m"]


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


def _uncommented(example: Path) -> str:
    """The example with every key and table that it shows in a comment."""
    return re.sub(r"(?m)^# (?=\w+ = |\[)", "", example.read_text())


def _shown(table: dict[str, Any]) -> set[str]:
    found = set(table)
    for value in table.values():
        for inner in value if isinstance(value, list) else [value]:
            if isinstance(inner, dict):
                found |= _shown(inner)
    return found


WRITTEN = {"pin_m", "calibration", "calibrated", "date", "values", "verdict", "tip_sigma_m"}

EXAMPLES = [
    # Written by a calibration, not by people.
    pytest.param(Machine, ROOT / "config" / "machines" / "example.toml", WRITTEN, id="machine"),
    pytest.param(ServiceFile, ROOT / "config" / "services" / "example.toml", set(), id="service"),
]


@pytest.mark.parametrize(("model", "example", "left_out"), EXAMPLES)
def test_an_example_shows_every_key_there_is(
    model: type[BaseModel], example: Path, left_out: set[str]
) -> None:
    assert _keys(model) - left_out <= _shown(tomllib.loads(_uncommented(example)))


@pytest.mark.parametrize("kind", sorted(BUILT_IN))
def test_the_example_of_lines_shows_every_key_of_a_kind_of_driver(kind: str) -> None:
    tables = tomllib.loads(_uncommented(ROOT / "config" / "services" / "lines.toml"))["driver"]
    keys = _keys(find_driver(kind, "lines.toml", "driver").Options)
    # Keys of all ports and of all sensors with fields stand there once.
    common = keys & (_keys(SerialOptions) | _keys(SensorFields))
    assert keys - common <= _shown({"driver": [table for table in tables if table["kind"] == kind]})
    assert common <= _shown({"driver": tables})


@pytest.mark.parametrize(("model", "example", "left_out"), EXAMPLES)
def test_what_an_example_shows_in_comments_is_accepted(
    model: type[BaseModel], example: Path, left_out: set[str]
) -> None:
    parse_model(model, tomllib.loads(_uncommented(example)), example.name)


def test_the_example_of_a_service_works_as_one_without_its_tables_would() -> None:
    settings = load_service(ROOT / "config" / "services" / "example.toml").settings
    assert (settings.estimator, settings.work) == (Settings().estimator, Settings().work)


def test_the_demo_machine_is_the_one_of_its_dig() -> None:
    recorded = parse_machine(SessionFile(ROOT / "replay_data" / "trench.ndjson.gz").header.machine, "dig")
    described = load_machine(ROOT / "config" / "machines" / "demo.toml")
    # The description is rounded to a tenth of a millimetre.
    assert described.chain().lengths == pytest.approx(recorded.chain().lengths, abs=6e-5)
    assert described.chain().foot == pytest.approx(recorded.chain().foot, abs=6e-5)
    assert described.sensor == recorded.sensor
