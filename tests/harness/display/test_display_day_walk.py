"""A whole day on the page by touch alone, every touch counted: a glove on a cab has no keyboard."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from bus_tools import PATIENCE_S
from playwright.sync_api import Browser, Page, expect

pytestmark = [pytest.mark.browser, pytest.mark.broker]

COUNT = """
window.touches = 0;
addEventListener("pointerdown", () => { window.touches += 1; }, { capture: true });
addEventListener("keydown", () => { throw new Error("a key was pressed"); }, { capture: true });
"""
MACHINE_STATE = {"datum": "none", "reference": None, "target": None, "tolerance": None}
SET = {"mark": "ZERO", "known_m": 0.0, "t": 5.0}
"""What the service says once the tip was put on zero."""


class Hand:
    """Taps, and knows how often."""

    def __init__(self, page: Page, stand_in: Any, states: list[bytes]) -> None:
        self.page, self._stand_in = page, stand_in
        self._states = states  # that have come to the page, in packets as they came

    def taps(self, *places: str) -> int:
        """Tap one place after the other; how many touches that took."""
        before = self._count()
        for place in places:
            self.page.tap(place)
        return self._count() - before

    def _count(self) -> int:
        return int(self.page.evaluate("window.touches"))

    def close(self) -> None:
        """Close the form; not counted, because the next task may begin without it."""
        expect(self.page.locator("#answer")).not_to_have_attribute("data-outcome", "waiting")
        self.page.tap("#form-close")

    def sent(self, name: str) -> dict[str, Any]:
        """The body of the last command, which has to be `name`."""
        self._until(lambda: bool(self._stand_in.commands) and self._stand_in.commands[-1][0] == name)
        last, body = self._stand_in.commands[-1]
        assert last == name
        return dict(body)

    def told(self, **changes: Any) -> None:
        """The service's state from now on."""
        self._stand_in.state = self._stand_in.state | changes
        before = len(self._states)
        self._stand_in.publish("state", self._stand_in.state, retain=True)
        self._until(lambda: len(self._states) > before)
        # What has come is drawn with the next frame.
        self.page.evaluate("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")

    def _until(self, come: Callable[[], bool]) -> None:
        end = time.monotonic() + PATIENCE_S
        while not come() and time.monotonic() < end:
            self.page.wait_for_timeout(20)  # lets the browser's own news come in


def key(text: str) -> str:
    return f"#keypad button:text-is('{text}')"


def action(command: str) -> str:
    return f"#form-actions [data-command='{command}']"


@pytest.fixture
def hand(browser: Browser, broker: Any, stand_in: Any, serve: Callable[..., Any]) -> Iterator[Hand]:
    stand_in.state |= MACHINE_STATE
    stand_in.publish("state", stand_in.state, retain=True)
    context = browser.new_context(viewport={"width": 800, "height": 480}, has_touch=True, locale="en-GB")
    page = context.new_page()
    page.add_init_script(COUNT)
    states: list[bytes] = []

    def heard(frame: str | bytes) -> None:
        if isinstance(frame, bytes) and f"{stand_in.base}/state".encode() in frame:
            states.append(frame)

    page.on("websocket", lambda socket: socket.on("framereceived", heard))
    page.goto(serve(broker.ws_url).url)
    expect(page.locator("#setup")).to_contain_text("no reference")
    yield Hand(page, stand_in, states)
    context.close()


