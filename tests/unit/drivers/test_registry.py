"""Drivers are found by name, ours and those of other packages."""

from __future__ import annotations

import tomllib
from importlib import metadata
from pathlib import Path

import pytest
from pydantic import BaseModel

from tipdatum_drivers.errors import ConfigError
from tipdatum_drivers.registry import BUILT_IN, GROUP, find_driver


@pytest.mark.parametrize("name", sorted(BUILT_IN))
def test_every_built_in_driver_loads_and_has_options(name: str) -> None:
    driver = find_driver(name)
    assert issubclass(driver.Options, BaseModel)
    assert driver.Options.model_config["extra"] == "forbid"
    assert driver.Options.__doc__


def test_built_in_table_and_announced_entry_points_agree() -> None:
    project = tomllib.loads((Path(__file__).parents[3] / "pyproject.toml").read_text())
    assert project["project"]["entry-points"][GROUP] == BUILT_IN


def test_unknown_name_is_refused_with_a_suggestion() -> None:
    message = r'site\.toml: driver\[0\]\.kind: found "replya"; expected "replay"\?'
    with pytest.raises(ConfigError, match=message):
        find_driver("replya", "site.toml", "driver[0].kind")
    with pytest.raises(ConfigError, match=r"expected one of .*replay"):
        find_driver("zzz")


def announce(monkeypatch: pytest.MonkeyPatch, value: str) -> None:
    entries = [metadata.EntryPoint("other", value, GROUP)]
    monkeypatch.setattr(metadata, "entry_points", lambda group: entries)


def test_driver_of_another_package_is_found_through_its_entry_point(monkeypatch: pytest.MonkeyPatch) -> None:
    announce(monkeypatch, "tipdatum_drivers.replay:ReplayDriver")
    assert find_driver("other").__name__ == "ReplayDriver"


@pytest.mark.parametrize(
    ("value", "message"),
    [
        ("no_such_package.x:Y", "cannot be loaded"),
        ("tipdatum_drivers.source:Emit", "expected a class derived from source.Driver"),
    ],
)
def test_package_that_announces_what_it_has_not_is_refused(
    monkeypatch: pytest.MonkeyPatch, value: str, message: str
) -> None:
    announce(monkeypatch, value)
    with pytest.raises(ConfigError, match=message):
        find_driver("other")
