"""The page in front of the real service, its embedded broker and a recorded dig that comes to an end."""

from __future__ import annotations

import gzip
import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

pytestmark = [pytest.mark.browser, pytest.mark.slow]

ROOT = Path(__file__).parents[3]
DIG = ROOT / "replay_data" / "trench.ndjson.gz"
ENDS_S = 14.0  # well after the reference at 8 s and the target at 10.2 s


@pytest.fixture
def service(tmp_path: Path) -> Iterator[str]:
    """The address of the page of a service whose sensors fall silent after `ENDS_S`."""
    short = tmp_path / "short.ndjson"
    with gzip.open(DIG, "rt") as whole, short.open("w") as cut:
        cut.writelines(line for line in whole if json.loads(line).get("t", 0) <= ENDS_S)
    machine = (ROOT / "config" / "machines" / "demo.toml").as_posix()
    (tmp_path / "service.toml").write_text(
        f'machine = "{machine}"\nmachine_id = "tested"\n'
        f'[[driver]]\nkind = "replay"\nfile = "{short.as_posix()}"\n'
        "[work]\nwatch_moves = false\n"
    )
    process = subprocess.Popen(
        [sys.executable, "-m", "tipdatum", "run", str(tmp_path / "service.toml")],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env={**os.environ, "STATE_DIRECTORY": str(tmp_path / "state")},
    )
    assert process.stdout is not None
    said = ""
    for line in process.stdout:
        said += line
        if found := re.search(r"http://127\.0\.0\.1:\d+/", line):
            yield found[0]
            break
    else:
        pytest.fail(f"the service named no page:\n{said}")
    process.terminate()
    process.communicate(timeout=60)


def test_dig_is_shown_commands_arrive_and_the_end_of_the_readings_is_said(page: Page, service: str) -> None:
    page.goto(service)
    expect(page.locator("#verdict")).to_contain_text("target")  # reference and target are set
    expect(page.locator("#setup")).to_contain_text("target level −1.100 m")
    expect(page.locator("#card")).to_contain_text("buried services")
    page.click("#card button")
    page.click("[data-tool=target]")
    page.click("[data-page=band]")
    page.fill("input[name=above_m]", "20 mm")
    page.fill("input[name=below_m]", "20 mm")
    page.click("#form-actions .first")
    expect(page.locator("#answer")).to_contain_text("Done.")
    page.click("#form-close")
    expect(page.locator("#setup")).to_contain_text("tolerance +20/−20 mm")
    expect(page.locator("#known")).to_be_hidden()
    expect(page.locator("#why")).to_have_text("A sensor is silent")
