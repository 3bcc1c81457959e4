"""Every screen at every size: readable, large enough for a finger, nothing cut off, accessible by axe."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

pytestmark = [pytest.mark.browser, pytest.mark.broker]

SCREENS = {
    # name: (width, height, CSS pixels of 12 mm): pixel pitch of the usual panel of that size.
    "7-inch panel": (800, 480, 63),  # 152 mm wide
    "fine 7-inch panel": (1024, 600, 79),  # 154 mm wide
    "10-inch panel": (1280, 800, 71),  # 217 mm wide
    "phone": (390, 844, 71),  # 66 mm wide
}
TOOLS = ("reference", "target", "machine", "points", "limits", "trench", "day", "screen")


@pytest.fixture(params=list(SCREENS))
def screen(
    request: pytest.FixtureRequest, browser: Browser, broker: Any, stand_in: Any, serve: Callable[..., Any]
) -> Iterator[tuple[Page, int]]:
    """(the page on that screen with figures on it, CSS pixels of 12 mm)."""
    width, height, finger = SCREENS[request.param]
    context = browser.new_context(
        viewport={"width": width, "height": height}, has_touch=True, locale="en", bypass_csp=True
    )
    stand_in.state |= {
        "tolerance": {"above_m": 0.0, "below_m": 0.025},
        "marks": {"BM1": {"elevation_m": 24.31, "known": True}},
        "limits": [{"kind": "floor", "value": 22.0, "note": "gas pipe"}],
        "cautions": [{"name": "a", "text": "Have services marked.", "source": "common practice", "time": ""}],
    }
    stand_in.publish("state", stand_in.state, retain=True)
    page = context.new_page()
    page.goto(serve(broker.ws_url).url)
    expect(page.locator("#known")).to_be_visible()
    yield page, finger
    context.close()


SMALL = """
(least) => [...document.querySelectorAll("button, input:not([type=radio]), .choice span")]
  .filter((element) => element.offsetParent !== null && !element.closest("#keypad"))
  .filter((element) => element.tagName !== "SPAN" || element.offsetWidth)
  .map((element) => [element.textContent || element.name, element.getBoundingClientRect()])
  .filter(([, box]) => box.height < least || box.width < least)
  .map(([name, box]) => `${name}: ${box.width.toFixed(0)} x ${box.height.toFixed(0)}`)
"""
CUT_OFF = """
() => [...document.querySelectorAll(
    "#heading, #figure, #figure *, #tools button, #form-title, #form-actions button")]
  .filter((element) => !element.closest(".unseen"))
  .filter((element) => element.offsetParent !== null)
  .filter((element) => {
    const box = element.getBoundingClientRect();
    const wide = element.clientWidth > 0 && element.scrollWidth > element.clientWidth + 1;
    return wide || box.right > innerWidth + 1 || box.bottom > innerHeight + 1;
  })
  .map((element) => element.id || element.textContent)
"""


IN_SIGHT = """
() => ["#form-live", "#form-close", ...[...document.querySelectorAll("#form-actions button")]]
  .map((it) => (typeof it === "string" ? document.querySelector(it) : it))
  .filter((element) => {
    const { left, top, right, bottom } = element.getBoundingClientRect();
    const seen = document.elementFromPoint((left + right) / 2, (top + bottom) / 2);
    return bottom > innerHeight || right > innerWidth || !(element === seen || element.contains(seen));
  })
  .map((element) => element.id || element.textContent)
"""


@pytest.mark.parametrize(("width", "height", "panel_mm"), [(800, 480, 152.4), (1024, 600, 153.6)])
def test_figure_is_15_mm_high_on_a_7_inch_panel(
    page: Page,
    broker: Any,
    stand_in: Any,
    serve: Callable[..., Any],
    width: int,
    height: int,
    panel_mm: float,
) -> None:
    """Measured on the glyphs that were drawn, not on the font's size."""
    page.set_viewport_size({"width": width, "height": height})
    page.goto(serve(broker.ws_url).url)
    expect(page.locator("#digits")).to_have_text("+100")
    high = page.evaluate(
        """() => {
          const style = getComputedStyle(document.getElementById("digits"));
          const context = document.createElement("canvas").getContext("2d");
          context.font = `${style.fontWeight} ${style.fontSize} ${style.fontFamily}`;
          const { actualBoundingBoxAscent, actualBoundingBoxDescent } = context.measureText("100");
          return actualBoundingBoxAscent + actualBoundingBoxDescent;
        }"""
    )
    assert high / width * panel_mm >= 15.0


