"""How many frames a second the page draws at 50 messages a second, on a processor that is held back.

    python tests/benchmarks/display_frames.py [--slow 1 4 6] [--seconds 8] [--results FOLDER]

The demo runs, Chromium shows its page headless, and the browser's own CPU throttling makes the page's thread
N times slower. In the same browser a bare page that does nothing but count its frames gives the floor. Given
are frames a second as a ratio to the floor's, and the time that the page's own code takes of a frame. The
browser draws without a graphics processor here: a tablet that has one draws faster.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, sync_playwright

sys.path.insert(0, str(Path(__file__).parents[1] / "harness"))
from demo_process import CHROMIUM, SWITCHES, demo_page

COUNT = """
window.took = [];
window.frames = [];
const request = window.requestAnimationFrame.bind(window);
window.requestAnimationFrame = (callback) => request((now) => {
  const begin = performance.now();
  callback(now);
  window.took.push(performance.now() - begin);
  window.frames.push(now);
});
"""
BARE = "data:text/html,<script>const go = () => requestAnimationFrame(go); go()</script>"


def measure(browser: Browser, address: str, slow: float, seconds: float) -> dict[str, Any]:
    """Frames a second and milliseconds of a frame's code, over `seconds`."""
    page = browser.new_page(viewport={"width": 1280, "height": 800})
    page.add_init_script(COUNT)
    page.goto(address)
    page.wait_for_timeout(
        14000 if address.startswith("http") else 1000
    )  # until arm, ground and trace are drawn
    page.context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": slow})
    page.wait_for_timeout(1000)
    page.evaluate("took.length = frames.length = 0")
    page.wait_for_timeout(seconds * 1000)
    took, frames = page.evaluate("[took, frames]")
    page.close()
    took.sort()
    return {
        "slow": slow,
        "frames_per_s": (len(frames) - 1) / (frames[-1] - frames[0]) * 1000,
        "code_ms_p50": took[len(took) // 2],
        "code_ms_p99": took[int(0.99 * (len(took) - 1))],
    }


def main() -> None:
    """Measure, print a table, write display_frames.json."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--slow", type=float, nargs="+", default=[1, 4, 6], help="times slower")
    parser.add_argument("--seconds", type=float, default=8)
    parser.add_argument("--results", type=Path, default=Path("results"))
    options = parser.parse_args()
    rows = []
    with demo_page() as address, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=SWITCHES)
        print("slowed  frames/s  of the floor  code of a frame, ms: median, 99 %")
        for slow in options.slow:
            floor = measure(browser, BARE, slow, options.seconds)
            page = measure(browser, address, slow, options.seconds)
            page["ratio"] = page["frames_per_s"] / floor["frames_per_s"]
            rows.append(page)
            print(
                f"{slow:5.0f}x  {page['frames_per_s']:8.1f}  {page['ratio']:12.2f}  "
                f"{page['code_ms_p50']:.1f}, {page['code_ms_p99']:.1f}"
            )
        browser.close()
    options.results.mkdir(parents=True, exist_ok=True)
    (options.results / "display_frames.json").write_text(json.dumps(rows, indent=2) + "\n")


if __name__ == "__main__":
    main()
