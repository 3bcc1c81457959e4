"""Walks through every view of the page in every size, light and language, and takes a picture of each.

    python tests/harness/page_walk.py FOLDER [--sizes 800x480 …] [--lights sun] [--languages de] [--forms …]

A stand-in speaks for the service, on a day on which everything there is to show is there. Each walk becomes
contact sheets, `FOLDER/<size>-<light>-<language>-<n>.png`, to be looked at; printed is what a program sees by
itself: text that is cut off, buttons out of sight, and what reads the same in two languages.
"""

from __future__ import annotations

import argparse
import base64
import math
import sys
import tempfile
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, Page, sync_playwright

sys.path.insert(0, str(Path(__file__).parent / "display"))
from conftest import CHROMIUM, SWITCHES, Mosquitto, StandIn
from tipdatum.display.server import PageSettings, start
from tipdatum.sentences import said, sentence

SIZES = ["1280x800", "1024x600", "800x480", "512x300", "390x844", "844x390"]
"""The usual panels, 1024 by 600 at 200 % zoom, and a phone in both directions."""
TOOLS = ["reference", "target", "machine", "points", "limits", "trench", "day", "screen"]
COLUMNS = {"1280x800": 3, "1024x600": 3, "800x480": 4, "512x300": 5, "390x844": 7, "844x390": 4}

STATE: dict[str, Any] = {
    "tolerance": {"above_m": 0.02, "below_m": 0.02},
    "target": {
        "kind": "level", "elevation_m": 22.94, "layers": [{"name": "BED", "up_m": 0.15}],
    },
    "marks": {
        "BM1": {"elevation_m": 24.31, "known": True}, "TP1": {"elevation_m": 23.87, "known": False},
        "mark 1": {"elevation_m": 23.5, "known": False},
    },
    "limits": [
        {"kind": "floor", "value": 22.0, "note": "gas pipe", "margin_m": 0.3},
        {"kind": "slew left", "value": 45.0, "note": ""},
        {"kind": "far reach", "value": 8.5, "note": "", "margin_m": 0.1},
    ],
    "plane": {"elevation_m": 25.6, "grade": -0.01, "note": "tripod by the gate"},
    "points": 12, "recording": False, "trench": {"name": "Drain A", "jurisdiction": "us"},
}  # fmt: skip
NEAR = [
    {
        "kind": "far reach", "state": "near", "distance_m": 0.42, "point": "tip", "time_s": 1.4, "note": "",
        "reason": "",
    },
    {
        "kind": "floor", "state": "beyond", "distance_m": -0.12, "point": "boom-stick pin", "time_s": None,
        "note": "gas pipe", "reason": "",
    },
]  # fmt: skip
MACHINE: dict[str, Any] = {
    "name": "Test machine", "boom": {"foot_m": [0.35, 0, 1.75], "length_m": 4.6}, "stick": {"length_m": 2.5},
    "bucket": [
        {"name": "trenching 600", "tip_m": 1.3, "width_m": 0.6},
        {"name": "grading 1800", "tip_m": 1.2, "width_m": 1.8},
    ],
    "sensor": {"laser": {"type": "beam", "body": "stick"}, "slew": {"type": "slew", "body": "upper"}},
    "calibrated": {"date": "2026-05-04", "verdict": "accepted", "tip_sigma_m": 0.011},
}  # fmt: skip
ABOUT = {"version": "0.1.0", "contract": "2.0", "machine_id": StandIn.MACHINE, "machine": MACHINE}
HEALTH = [
    {
        "sensor": "boom", "body": "boom", "state": "ok", "text": "", "rate_hz": 100.0, "faults": {},
        "test_ratio": 0.31, "vibration_mps2": 0.4,
    },
    {
        "sensor": "stick", "body": "stick", "state": "stale", "text": "", "rate_hz": None,
        "faults": {"wrong checksum": 12, "frozen": 1},
    },
]  # fmt: skip