@pytest.mark.parametrize("size", [(512, 300), (390, 844), (844, 390)], ids=["200 % zoom", "upright", "lying"])
def test_small_screens_show_figure_order_and_staff_without_sideways_scrolling(
    page: Page, broker: Any, stand_in: Any, serve: Callable[..., Any], size: tuple[int, int]
) -> None:
    """1024 by 600 at 200 % zoom is 512 by 300 CSS pixels."""
    page.set_viewport_size({"width": size[0], "height": size[1]})
    page.goto(serve(broker.ws_url).url)
    expect(page.locator("#digits")).to_have_text("+100")
    for name in ("#digits", "#order", "#staff"):
        expect(page.locator(name)).to_be_in_viewport()
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    page.locator("[data-tool=target]").scroll_into_view_if_needed()
    page.click("[data-tool=target]")
    expect(page.locator("#form-actions button").first).to_be_in_viewport()


def test_everything_fits_and_fingers_find_it(screen: tuple[Page, int]) -> None:
    page, finger = screen
    page.click("#card button")
    assert page.evaluate(CUT_OFF) == []
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert page.evaluate(SMALL, finger) == []
    for tool in TOOLS:
        page.click(f"[data-tool={tool}]")
        names = page.evaluate(
            "[...document.querySelectorAll('#form-pages button')].map((b) => b.dataset.page)"
        )
        for name in names or [None]:
            if name:
                page.click(f"[data-page={name}]")
            assert page.evaluate(CUT_OFF) == [], (tool, name)
            assert page.evaluate(SMALL, finger) == [], (tool, name)
            # What does the thing is in sight, and so is the live figure, however long the form.
            assert page.evaluate(IN_SIGHT) == [], (tool, name)
        page.click("#form-close")


def test_drawing_keeps_room_beside_the_figure(screen: tuple[Page, int]) -> None:
    page, _ = screen
    box = page.locator("#section").bounding_box()
    assert box is not None
    assert box["width"] * box["height"] > 0.2 * page.evaluate("innerWidth * innerHeight")


@pytest.mark.parametrize("light", ["sun", "night"])
def test_axe_finds_nothing(
    page: Page,
    broker: Any,
    stand_in: Any,
    serve: Callable[..., Any],
    node_module: Callable[..., Path],
    browser: Browser,
    light: str,
) -> None:
    """Contrast (WCAG 2 AA), names, roles, on the main screen, on a silent one and in every tool."""
    axe = node_module("axe-core", "axe.min.js").read_text()
    context = browser.new_context(viewport={"width": 800, "height": 480}, locale="en", bypass_csp=True)
    page = context.new_page()
    page.goto(serve(broker.ws_url).url + f"?light={light}")
    page.evaluate(axe)
    found = {}
    expect(page.locator("#known")).to_be_visible()
    found["figure"] = _violations(page)
    for tool in TOOLS:
        page.click(f"[data-tool={tool}]")
        found[tool] = _violations(page)
        page.click("#form-close")
    stand_in.silent.set()
    expect(page.locator("#unknown")).to_be_visible()
    found["silent"] = _violations(page)
    context.close()
    assert {name: bad for name, bad in found.items() if bad} == {}


def _violations(page: Page) -> list[str]:
    found: list[str] = page.evaluate(
        """async () => {
             const rules = ["wcag2a", "wcag2aa", "wcag21aa", "best-practice"];
             const { violations } = await axe.run(document, { runOnly: rules });
             return violations.map(({ id, nodes }) => `${id}: ${nodes.map((n) => n.target).join(", ")}`);
           }"""
    )
    return found


def test_inks_of_the_drawing_stand_out_from_the_paper(modules: Page, serve: Callable[..., Any]) -> None:
    """WCAG 2.1 contrast ratio: 3 to 1 for lines that carry meaning, 4.5 to 1 for text."""
    modules.goto(serve().url)
    ratios = modules.evaluate(
        """async () => {
          const { readInks } = await import("/canvas.js");
          // Relative luminance and ratio as WCAG 2.1 defines them.
          const luminance = (hex) => {
            const [r, g, b] = [1, 3, 5].map((i) => parseInt(hex.slice(i, i + 2), 16) / 255)
              .map((c) => (c <= 0.03928 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4));
            return 0.2126 * r + 0.7152 * g + 0.0722 * b;
          };
          const ratio = (a, b) => {
            const [dark, bright] = [luminance(a), luminance(b)].sort((one, other) => one - other);
            return (bright + 0.05) / (dark + 0.05);
          };
          const found = {};
          for (const light of ["sun", "night"]) {
            document.documentElement.dataset.light = light;
            const { paper, ...inks } = readInks();
            for (const [name, ink] of Object.entries(inks)) found[`${light} ${name}`] = ratio(ink, paper);
          }
          return found;
        }"""
    )
    assert len(ratios) == 12
    assert {name: r for name, r in ratios.items() if r < 4.5 and "faint" not in name} == {}
