"""From a message at the browser's socket to the figure on the screen, and what the page costs.

    python tests/harness/latency_page.py [--seconds 20]

A stand-in of the service publishes 50 tips a second, each with another deviation. On the page's own clock:
when the message came in at the WebSocket, when the digits changed (a mutation observer), and the next frame
after that, which is when they can be seen. Cost is the share of the time that the renderer's main thread was
at work, from the browser's own counters, and once more from a trace that the browser writes in a second run:
there by what the thread did, in ms a second.
"""

from __future__ import annotations

import argparse
import itertools
import json
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any

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


TRACED = ["toplevel", "devtools.timeline", "disabled-by-default-devtools.timeline"]
DONE = (
    "FunctionCall", "FireAnimationFrame", "UpdateLayoutTree", "Layout", "PrePaint", "Paint", "Layerize",
    "Commit", "MinorGC", "MajorGC",
)  # fmt: skip
"""Kinds of work in a trace that are told apart; calls of functions lie inside of frames and events."""


def main_thread(trace: dict[str, Any], seconds: float) -> dict[str, float]:
    """Share of the time at work and ms a second by kind, of the renderer's main thread that worked most."""
    events = trace["traceEvents"]
    named = [e for e in events if e.get("name") == "thread_name" and e["args"]["name"] == "CrRendererMain"]
    threads = {(e["pid"], e["tid"]) for e in named}
    spent: dict[tuple[int, int], Counter[str]] = {thread: Counter() for thread in threads}
    for event in events:
        if event.get("ph") == "X" and (thread := (event["pid"], event["tid"])) in threads:
            # The thread's own time where it is told: on a busy computer it is kept waiting.
            spent[thread][event["name"]] += event.get("tdur", event.get("dur", 0))
    busiest = max(spent.values(), key=lambda one: one["RunTask"])
    kinds = {f"{name}_ms_per_s": busiest[name] / 1000 / seconds for name in DONE}
    return {"traced_main_thread_share": busiest["RunTask"] / 1e6 / seconds, **kinds}


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

        def move() -> float:
            """Move the tip for so long; how long it was in the end."""
            begin = time.monotonic()
            for i in itertools.count():
                if time.monotonic() - begin > seconds:
                    break
                deviation = 0.1 + 0.05 * np.sin(i / 3)
                stand_in.tip |= {
                    "deviation_m": round(deviation, 4),
                    "elevation_m": round(22.94 + deviation, 4),
                }
                time.sleep(0.02)
            return time.monotonic() - begin

        before = busy()
        took = move()
        share = (busy() - before) / took
        digits, pixels = page.evaluate("[window.digits, window.pixels]")
        browser.start_tracing(page=page, categories=TRACED)
        took = move()
        traced = main_thread(json.loads(browser.stop_tracing()), took)
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
        **traced,
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