SEEN = """
() => {
  const shown = (e) => e.offsetParent !== null && !e.closest(".unseen, svg");
  const words = (e) => (e.textContent ?? "").trim().slice(0, 50);
  const own = (e) => [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
  const always = "#form-actions button, #form-close, #card button";
  const found = [];
  const say = (what, e) => found.push(`${what}: ${e.id || e.tagName} ${words(e)}`);
  for (const e of (document.querySelector("dialog[open]") ?? document).querySelectorAll("*")) {
    if (!shown(e)) continue;
    const box = e.getBoundingClientRect();
    if (own(e) && e.clientWidth && e.scrollWidth > e.clientWidth + 1) say("cut across", e);
    const hides = getComputedStyle(e).overflowY === "hidden";
    if (own(e) && hides && e.scrollHeight > e.clientHeight + 1) say("cut below", e);
    const outside = box.left < -1 || box.right > innerWidth + 1;
    const held = e.matches("button, input, textarea") && !e.closest("#form-pages");
    if (held && outside) say("beside the screen", e);
    if (e.matches(always) && box.bottom > innerHeight + 1) say("below the screen", e);
    if (e.tagName !== "BUTTON" || !box.height) continue;
    const range = document.createRange();
    range.selectNodeContents(e);
    const text = range.getBoundingClientRect();
    if (text.height > box.height + 1 || text.width > box.width + 1) say("text larger than its button", e);
  }
  if (document.documentElement.scrollWidth > innerWidth) found.push("the page scrolls sideways");
  return found;
}
"""
WORDS = """
() => {
  const found = [];
  const root = document.querySelector("dialog[open]") ?? document.body;
  const walker = document.createTreeWalker(root, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const { parentElement, textContent } = walker.currentNode;
    const seen = parentElement.offsetParent !== null;
    if (seen && /[A-Za-z]{4}/.test(textContent)) found.push(textContent.trim());
  }
  return found;
}
"""
SCROLL = """
() => {
  const body = document.getElementById("form-body");
  const more = body.scrollHeight > body.clientHeight + 2;
  body.scrollTop = body.scrollHeight;
  return more;
}
"""
SHEET = """
<style>
  body { margin: 4px; background: #999; display: grid; gap: 6px; grid-template-columns: repeat(%d, 1fr) }
  figure { margin: 0 } img { width: 100%%; display: block } figcaption { font: 13px sans-serif }
</style>
"""
SITUATIONS = {
    # name: (deviation, sigma) in metres
    "above": (0.086, 0.004), "on grade": (0.004, 0.004), "below": (-0.231, 0.004),
    "cannot judge": (0.03, 0.018), "far": (1.62, 0.02),
}  # fmt: skip


