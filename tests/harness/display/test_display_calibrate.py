"""The calibration step by step: the page in Chromium, the guide as a process, a broker between them."""

from __future__ import annotations

import json
import math
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from playwright.sync_api import Browser, Page, expect

from small_machine import STILL
from tipdatum.calibration.observations_file import load_observations
from tipdatum.kinematics.frames import up_vector

pytestmark = [pytest.mark.browser, pytest.mark.broker, pytest.mark.slow]

MACHINE = "digger"
FASTER = 6.0
"""Half seconds of readings come so many times faster; rest is judged by the readings' own time."""


class Arm:
    """Publishes half-second means of an arm that stands, and moves when it is told to."""

    def __init__(self, port: int) -> None:
        self.angles = {"upper": 0.0, "boom": 0.45, "stick": -1.1, "bucket": -1.9}
        self.rates = dict.fromkeys(self.angles, 0.0)
        self.loose: dict[str, tuple[float, float, float]] = {}
        """Sensors that lie on a bench: which way is up in their axes."""
        self.silent = False
        self._t, self._stop = 0.0, threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def goes_to(self, boom: float, stick: float, bucket: float) -> None:
        self.angles |= {"boom": boom, "stick": stick, "bucket": bucket}

    def swings(self, *bodies: str) -> None:
        """The bodies turn up and back for six seconds of readings."""
        for rate in (0.15, -0.15):
            self.rates |= dict.fromkeys(bodies, rate)
            self._stop.wait(4.0 / FASTER)
        self.rates |= dict.fromkeys(bodies, 0.0)

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self._client.disconnect()
        self._client.loop_stop()

    def _run(self) -> None:
        while not self._stop.wait(0.5 / FASTER):
            self._t += 0.5
            for sensor in self.angles:
                self.angles[sensor] += 0.5 * self.rates[sensor]
                if not self.silent:
                    self._say(sensor)

    def _say(self, sensor: str) -> None:
        up = 9.80665 * np.asarray(self.loose.get(sensor) or up_vector(self.angles[sensor], 0.0))
        block = {
            "t": self._t, "sensor": sensor, "t0": self._t - 0.5, "t1": self._t - 0.01, "n": 50,
            "accel_mps2": up.ravel().tolist(), "spread_mps2": [0.02, 0.02, 0.02],
            "gyro_radps": [0.0, -self.rates[sensor], 0.0],
        }  # fmt: skip
        self._client.publish(f"tipdatum/{MACHINE}/raw/{sensor}", json.dumps(block))


@pytest.fixture
def arm(broker: Any) -> Iterator[Arm]:
    made = Arm(broker.port)
    yield made
    made.close()


@pytest.fixture
def observations(tmp_path: Path) -> Path:
    return tmp_path / "observations.toml"


@pytest.fixture
def guiding(broker: Any, arm: Arm, observations: Path) -> Iterator[Callable[[], subprocess.Popen[str]]]:
    """Starts `tipdatum guide`; what was started is ended with the test."""
    machine = observations.with_name("machine.toml")
    machine.write_text(STILL)
    started: list[subprocess.Popen[str]] = []

    def start() -> subprocess.Popen[str]:
        started.append(
            subprocess.Popen(
                [sys.executable, "-m", "tipdatum", "guide", str(machine), str(observations),
                 "--port", str(broker.port), "--machine-id", MACHINE],
                stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            )
        )  # fmt: skip
        return started[-1]

    yield start
    for process in started:
        process.terminate()
        process.communicate(timeout=60)


@pytest.fixture
def opened(page: Page, broker: Any, serve: Callable[..., Any]) -> Page:
    page.goto(serve(broker.ws_url, MACHINE, language="en").url + "calibrate")
    return page


def place(page: Page) -> None:
    expect(page.locator("#order")).to_have_text("Place the machine")
    page.get_by_label("Name of this standing").fill("S1")
    page.get_by_role("button", name="The machine stands here").click()


def step(page: Page, chapter: str, n: int) -> None:
    section = page.locator("#chapters section").filter(has=page.get_by_role("heading", name=chapter))
    section.get_by_role("button").nth(n - 1).click()


def measure(page: Page, values: dict[str, str]) -> None:
    page.get_by_role("button", name="Take this rest").click()
    for label, value in values.items():
        page.get_by_label(label).fill(value)
    page.get_by_role("button", name="Keep the readings").click()


def test_a_touch_on_a_step_while_an_answer_is_awaited_is_not_lost(
    opened: Page, guiding: Any, arm: Arm
) -> None:
    guiding()
    expect(opened.locator("#order")).to_have_text("Place the machine")
    opened.get_by_label("Name of this standing").fill("S1")
    opened.evaluate(
        """() => {
            document.querySelector("#actions button").click();
            document.querySelector("#chapters section:nth-of-type(2) button").click();
        }"""
    )
    expect(opened.get_by_role("button", name="Take this rest")).to_be_visible()


def test_without_a_guide_the_page_says_how_to_start_one(opened: Page) -> None:
    expect(opened.locator("#order")).to_have_text("No guide is running")
    expect(opened.locator("#words")).to_contain_text("tipdatum guide machine.toml observations.toml")
    expect(opened.locator("#arm")).to_be_hidden()