def test_day_by_touch_alone(hand: Hand) -> None:
    touches: dict[str, int] = {}

    touches["this is zero here"] = hand.taps("[data-tool=zero]")
    assert hand.sent("datum/set")["elevation_m"] == 0
    caution = {"name": "a", "text": "Have services marked.", "source": "", "time": ""}
    hand.told(datum="set", reference=SET, cautions=[caution])
    if hand.page.is_visible("#card button:text-is('Close')"):
        hand.page.tap("#card button:text-is('Close')")
    touches["read a caution"] = hand.taps("#card button:text-is('Read')")

    depth = (
        "[data-tool=target]",
        "input[name=depth_m]",
        key("1"),
        key("."),
        key("2"),
        action("target/level"),
    )
    touches["dig 1.2 m deep"] = hand.taps(*depth)
    assert hand.sent("target/level")["depth_m"] == 1.2
    touches["and its tolerance, when asked"] = hand.taps("#form-actions button:text-is('± 20 mm')")
    assert hand.sent("target/tolerance")["above_m"] == 0.02
    hand.told(target={"kind": "level", "elevation_m": -1.2}, tolerance={"above_m": 0.02, "below_m": 0.02})
    hand.close()

    band = ("[data-tool=target]", "[data-page=band]", ".chips button:text-is('± 20 mm')")
    touches["tolerance ± 20 mm"] = hand.taps(*band)
    assert hand.sent("target/tolerance")["below_m"] == 0.02
    touches["put it back"] = hand.taps("#form-foot .undo")
    hand.sent("change/undo")
    hand.close()

    slope = ("[data-tool=target]", "[data-page=grade]", ".chips button:text-is('2 %')")
    slope = (*slope, "label:has-text('falling')", action("target/grade"))
    touches["falling 2 %"] = hand.taps(*slope)
    assert hand.sent("target/grade")["grade"] == "falling 2%"
    hand.close()

    touches["a target from before"] = hand.taps("[data-tool=target]", ".chips button:text-is('1.200 m deep')")
    assert hand.sent("target/level")["depth_m"] == 1.2
    hand.close()

    limit = ("[data-tool=limits]", "label:has-text('ceiling')", "input[name=value_m]", key("5"))
    touches["a ceiling"] = hand.taps(*limit, action("limit/set"))
    assert hand.sent("limit/set")["value_m"] == 5.0
    hand.close()

    ground = ("[data-tool=trench]", action("ground/set"))
    touches["the ground beside"] = hand.taps(*ground)
    hand.sent("ground/set")
    hand.close()

    touches["a point"] = hand.taps("[data-tool=points]", ".chips button:text-is('INV')")
    assert hand.sent("point/record")["code"] == "INV"
    hand.close()

    keep = ("[data-tool=reference]", "[data-page=keep]", ".chips button:text-is('TP1')", action("mark/keep"))
    touches["keep a turning point"] = hand.taps(*keep)
    assert hand.sent("mark/keep")["name"] == "TP1"
    marks = {"TP1": {"elevation_m": -0.4, "known": False}}
    hand.told(datum="doubtful", reasons=["the machine travelled"], marks=marks)
    hand.close()

    back = ("[data-tool=reference]", "[data-page=marks]", "label:has-text('TP1')", action("mark/return"))
    touches["carry the reference over"] = hand.taps(*back)
    assert hand.sent("mark/return")["name"] == "TP1"
    hand.told(datum="set", reasons=[])
    hand.close()

    touches["another bucket"] = hand.taps(
        "[data-tool=machine]", "label:has-text('trenching 600')", action("bucket/choose")
    )
    hand.sent("bucket/choose")
    hand.close()

    touches["figure over the whole screen and back"] = hand.taps("#digits", "#fill")
    touches["close the book"] = hand.taps("[data-tool=day]", "[data-page=close]", action("book/close"))
    hand.sent("book/close")
    hand.close()
    touches["end of the day"] = hand.taps("[data-tool=day]", "#form-actions .first")
    hand.sent("book/export")
    touches["the checker's phone"] = hand.taps("[data-page=phone]")
    expect(hand.page.locator(".qr svg")).to_be_visible()

    most = {
        "this is zero here": 1, "read a caution": 1, "dig 1.2 m deep": 6, "and its tolerance, when asked": 1,
        "tolerance ± 20 mm": 3, "put it back": 1, "falling 2 %": 5, "a target from before": 2, "a ceiling": 5,
        "the ground beside": 2, "a point": 2, "keep a turning point": 4, "carry the reference over": 4,
        "another bucket": 3, "figure over the whole screen and back": 2, "close the book": 3,
        "end of the day": 2, "the checker's phone": 1,
    }  # fmt: skip
    assert touches == most


@pytest.fixture
def equipped(hand: Hand, stand_in: Any) -> Hand:
    """The hand on a machine with a laser receiver, in the middle of a day."""
    machine = {
        "name": "Test machine", "boom": {"foot_m": [0.35, 0, 1.75], "length_m": 4.6},
        "stick": {"length_m": 2.5}, "bucket": [{"name": "trenching 600", "tip_m": 1.3, "width_m": 0.6}],
        "sensor": {"laser": {"type": "beam", "body": "stick"}},
    }  # fmt: skip
    about = {"version": "0", "contract": "1", "machine_id": stand_in.MACHINE, "machine": machine}
    stand_in.publish("about", about, retain=True)
    limits = [{"kind": "ceiling", "value": 5.0}, {"kind": "floor", "value": -3.0}]
    hand.told(
        datum="set", reference=SET, target={"kind": "level", "elevation_m": -1.2}, limits=limits, points=4,
        tolerance={"above_m": 0.02, "below_m": 0.02}, marks={"TP1": {"elevation_m": -0.4, "known": True}},
    )  # fmt: skip
    return hand


