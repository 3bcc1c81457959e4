"""The table of lifetimes says what the code does; readers plan by it."""

from __future__ import annotations

import importlib
import re
from pathlib import Path

import pytest

SERVICE = Path(__file__).resolve().parents[2] / "service" / "tipdatum"
PAGE = (SERVICE / "docs" / "lifetimes.md").read_text(encoding="utf-8")
ROWS = re.findall(r"^\| (.+?) \| ([\d.]+) s \| `(.+?)` \|$", PAGE, re.MULTILINE)
COSTS = re.findall(r"([\d.]+) s \(`(tipdatum[\w.]+)`\)", PAGE)
IN_SOURCE = {
    "display/page/model.js": r"STALE_MS = (\d+)",
    "docs/examples/display.py": r"time\.monotonic\(\) - heard < ([\d.]+)",
}
"""Where a constant is no Python name: its file, and how it stands there."""


def decided(by: str) -> float:
    """The constant that decides, s."""
    if by in IN_SOURCE:
        found = re.search(IN_SOURCE[by], (SERVICE / by).read_text(encoding="utf-8"))
        assert found, f"{by} says nothing like {IN_SOURCE[by]}"
        return float(found[1]) / (1000.0 if "MS" in IN_SOURCE[by] else 1.0)
    module, name = by.rsplit(".", 1)
    value = getattr(importlib.import_module(module), name)
    return float(getattr(value, "expiry_s", value))


def test_the_table_is_there() -> None:
    assert len(ROWS) >= 9
    assert len(COSTS) == 2


@pytest.mark.parametrize(("what", "seconds", "by"), ROWS)
def test_a_row_says_what_the_code_does(what: str, seconds: str, by: str) -> None:
    assert decided(by) == float(seconds), what


@pytest.mark.parametrize(("seconds", "by"), COSTS)
def test_a_mishap_costs_what_the_page_says(seconds: str, by: str) -> None:
    assert decided(by) == float(seconds)


def test_no_other_page_has_lifetimes_of_its_own() -> None:
    """Where a page names a kill, a cut of the power or a full disk with seconds, it contradicts one day."""
    for page in [*SERVICE.glob("docs/*.md"), SERVICE.parents[1] / "README.md"]:
        if page.name in {"lifetimes.md", "measured.md"}:
            continue
        for line in page.read_text(encoding="utf-8").splitlines():
            about = re.search(r"(kill|power|full disk).{0,40}\b(second|\d s\b)", line)
            assert not about or "lifetimes" in line, f"{page.name}: {line}"