def test_a_posture_is_measured_with_a_finger_and_stands_in_the_file(
    opened: Page, guiding: Any, arm: Arm, observations: Path
) -> None:
    guiding()
    place(opened)
    step(opened, "Measured postures", 1)
    expect(opened.locator("#words")).to_contain_text("Boom half raised")
    measure(opened, {"Slope of the boom": "25,8", "Height of the tip": "1.31"})
    expect(opened.locator("#note")).to_contain_text("Readings: 2.")
    book = load_observations(observations)
    assert {o.id: o.value for o in book.observation} == {
        "measured-1 slope boom": 25.8,
        "measured-1 height tip": 1.31,
    }
    assert math.hypot(*book.rest[0].sensor["boom"].accel_mps2) == pytest.approx(9.80665, abs=1e-3)


def test_a_motion_is_recorded_and_kept_by_itself_at_the_next_rest(
    opened: Page, guiding: Any, arm: Arm, observations: Path
) -> None:
    guiding()
    place(opened)
    step(opened, "Motions", 2)
    opened.get_by_role("button", name="Start the motion").click()
    expect(opened.locator("#order")).to_have_text("Move now, then hold still")
    arm.swings("boom", "stick", "bucket")
    expect(opened.locator("#note")).to_contain_text("Kept: turned by")
    assert [o.id for o in load_observations(observations).observation] == ["motion-boom"]


def test_loose_sensors_are_laid_on_one_face_after_the_other_before_the_machine_is_placed(
    opened: Page, guiding: Any, arm: Arm, observations: Path
) -> None:
    arm.loose["upper"] = (1.0, 0.0, 0.0)
    guiding()
    opened.get_by_role("button", name="The sensors lie on a bench").click()
    expect(opened.locator("#words")).to_contain_text("x axis up")
    opened.get_by_role("button", name="Take this rest").click()
    expect(opened.locator("#words")).to_contain_text("x axis down")
    arm.loose["upper"] = (-1.0, 0.0, 0.0)
    opened.get_by_role("button", name="Take this rest").click()
    expect(opened.locator("#words")).to_contain_text("y axis up")
    assert [o.of for o in load_observations(observations).observation] == ["upper: x up", "upper: x down"]
    opened.get_by_role("button", name="Sensors to the machine").click()
    place(opened)
    expect(opened.locator("#words")).to_contain_text("quarter turn")


def test_a_guide_that_was_killed_goes_on_where_it_stopped(
    opened: Page, guiding: Any, arm: Arm, observations: Path
) -> None:
    first = guiding()
    place(opened)
    step(opened, "Measured postures", 1)
    measure(opened, {"Slope of the stick": "-63"})
    expect(opened.locator("#note")).to_contain_text("Readings: 1.")
    first.kill()
    expect(opened.locator("#order")).to_have_text("No guide is running")
    guiding()
    place(opened)
    expect(opened.locator("#kept")).to_contain_text("1 observation is")
    done = opened.locator('#chapters [data-state="done"]')
    expect(done).to_have_count(1)


def test_silent_sensors_take_the_arm_off_the_page(opened: Page, guiding: Any, arm: Arm) -> None:
    guiding()
    place(opened)
    expect(opened.locator("#arm .live")).to_be_visible()
    arm.silent = True
    expect(opened.locator("#order")).to_have_text("No readings")
    expect(opened.locator("#words")).to_contain_text("upper, boom, stick, bucket")
    expect(opened.locator("#arm .live")).to_have_count(0)


def test_a_screen_that_only_reads_offers_nothing_to_press(
    page: Page, broker: Any, serve: Callable[..., Any], guiding: Any
) -> None:
    guiding()
    page.goto(serve(broker.ws_url, MACHINE, role="display", language="de").url + "calibrate.html")
    expect(page.locator("#order")).to_have_text("Maschine aufstellen")
    expect(page.locator("#actions")).to_contain_text("liest nur mit")
    assert page.locator("#actions button").count() == 0


SMALL = """
() => [...document.querySelectorAll("button, input, a")]
  .filter((element) => element.offsetParent !== null)
  .map((element) => [element.textContent || element.name, element.getBoundingClientRect()])
  .filter(([, box]) => box.height < 44 || box.width < 44)
  .map(([name, box]) => `${name}: ${box.width.toFixed(0)} x ${box.height.toFixed(0)}`)
"""
WIDE = "() => document.documentElement.scrollWidth > innerWidth"
SCREENS = {"10-inch": (1280, 800), "7-inch": (1024, 600), "phone": (390, 844)}


@pytest.mark.parametrize("screen", list(SCREENS))
@pytest.mark.parametrize("light", ["sun", "night"])
def test_every_screen_is_large_enough_for_a_finger_and_accessible(
    browser: Browser, broker: Any, serve: Callable[..., Any], guiding: Any, node_module: Any, screen: str,
    light: str,
) -> None:  # fmt: skip
    width, height = SCREENS[screen]
    context = browser.new_context(
        viewport={"width": width, "height": height}, has_touch=True, locale="en", bypass_csp=True
    )
    guiding()
    page = context.new_page()
    page.goto(f"{serve(broker.ws_url, MACHINE).url}calibrate.html?light={light}")
    axe = node_module("axe-core", "axe.min.js").read_text(encoding="utf-8")
    place(page)
    step(page, "Measured postures", 1)
    expect(page.get_by_role("button", name="Take this rest")).to_be_visible()
    for moment in ("at rest", "readings"):
        assert page.evaluate(SMALL) == [], moment
        assert not page.evaluate(WIDE), moment
        page.evaluate(axe)
        found = page.evaluate("() => axe.run()")["violations"]
        assert [(v["id"], [n["html"] for n in v["nodes"]]) for v in found] == [], moment
        if moment == "at rest":
            page.get_by_role("button", name="Take this rest").click()
            expect(page.get_by_label("Slope of the boom")).to_be_visible()
    context.close()