def test_what_a_day_needs_now_and_then_by_touch_alone(equipped: Hand) -> None:
    hand, touches = equipped, {}

    keys = [key(one) for one in "25.6"]
    plane = ("[data-tool=reference]", "[data-page=plane]", *keys, action("laser/plane"))
    touches["the laser's plane"] = hand.taps(*plane)
    assert hand.sent("laser/plane")["elevation_m"] == 25.6
    hand.close()
    touches["put it back from the main view"] = hand.taps("#undo .undo")
    hand.sent("change/undo")

    station = ("[data-tool=reference]", "[data-page=station]", key("1"), key("0"), action("station/set"))
    touches["the station"] = hand.taps(*station)
    assert hand.sent("station/set")["station_m"] == 10.0
    hand.close()

    pipe = (
        "[data-tool=target]", "[data-page=pipe]", key("2"), "label:has-text('both ends')",
        "input[name=end_invert_m]", key("1"), "input[name=length_m]", key("9"), action("target/pipe"),
    )  # fmt: skip
    touches["a pipe by its two ends"] = hand.taps(*pipe)
    body = hand.sent("target/pipe")
    assert (body["invert_m"], body["end_invert_m"], body["length_m"]) == (2.0, 1.0, 9.0)
    hand.close()

    bed = ("[data-tool=target]", "[data-page=layers]", ".chips button:text-is('BED')", "input[name=up_m]")
    keys = [key(one) for one in ".15"]
    touches["a layer"] = hand.taps(*bed, *keys, action("target/layers"))
    assert hand.sent("target/layers")["layers"] == [{"name": "BED", "up_m": 0.15}]
    hand.close()

    rule = ("[data-tool=machine]", "[data-page=wear]", key("1"), key("2"), key("mm"))
    touches["wear by the rule"] = hand.taps(*rule, action("bucket/wear-set"))
    assert hand.sent("bucket/wear-set")["wear_m"] == 0.012
    hand.close()
    mark = ("[data-tool=machine]", "[data-page=wear]", "label:has-text('TP1')", action("bucket/wear"))
    touches["wear on a mark"] = hand.taps(*mark)
    assert hand.sent("bucket/wear")["mark"] == "TP1"
    hand.close()

    slew = ("[data-tool=limits]", "label:has-text('slew left')", key("4"), key("5"), action("limit/set"))
    touches["a slew limit"] = hand.taps(*slew)
    assert hand.sent("limit/set")["value_deg"] == 45.0
    hand.close()
    touches["one limit taken away"] = hand.taps("[data-tool=limits]", "#form-body li button >> nth=0")
    assert hand.sent("limit/clear")["kind"] == "ceiling"
    hand.close()
    line = ("[data-tool=limits]", "[data-page=line]", key("2"), key("0"), action("trench/overhead-line"))
    touches["what an overhead line needs"] = hand.taps(*line)
    assert hand.sent("trench/overhead-line")["kilovolts"] == 20.0
    hand.close()

    rules = ("[data-tool=trench]", "[data-page=rules]", "label:has-text('US')", action("trench/jurisdiction"))
    touches["whose rules"] = hand.taps(*rules)
    assert hand.sent("trench/jurisdiction")["jurisdiction"] == "us"
    hand.close()

    answer = "#form-actions button >> nth=0"
    touches["points out"] = hand.taps("[data-tool=points]", "[data-page=kept]", action("point/export"))
    hand.sent("point/export")
    touches["and away"] = hand.taps(action("point/clear"), answer)
    assert hand.sent("point/clear")["sure"] is True
    hand.close()
    forget = ("[data-tool=reference]", "[data-page=marks]", "label:has-text('TP1')", action("mark/forget"))
    touches["forget a mark"] = hand.taps(*forget)
    assert hand.sent("mark/forget")["name"] == "TP1"
    hand.close()
    touches["a new book"] = hand.taps("[data-tool=day]", "[data-page=book]", action("book/new"), answer)
    assert hand.sent("book/new")["sure"] is True

    most = {
        "the laser's plane": 7, "put it back from the main view": 1, "the station": 5,
        "a pipe by its two ends": 9, "a layer": 8, "wear by the rule": 6, "wear on a mark": 4,
        "a slew limit": 5, "one limit taken away": 2, "what an overhead line needs": 5, "whose rules": 4,
        "points out": 3, "and away": 2, "forget a mark": 4, "a new book": 4,
    }  # fmt: skip
    assert touches == most
