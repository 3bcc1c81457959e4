"""The practice machine in a real browser: driven by keyboard, dug to a level, a sensor unplugged."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.timeout(1200)]

PATIENCE_S = 240.0
"""For what comes at once, or by a few movements of the levers, on a quiet computer."""


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A practice machine of the shipped trench, with everything that belongs to it."""
    with practising("trench", tmp_path_factory.mktemp("practice") / "log") as page:
        yield page


@contextlib.contextmanager
def practising(scenario: str, log: Path) -> Iterator[str]:
    """The page's address of a practice machine, while it stands."""
    with log.open("wb") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "tipdatum", "practise", scenario, "--no-browser"],
            stdout=out,
            stderr=subprocess.STDOUT,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )
    try:
        yield _address(log, process)
    finally:
        process.send_signal(signal.SIGINT)
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(20.0)
        process.kill()
        process.wait()


def _address(log: Path, process: subprocess.Popen[bytes]) -> str:
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end and process.poll() is None:
        found = re.search(r"http://\S+/practice/", log.read_text())
        if found:
            return found[0]
        time.sleep(0.1)
    raise AssertionError(f"no page: {log.read_text()}")


@pytest.fixture
def machine(page: Page, address: str) -> Driver:
    page.goto(address)
    expect(page.locator("#sigma-words")).not_to_be_empty()
    return Driver(page)


