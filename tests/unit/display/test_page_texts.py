"""The catalogue of texts has what the pages and the shipped scenarios ask for."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from tipdatum.display.server import PAGE, PRACTICE
from tipdatum.display.texts import speech
from tipdatum.shipped import shipped

PAGES = sorted([*PAGE.rglob("*.html"), *PAGE.rglob("*.js"), *PRACTICE.glob("*.html"), *PRACTICE.glob("*.js")])
ASKED = re.compile(
    r'data-(?:text|label|title)="([\w.-]+)"|\bsay\("([\w. -]+)"|(?:title|label|note): "([\w.-]+)"'
)
"""Keys that stand whole in a page's files; others are put together of parts."""
ENGLISH = speech("en").texts


@pytest.mark.parametrize("file", PAGES, ids=lambda file: f"{file.parent.name}/{file.name}")
def test_what_a_page_asks_for_is_there(file: Path) -> None:
    asked = {key for found in ASKED.findall(file.read_text(encoding="utf-8")) for key in found if key}
    assert {key for key in asked if key not in ENGLISH} == set()


@pytest.mark.parametrize("file", sorted(shipped("config", "scenarios").glob("*.toml")), ids=lambda f: f.stem)
def test_shipped_scenarios_are_told_in_every_language(file: Path) -> None:
    scenario = tomllib.loads(file.read_text(encoding="utf-8"))
    told = [scenario["name"], scenario["about"], scenario.get("task", {}).get("text")]
    assert {text for text in told if text and f"scenario.{text}" not in ENGLISH} == set()
