"""From a message at the browser's socket to the figure on the screen, and what the page costs.

    python tests/harness/latency_page.py [--seconds 20]

A stand-in of the service publishes 50 tips a second, each with another deviation. On the page's own clock:
when the message came in at the WebSocket, when the digits changed (a mutation observer), and the next frame
after that, which is when they can be seen. Cost is the share of the time that the renderer's main thread was
at work, from the browser's own counters.
"""

from __future__ import annotations

import argparse
import itertools
import json
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from playwright.sync_api import sync_playwright

sys.path.insert(0, str(Path(__file__).parent / "display"))
from conftest import CHROMIUM, SWITCHES, Mosquitto, StandIn
from tipdatum.display.server import PageSettings, start

WATCH = """
window.came = 0; window.digits = []; window.pixels = [];
const Real = window.WebSocket;
window.WebSocket = class extends Real {
  constructor(...rest) {
    super(...rest);
    this.addEventListener("message", ({ data }) => {
      if (new TextDecoder().decode(data).includes("/tip{")) window.came = performance.now();
    });
  }
};
addEventListener("DOMContentLoaded", () => {
  new MutationObserver(() => {
    const { came } = window;
    window.digits.push(performance.now() - came);
    requestAnimationFrame(() => window.pixels.push(performance.now() - came));
  }).observe(document.getElementById("digits"), { childList: true, characterData: true, subtree: true });
});
"""


def measure(seconds: float) -> dict[str, float]:
    """Latencies in ms, and the main thread's share of the time."""
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        broker = Mosquitto(Path(folder))
        stand_in = StandIn(broker.port)
        server = start("127.0.0.1", 0, PageSettings(broker.ws_url, StandIn.MACHINE))
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=SWITCHES)
        page = browser.new_page(viewport={"width": 1280, "height": 800})
        page.add_init_script(WATCH)
        page.goto(server.url)
        page.wait_for_selector("#known:not([hidden])")
        counters = page.context.new_cdp_session(page)
        counters.send("Performance.enable")

        def busy() -> float:
            metrics = counters.send("Performance.getMetrics")["metrics"]
            return float(next(m["value"] for m in metrics if m["name"] == "TaskDuration"))

        begin, before = time.monotonic(), busy()
        for i in itertools.count():
            if time.monotonic() - begin > seconds:
                break
            deviation = 0.1 + 0.05 * np.sin(i / 3)
            stand_in.tip |= {"deviation_m": round(deviation, 4), "elevation_m": round(22.94 + deviation, 4)}
            time.sleep(0.02)
        share = (busy() - before) / (time.monotonic() - begin)
        digits, pixels = page.evaluate("[window.digits, window.pixels]")
        browser.close()
        server.close()
        stand_in.close()
        broker.stop()
    return {
        "changes": len(digits),
        "message_to_digits_median_ms": float(np.median(digits)),
        "message_to_digits_p99_ms": float(np.percentile(digits, 99)),
        "message_to_pixel_median_ms": float(np.median(pixels)),
        "message_to_pixel_p99_ms": float(np.percentile(pixels, 99)),
        "main_thread_share": share,
    }


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seconds", type=float, default=20.0)
    print(json.dumps(measure(parser.parse_args().seconds), indent=2))


if __name__ == "__main__":
    main()
