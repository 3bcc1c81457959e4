"""What every driver of this project brings with it; a new one is not done before all of it is there."""

from __future__ import annotations

import importlib
import re
import tomllib
from pathlib import Path

import pytest
from driver_streams import STREAMS

from tipdatum_drivers.registry import BUILT_IN, find_driver
from tipdatum_drivers.serial_driver import SerialDriver

ROOT = Path(__file__).parents[3]
EXAMPLES = (ROOT / "config/services/lines.toml").read_text(encoding="utf-8")
PAGE = (ROOT / "service/tipdatum/docs/wiring.md").read_text(encoding="utf-8")
SERIAL = sorted(kind for kind in BUILT_IN if issubclass(find_driver(kind), SerialDriver))


def test_there_are_serial_drivers() -> None:
    assert len(SERIAL) >= 6


BYTES = [kind for kind in SERIAL if find_driver(kind).reads is SerialDriver.reads]  # type: ignore[attr-defined]
"""Those whose readings come as bytes of the line, which can be damaged."""


@pytest.mark.parametrize("kind", BYTES)
def test_joins_the_streams_that_are_chopped_damaged_and_fuzzed(kind: str) -> None:
    assert any(stream.kind == kind for stream in STREAMS.values())


@pytest.mark.parametrize("kind", SERIAL)
def test_its_module_draws_the_bytes_and_names_its_source(kind: str) -> None:
    text = importlib.import_module(BUILT_IN[kind].partition(":")[0]).__doc__ or ""
    assert "====" in text or "::" in text
    assert re.search(r"[Ss]ources?:|docs/packet\.md", text)


@pytest.mark.parametrize("kind", sorted(BUILT_IN))
def test_has_an_example_that_its_options_accept(kind: str) -> None:
    head, _, commented = EXAMPLES.partition("# [[driver]]\n")
    whole = f"{head}[[driver]]\n" + re.sub(r"(?m)^# ", "", commented)
    tables = tomllib.loads(whole)["driver"]
    examples = [table for table in tables if table.pop("kind") == kind]
    assert examples
    for table in examples:
        find_driver(kind).Options.model_validate(table)


def driver_table() -> str:
    """The built-in drivers as a Markdown table: kind, what it reads, the usual rates of such devices."""
    rows = ["| kind | reads | usual baud rates |", "| --- | --- | --- |"]
    for name in sorted(BUILT_IN):
        driver = find_driver(name)
        words = (driver.Options.__doc__ or "").split("\n")[0].partition(": ")[2].rstrip(".")
        rates = ", ".join(map(str, driver.usual_bauds)) or "-"
        rows.append(f"| `{name}` | {words} | {rates} |")
    return "\n".join(rows)


def test_the_page_lists_it_as_the_registry_does() -> None:
    match = re.search(r"<!-- drivers: [^>]* -->\s*(.*?)\s*<!-- end of drivers -->", PAGE, re.DOTALL)
    assert match is not None
    assert match[1] == driver_table()
