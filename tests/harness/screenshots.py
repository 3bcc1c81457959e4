"""Makes the README's pictures from the demo, so that they never age.

    python tests/harness/screenshots.py [--folder service/tipdatum/docs/pictures]

Runs `tipdatum demo` and `tipdatum report`, works the page by touch as an operator would, and writes
`page-sun.png`, `page-night.png`, `page-target.png` and `report.png`.
Look at them before you commit them.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

sys.path.insert(0, str(Path(__file__).parent))
from demo_process import CHROMIUM, SWITCHES, demo_page

ROOT = Path(__file__).parents[2]
DIG = ROOT / "replay_data" / "trench.ndjson.gz"
NEAR = """
() => document.getElementById("unit").textContent === "mm"
  && Math.abs(parseFloat(document.getElementById("digits").textContent.replace("−", "-"))) < 80
"""
"""The tip is close to the target: the moment a person would look at."""


def opened(browser: Browser, address: str, width: int, height: int, light: str) -> Page:
    """The page with figures."""
    page = browser.new_page(viewport={"width": width, "height": height}, locale="en-GB")
    page.goto(f"{address}?light={light}&language=en")
    page.wait_for_selector("#known:not([hidden])", timeout=90000)
    return page


def work_until_near(page: Page, *, longest_s: float = 200.0) -> None:
    """Read cautions and set a tolerance as an operator does, until the bucket is at work on the target.

    The recording starts again and again, and with it the day: what was set is set anew.
    """
    since = (
        time.monotonic()
    )  # when the tolerance was set: soon a pass has been dug and there is ground to see
    until = time.monotonic() + longest_s
    while time.monotonic() < until:
        page.wait_for_timeout(200)
        setup = page.inner_text("#setup")
        if page.is_visible("#card button"):
            page.click("#card button")
        elif "target level" in setup and "no tolerance" in setup:
            set_tolerance(page)
            since = time.monotonic()
        elif "tolerance" in setup and time.monotonic() - since > 12 and page.evaluate(NEAR):
            return
    raise RuntimeError("the bucket never came to the target")


def set_tolerance(page: Page) -> None:
    """Target, tolerance, a chip."""
    page.click("[data-tool=target]")
    page.click("[data-page=band]")
    page.click(".chips button:nth-child(3)")
    page.wait_for_timeout(500)
    page.click("#form-close")


def pictures_of_the_page(browser: Browser, folder: Path) -> None:
    """Sun, night and a form."""
    with demo_page() as address:
        sizes = (("sun", 1280, 800, "sun"), ("night", 800, 480, "night"))
        for name, width, height, light in sizes:
            page = opened(browser, address, width, height, light)
            work_until_near(page)
            page.screenshot(path=folder / f"page-{name}.png")
            page.close()
        page = opened(browser, address, 800, 480, "sun")
        work_until_near(page)
        page.click("[data-tool=target]")
        page.click("[data-page=grade]")
        page.fill("input[name=grade]", "1 in 60")
        page.screenshot(path=folder / "page-target.png")
        page.click("#form-close")


def picture_of_the_report(browser: Browser, folder: Path) -> None:
    """The first page of the report of the demo's dig."""
    with tempfile.TemporaryDirectory() as scratch:
        file = Path(scratch) / "report.html"
        config = ROOT / "config" / "services" / "demo.toml"
        command = [
            sys.executable,
            "-m",
            "tipdatum",
            "report",
            str(DIG),
            "-o",
            str(file),
            "--config",
            str(config),
        ]
        subprocess.run(command, check=True)
        page = browser.new_page(viewport={"width": 860, "height": 1100})
        page.goto(file.as_uri())
        page.screenshot(path=folder / "report.png")


def main() -> None:
    """Make every picture."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--folder", type=Path, default=ROOT / "service" / "tipdatum" / "docs" / "pictures")
    folder: Path = parser.parse_args().folder
    folder.mkdir(parents=True, exist_ok=True)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=SWITCHES)
        pictures_of_the_page(browser, folder)
        picture_of_the_report(browser, folder)
        browser.close()
    for picture in sorted(folder.glob("*.png")):
        print(f"{picture}: {picture.stat().st_size / 1024:.0f} kB")


if __name__ == "__main__":
    main()