class Walk:
    """One size, light and language: its pictures, and what was said on it."""

    def __init__(self, page: Page, stand_in: StandIn, name: str) -> None:
        self.page, self._stand_in, self.name = page, stand_in, name
        self.pictures: list[tuple[str, bytes]] = []
        self.words: set[str] = set()

    def take(self, what: str) -> None:
        """A picture, and what is wrong with it as far as a program sees that."""
        self.page.wait_for_timeout(60)
        for fault in self.page.evaluate(SEEN):
            print(f"{self.name} {what}: {fault}")
        self.words |= set(self.page.evaluate(WORDS))
        self.pictures.append((what, self.page.screenshot()))

    def tell(self, **changes: Any) -> None:
        """The service's state from now on."""
        self._stand_in.state = self._stand_in.state | changes
        self._stand_in.publish("state", self._stand_in.state, retain=True)
        self.page.wait_for_timeout(250)

    def main_views(self, address: str, query: str) -> None:
        """The main view in its states, and one part alone."""
        stand_in, page = self._stand_in, self.page
        for what, (deviation, sigma) in SITUATIONS.items():
            stand_in.tip |= {"deviation_m": deviation, "elevation_m": 22.94 + deviation, "sigma_m": sigma}
            page.wait_for_timeout(300)
            self.take(what)
        stand_in.tip |= {"deviation_m": 0.086, "elevation_m": 23.026, "sigma_m": 0.004}
        for _ in range(2):
            page.click("#picture")
            page.wait_for_timeout(500)
            self.take(page.inner_text("#picture") + " next")
        page.click("#picture")
        stand_in.limits = NEAR
        travelled = sentence("doubt-travelled")
        self.tell(datum="doubtful", reasons=[travelled], reasons_said=[said(travelled)], cautions=[CAUTION])
        self.take("warnings and a caution")
        self.tell(datum="set", reasons=[], reasons_said=[], cautions=[])
        stand_in.limits = []
        page.click("#known")
        page.wait_for_timeout(300)
        self.take("glance by touch")
        page.click("#fill")
        for view in ("glance", "section", "numbers"):
            page.goto(f"{address}?view={view}&{query}")
            page.wait_for_timeout(700)
            self.take(f"view={view}")
        stand_in.silent.set()
        page.goto(f"{address}?{query}")
        page.wait_for_timeout(900)
        self.take("silent")
        stand_in.silent.clear()
        page.wait_for_selector("#known:not([hidden])")

    def edge_views(self) -> None:
        """The edge from the seat: to be tilted over a ditch, and laid on a cross slope."""
        stand_in, page, before = self._stand_in, self.page, dict(self._stand_in.tip)
        target = stand_in.state["target"]
        for what, shown in EDGES.items():
            self.tell(target=shown["target"])
            stand_in.arm, stand_in.tip = shown["arm"], stand_in.tip | shown["tip"]
            page.wait_for_timeout(400)
            while page.get_attribute("#picture", "data-next") != "edge":
                page.click("#picture")
                page.wait_for_timeout(200)
            page.click("#picture")
            page.wait_for_timeout(400)
            self.take(what)
            page.click("#picture")
        stand_in.arm, stand_in.tip = {}, before
        self.tell(target=target)

    def forms(self, wanted: list[str]) -> None:
        """Every page of every tool."""
        page = self.page
        for tool in wanted:
            page.evaluate("(id) => document.querySelector(`[data-tool=${id}]`).click()", tool)
            names = page.evaluate(
                "[...document.querySelectorAll('#form-pages button')].map((b) => b.dataset.page)"
            )
            for name in names or [None]:
                if name:
                    page.evaluate("(id) => document.querySelector(`[data-page=${id}]`).click()", name)
                self.take(f"{tool}/{name}")
                below = page.evaluate(SCROLL)
                if below:
                    self.take(f"{tool}/{name}, scrolled")
            page.click("#form-close")

    def answered(self) -> None:
        """A refusal, an answer with its undo, a question."""
        page = self.page
        page.evaluate("document.querySelector('[data-tool=zero]').click()")
        self.take("zero asks")
        page.click("#card button >> nth=-1")
        page.evaluate("document.querySelector('[data-tool=target]').click()")
        page.click("#form-actions button >> nth=0")
        self.take("empty field")
        page.fill("input[name=elevation_m]", "22,5")
        page.fill("input[name=depth_m]", "1.2 m")
        page.click("#form-actions button >> nth=0")
        self.take("both")
        page.click("#form-pages [data-page=band]")
        page.click(".chips button >> nth=0")
        page.wait_for_timeout(300)
        self.take("answered, undo")
        page.click("#form-close")
        self.take("undo beside the tools")

    def sheets(self, browser: Browser, folder: Path, size: str) -> None:
        """Contact sheets of the pictures."""
        width, height = map(int, size.split("x"))
        columns = COLUMNS.get(size, 4)
        rows = max(2, round(1500 / (1900 / columns * height / width)))
        page = browser.new_page(viewport={"width": 1900, "height": 1000})
        for n, first in enumerate(range(0, len(self.pictures), columns * rows)):
            cells = "".join(
                f"<figure><img src='data:image/png;base64,{base64.b64encode(png).decode()}'>"
                f"<figcaption>{what}</figcaption></figure>"
                for what, png in self.pictures[first : first + columns * rows]
            )
            page.set_content(SHEET % columns + cells)
            page.screenshot(path=folder / f"{self.name}-{n}.png", full_page=True)
        page.close()