class Driver:
    """Somebody who sees the page and has its keyboard."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self._held: set[str] = set()

    def view(self) -> dict[str, Any]:
        """What the page draws, and when the service last answered it."""
        told: str = self.page.evaluate(
            "() => JSON.stringify({view: practice.view, tip: practice.tip, answered: practice.answered})"
        )
        found: dict[str, Any] = json.loads(told)
        return found

    def hold(self, *keys: str) -> None:
        """These keys are down, no others."""
        for key in self._held - set(keys):
            self.page.keyboard.up(key)
        for key in set(keys) - self._held:
            self.page.keyboard.down(key)
        self._held = set(keys)

    def until(
        self,
        done: Callable[[dict[str, Any]], bool],
        keys: Callable[[dict[str, Any]], tuple[str, ...]],
    ) -> None:
        """Drive by what is seen until it is done."""
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end:
            seen = self.view()
            if done(seen["view"]):
                self.hold()
                return
            self.hold(*keys(seen["view"]))
            time.sleep(0.03)
        self.hold()
        raise AssertionError(f"not done: {seen['view']['tip']} {seen['view']['angle']}")

    def wait_for(self, done: Callable[[dict[str, Any]], bool]) -> None:
        """Look until it has come true, with the hands off."""
        end = time.monotonic() + PATIENCE_S
        while not done(self.view()):
            assert time.monotonic() < end, self.page.locator("#say").text_content()
            time.sleep(0.1)


def put_down(machine: Driver) -> None:
    """Lower the boom gently until the tip stands on the ground."""
    machine.until(
        lambda v: v["tip"][2] - v["under"] < 0.02,
        lambda v: ("KeyI", "Shift") if v["tip"][2] - v["under"] > 0.3 else tapped("KeyI"),
    )
    time.sleep(2.5)


def with_reference(machine: Driver) -> None:
    """Whatever came before, the figure has a reference."""
    if machine.view()["tip"]["datum"] != "set":
        put_down(machine)
        end = time.monotonic() + PATIENCE_S
        while machine.view()["tip"]["datum"] != "set":
            # While the arm's position is not known, after a cable was out for instance, it is refused.
            assert time.monotonic() < end, machine.page.locator("#say").text_content()
            before = machine.view().get("answered")
            machine.page.keyboard.press("m")
            # On a busy computer a second of stillness takes longer to be seen; a press would begin it anew.
            again = time.monotonic() + PATIENCE_S / 4.0
            while (seen := machine.view()).get("answered") == before and seen["tip"]["datum"] != "set":
                if time.monotonic() > again:
                    break
                time.sleep(0.2)
            time.sleep(1.0)


def test_a_key_moves_its_lever_and_the_machine(machine: Driver) -> None:
    before = machine.view()["view"]["pins"][1][1]
    machine.until(lambda v: v["pins"][1][1] > before + 0.3, lambda _: ("KeyK",))
    assert machine.view()["view"]["levers"]["boom"] >= 0.0


def test_dug_to_a_level_the_published_deviation_falls_below_the_tolerance(machine: Driver) -> None:
    page = machine.page
    with_reference(machine)
    page.locator("#target").click()
    machine.wait_for(lambda seen: seen["tip"]["deviation_m"] is not None)
    page.locator("#begin").click()
    # A computer that is busy may leave a figure out for a moment.
    machine.wait_for(lambda seen: (seen["tip"]["deviation_m"] or 0.0) > 0.2)
    start = machine.view()
    seen = dig_to_level(machine, 0.02)
    assert seen["view"]["tip"][2] < start["view"]["tip"][2] - 0.2
    assert abs(seen["tip"]["deviation_m"]) < 0.03
    # The published figure is the true one, within what it says of itself.
    assert abs(seen["tip"]["elevation_m"] - seen["view"]["tip"][2]) < 4.0 * seen["tip"]["sigma_m"]


def dig_to_level(machine: Driver, near_m: float) -> dict[str, Any]:
    """Press the edge down by what the display says, until it stands on the level; returns what is seen."""
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        # While the bucket is struck the figure may go for a moment.
        machine.wait_for(lambda seen: seen["tip"]["deviation_m"] is not None)
        off = machine.view()["tip"]["deviation_m"]
        if off is None:
            continue
        if abs(off) < near_m:
            machine.hold()
            time.sleep(2.0)
            seen = machine.view()
            if abs(seen["tip"]["deviation_m"] or 1.0) < near_m:
                return seen
        # A touch, and a look at what it did.
        machine.hold("Shift", "KeyI" if off > 0.0 else "KeyK")
        time.sleep(0.25 if abs(off) > 0.1 else 0.1)
        machine.hold()
        time.sleep(0.5)
    raise AssertionError("the level is not reached")


def tapped(key: str) -> tuple[str, ...]:
    """A key that is touched four times a second."""
    return (key, "Shift") if int(time.monotonic() * 8.0) % 2 else ("Shift",)


def test_an_unplugged_sensor_takes_the_figure_away_and_gives_it_back(machine: Driver) -> None:
    page = machine.page
    with_reference(machine)
    page.locator("#sensor").select_option("stick")
    page.locator("#side").click()
    page.keyboard.press("1")
    expect(page.locator("#faults button[data-fault=unplug]")).to_have_attribute("aria-pressed", "true")
    expect(page.locator("#sigma-words")).to_contain_text("No figure")
    display = page.frame_locator("#display")
    expect(display.locator("body")).to_contain_text("stick")
    page.keyboard.press("1")
    expect(page.locator("#sigma-words")).not_to_contain_text("No figure")


def test_a_pulled_cable_silences_all_and_comes_back(machine: Driver) -> None:
    page = machine.page
    with_reference(machine)
    page.keyboard.press("0")
    expect(page.locator("#line")).to_have_attribute("aria-pressed", "true")
    expect(page.locator("#sigma-words")).to_contain_text("No figure")
    page.keyboard.press("0")
    expect(page.locator("#sigma-words")).not_to_contain_text("No figure", timeout=1000.0 * PATIENCE_S)


def test_a_key_pressed_twice_before_the_machine_answers_leaves_it_as_it_was(machine: Driver) -> None:
    sent = machine.page.evaluate(
        """() => {
            const wishes = [], send = WebSocket.prototype.send;
            WebSocket.prototype.send = function (bytes) {
                const text = new TextDecoder().decode(bytes);
                const wish = /\\{"do":"line".*\\}/.exec(text);
                if (wish) wishes.push(JSON.parse(wish[0]).out);
                return send.call(this, bytes);
            };
            for (let i = 0; i < 2; i++) dispatchEvent(new KeyboardEvent("keydown", { code: "Digit0" }));
            WebSocket.prototype.send = send;
            return wishes;
        }"""
    )
    assert sent == [True, False]
    expect(machine.page.locator("#line")).to_have_attribute("aria-pressed", "false")


def test_truth_fades_in_beside_the_published_figure(machine: Driver) -> None:
    page = machine.page
    with_reference(machine)
    expect(page.locator("#sigma-words")).not_to_contain_text("true")
    page.locator("#truth").fill("100")
    expect(page.locator("#sigma-words")).to_contain_text("true")


def test_the_pattern_changes_at_a_key(machine: Driver) -> None:
    page = machine.page
    expect(page.locator("#pattern")).to_contain_text("ISO 10968")
    page.keyboard.press("p")
    expect(page.locator("#pattern")).to_contain_text("backhoe")
    before = machine.view()["view"]["pins"][1][1]
    machine.until(lambda v: v["pins"][1][1] > before + 0.1, lambda _: ("KeyS",))  # left lever back: boom up
    page.keyboard.press("p")


def test_a_task_ends_with_a_score_and_a_report(machine: Driver) -> None:
    page = machine.page
    if page.locator("#begin").is_enabled():
        page.locator("#begin").click()
    page.locator("#end").click()
    expect(page.locator("#result")).to_be_visible()
    expect(page.locator("#points")).to_have_text(re.compile(r"^\d+$"))
    page.locator("#report").click()
    expect(page.locator("#report-words a")).to_be_visible(timeout=600_000)
    page.locator("#close").click()


def test_a_bucket_that_tilts_has_a_lever_and_a_picture_of_its_edge(page: Page, tmp_path: Path) -> None:
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    with practising("tilted-ditch", tmp_path / "log") as address:
        page.goto(address)
        expect(page.locator("#sigma-words")).not_to_be_empty()
        machine = Driver(page)
        machine.until(lambda v: v["angle"]["tilt"] > 4.0, lambda _: ("KeyO",))
        left, right = machine.view()["view"]["edge"]
        assert left[2] - right[2] > 0.05
        pad = page.locator("#more canvas")
        expect(pad).to_have_attribute("aria-label", "Tilt")
        box = pad.bounding_box()
        assert box is not None
        before = machine.view()["view"]["angle"]["tilt"]
        page.mouse.move(box["x"] + 0.2 * box["width"], box["y"] + box["height"] - 15.0)
        page.mouse.down()
        machine.wait_for(lambda seen: seen["view"]["angle"]["tilt"] < before - 2.0)
        page.mouse.up()
        for width, height in ((1024, 600), (390, 844)):
            page.set_viewport_size({"width": width, "height": height})
            expect(pad).to_be_visible()
            expect(page.locator("#side")).to_be_visible()
    assert errors == []