def edge_arm(tilt_deg: float, across: list[tuple[float, float]], **figures: float) -> dict[str, Any]:
    """What the arm message has of a bucket 1.5 m wide that is laid over; `across` lateral, elevation."""
    out, up = 0.75 * math.cos(math.radians(tilt_deg)), 0.75 * math.sin(math.radians(tilt_deg))
    corners = (("left", out, -1.3 + up), ("right", -out, -1.3 - up))
    return {
        "corners": [{"name": n, "reach_m": 6.2, "lateral_m": y, "height_m": z} for n, y, z in corners],
        "target_across": [{"lateral_m": y, "elevation_m": z} for y, z in across],
        "tilt_deg": tilt_deg, "edge_fall_percent": 100.0 * math.tan(math.radians(tilt_deg)), **figures,
    }  # fmt: skip


DITCH = {"kind": "ditch", "elevation_m": 22.9, "grade": 0.0, "bottom_m": 0.5, "batter_left": 0.5}
EDGES: dict[str, dict[str, Any]] = {
    "edge to be tilted": {
        "target": DITCH,
        "arm": edge_arm(
            12.0, [(-1.8, 23.5), (-0.6, 22.9), (-0.1, 22.9), (2.1, 24.0)],
            target_fall_percent=50.0, tilt_to_set_deg=14.6,
        ),
        "tip": {
            "deviation_m": 0.14, "left_deviation_m": -0.011, "right_deviation_m": -0.131,
            "governing": "right", "governing_deviation_m": -0.131, "governing_sigma_m": 0.006,
        },
    },
    "edge laid on": {
        "target": {"kind": "grade", "elevation_m": 23.025, "grade": 0.0, "cross": -0.364},
        "arm": edge_arm(-20.0, [(-3.0, 24.12), (3.0, 21.93)], target_fall_percent=-36.4, tilt_to_set_deg=0.0),
        "tip": {
            "deviation_m": 0.015, "left_deviation_m": 0.012, "right_deviation_m": 0.018,
            "governing": "left", "governing_deviation_m": 0.012, "governing_sigma_m": 0.006,
        },
    },
}  # fmt: skip
CAUTION = {
    "name": "a", "time": "", "text": "Have services located and marked before digging.",
    "source": "common practice",
}  # fmt: skip


def main() -> None:
    """Walk, write the sheets, print what was seen."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--sizes", nargs="+", default=SIZES)
    parser.add_argument("--lights", nargs="+", default=["sun", "night"])
    parser.add_argument("--languages", nargs="+", default=["en", "de"])
    parser.add_argument("--forms", nargs="*", default=TOOLS)
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    heard: dict[str, set[str]] = {}
    with tempfile.TemporaryDirectory() as scratch, sync_playwright() as playwright:
        broker = Mosquitto(Path(scratch))
        stand_in = StandIn(broker.port)
        stand_in.state |= STATE
        server = start("127.0.0.1", 0, PageSettings(broker.ws_url, StandIn.MACHINE))
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=SWITCHES)
        for size in options.sizes:
            width, height = map(int, size.split("x"))
            for light in options.lights:
                for language in options.languages:
                    query = f"light={light}&language={language}"
                    context = browser.new_context(
                        viewport={"width": width, "height": height}, has_touch=True, locale=language
                    )
                    page = context.new_page()
                    page.on("pageerror", lambda error: print(f"error on the page: {error}"))
                    walk = Walk(page, stand_in, f"{size}-{light}-{language}")
                    page.goto(f"{server.url}?{query}")
                    page.wait_for_selector("#known:not([hidden])")
                    stand_in.publish(
                        "about",
                        ABOUT,
                        retain=True,
                    )
                    for health in HEALTH:
                        stand_in.publish(f"health/{health['sensor']}", health, retain=True)
                    walk.tell()
                    walk.main_views(server.url, query)
                    walk.edge_views()
                    walk.forms(options.forms)
                    walk.answered()
                    walk.sheets(browser, options.folder, size)
                    heard.setdefault(language, set()).update(walk.words)
                    context.close()
        browser.close()
        server.close()
        stand_in.close()
        broker.stop()
    if len(heard) > 1:
        for text in sorted(set.intersection(*heard.values())):
            print(f"the same in every language: {text}")


if __name__ == "__main__":
    main()
