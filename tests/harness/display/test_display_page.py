"""The page as somebody in front of it sees it: live, silent, refused, touched."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from tipdatum.sentences import recognised, said, sentence

pytestmark = [pytest.mark.browser, pytest.mark.broker]

WATCH = """
() => {
  window.goneAt = 0;
  new MutationObserver(() => {
    if (document.getElementById("known").hidden && !window.goneAt) window.goneAt = performance.now();
  }).observe(document.getElementById("known"), { attributes: true });
}
"""
"""Notes, on the page's own clock, when the figure went."""

HOOK = """
const Real = window.WebSocket;
window.lastTip = 0;
window.WebSocket = class extends Real {
  constructor(...rest) {
    super(...rest);
    this.addEventListener("message", ({ data }) => {
      if (new TextDecoder().decode(data).includes("/tip{")) window.lastTip = performance.now();
    });
  }
};
"""
"""Notes, on the same clock, when the last tip message came in."""


@pytest.fixture
def live(page: Page, broker: Any, stand_in: Any, serve: Callable[..., Any]) -> Page:
    """The page with figures on it."""
    page.add_init_script(HOOK)
    page.goto(serve(broker.ws_url).url)
    expect(page.locator("#known")).to_be_visible()
    return page


def test_figure_says_size_sign_and_side_in_words(live: Page) -> None:
    expect(live.locator("#order")).to_have_text("Lower")
    expect(live.locator("#verdict")).to_have_text("above target")
    expect(live.locator("#digits")).to_have_text("+100")
    expect(live.locator("#unit")).to_have_text("mm")


def test_figure_follows_the_tip(live: Page, stand_in: Any) -> None:
    stand_in.tip |= {"deviation_m": -0.062, "elevation_m": 22.878}
    expect(live.locator("#verdict")).to_have_text("below target")
    expect(live.locator("#digits")).to_have_text(
        "−60"
    )  # sigma 4 mm: no digit finer than 5 mm is worth showing


def test_zero_without_a_tolerance_is_on_neither_side(live: Page, stand_in: Any) -> None:
    stand_in.tip |= {"deviation_m": 0.001, "elevation_m": 22.941}
    expect(live.locator("#verdict")).to_have_text("at the target")
    expect(live.locator("#digits")).to_have_text("0")


def test_section_is_drawn(live: Page) -> None:
    ink = live.evaluate(
        """() => { const c = document.getElementById("section");
             const data = c.getContext("2d").getImageData(0, 0, c.width, c.height).data;
             const seen = new Set();
             for (let i = 0; i < data.length; i += 4) seen.add([data[i], data[i + 1], data[i + 2]].join());
             return seen.size; }"""
    )
    assert ink > 20, "paper alone is one colour; lines, hatches and figures make many"


@pytest.mark.parametrize("cause", ["service silent", "broker killed"])
def test_figure_goes_within_half_a_second_of_the_last_message(
    live: Page, broker: Any, stand_in: Any, cause: str
) -> None:
    live.evaluate(WATCH)
    if cause == "service silent":
        stand_in.silent.set()
    else:
        broker.stop()
    expect(live.locator("#unknown")).to_be_visible()
    waited = live.evaluate("window.goneAt - window.lastTip")
    # Half a second is what the display promises, on its own clock; no measure of this machine's speed.
    assert 0 < waited <= 500
    expect(live.locator("#why")).to_have_text(re.compile("No figures for|Connection to the broker lost"))
    expect(live.locator("#digits")).to_be_hidden()


def test_service_that_dies_is_named(live: Page, stand_in: Any) -> None:
    stand_in.silent.set()
    stand_in.publish("status", {"state": "offline", "reason": "power lost"}, retain=True)
    expect(live.locator("#why")).to_have_text("The service has stopped")
    expect(live.locator("#remedy")).to_contain_text("power lost")


def test_silent_sensor_takes_the_figure_away_and_says_which(live: Page, stand_in: Any) -> None:
    stand_in.tip |= {
        "quality": "stale", "reasons": ["boom silent"], "elevation_m": None, "deviation_m": None,
        "sigma_m": None, "reach_m": None, "left_m": None, "right_m": None,
    }  # fmt: skip
    expect(live.locator("#why")).to_have_text("A sensor is silent")
    expect(live.locator("#remedy")).to_contain_text("boom silent")


def test_doubtful_reference_shows_elevation_and_no_deviation(live: Page, stand_in: Any) -> None:
    stand_in.tip |= {"datum": "doubtful", "deviation_m": None}
    expect(live.locator("#order")).to_have_text("Reference in doubt")
    expect(live.locator("#digits")).to_have_text("23.040")


def test_page_comes_back_by_itself_after_a_broker_restart(live: Page, broker: Any) -> None:
    broker.stop()
    expect(live.locator("#unknown")).to_be_visible()
    broker.start()
    expect(live.locator("#known")).to_be_visible()


def test_reference_set_by_touch_arrives_on_the_bus_in_metres(live: Page, stand_in: Any) -> None:
    live.click("[data-tool=reference]")
    for key in "24.31":
        live.click(f"#keypad button:text-is('{key}')")
    expect(live.locator("#form-body .hint").first).to_contain_text("24.310 m")
    live.click("#form-actions [data-command='datum/set']")
    expect(live.locator("#answer")).to_have_text("Done. Reference set.")
    name, body = stand_in.commands[-1]
    assert name == "datum/set"
    assert body["elevation_m"] == 24.31
    assert body["point"] == "tip"
    assert body["request_id"]


def test_refusal_is_shown_in_the_service_s_words(live: Page, stand_in: Any) -> None:
    stand_in.reply = {"ok": False, "text": "The tip is moving."}
    live.click("[data-tool=reference]")
    live.fill("input[name=elevation_m]", "4' 3 1/2\"")
    live.click("#form-actions [data-command='datum/set']")
    expect(live.locator("#answer")).to_have_text("Refused. The tip is moving.")
    assert stand_in.commands[-1][1]["elevation_m"] == pytest.approx(51.5 * 0.0254)


def test_unreadable_entry_is_not_sent(live: Page, stand_in: Any) -> None:
    live.click("[data-tool=reference]")
    live.fill("input[name=elevation_m]", "about two")
    live.click("#form-actions [data-command='datum/set']")
    expect(live.locator(".wrong").first).to_contain_text("“about two” cannot be read")
    assert stand_in.commands == []


def test_command_whose_connection_breaks_is_said_to_be_unknown(live: Page, broker: Any) -> None:
    live.click("[data-tool=reference]")
    live.fill("input[name=elevation_m]", "1")
    broker.stop()
    live.evaluate('document.querySelector("#form-body form").requestSubmit()')
    expect(live.locator("#answer")).to_contain_text("The connection was lost before the answer came")


def test_role_that_may_not_command_sees_why(
    page: Page, broker: Any, stand_in: Any, serve: Callable[..., Any]
) -> None:
    page.goto(serve(broker.ws_url, role="display").url)
    page.click("[data-tool=reference]")
    expect(page.locator("#form-actions [data-command='datum/set']")).to_be_disabled()
    expect(page.locator(".caution").first).to_contain_text("may only read")


def test_sign_in_where_the_broker_asks_for_a_password(
    page: Page, new_broker: Callable[..., Any], serve: Callable[..., Any]
) -> None:
    broker = new_broker("allow_anonymous false")
    page.goto(serve(broker.ws_url).url)
    expect(page.locator("#why")).to_contain_text("The broker refused this screen")
    page.click("[data-tool=screen]")
    page.click("[data-page=sign-in]")
    page.fill("input[name=username]", "someone")
    page.click("#form-actions button")
    expect(page.locator("#form")).to_be_hidden()


def test_language_units_and_light_are_kept_on_the_screen(live: Page) -> None:
    live.click("[data-tool=screen]")
    live.locator("label:has-text('night')").click()
    live.locator("label:has-text('decimal ft')").click()
    live.locator("label:has-text('Deutsch')").click()
    live.click("#form-close")
    expect(live.locator("#verdict")).to_have_text("über dem Soll")
    live.reload()
    expect(live.locator("#verdict")).to_have_text("über dem Soll")
    expect(live.locator("html")).to_have_attribute("data-light", "night")
    expect(live.locator("#unit")).to_have_text("ft")
    expect(live.locator("#digits")).to_have_text("+0,33")  # 0.1 m is 0.328 ft


def test_question_is_asked_and_the_answer_sent(live: Page, stand_in: Any) -> None:
    asked = {"name": "bucket", "text": "Is the bucket trenching 600 on?", "left": 2}
    stand_in.publish("state", stand_in.state | {"question": asked}, retain=True)
    expect(live.locator("#card")).to_contain_text("Is the bucket trenching 600 on?")
    live.click("#card button:text-is('Yes')")
    expect(live.locator("#card [role=status]")).to_have_text("Reference set.")  # what the stand-in answers
    name, body = stand_in.commands[-1]
    assert (name, body["question"], body["yes"]) == ("morning/answer", "bucket", True)


def test_caution_stands_over_the_drawing_until_it_is_read(live: Page, stand_in: Any) -> None:
    caution = {
        "name": "call first",
        "text": "Have services marked.",
        "source": "common practice",
        "time": "1",
    }
    stand_in.publish("state", stand_in.state | {"cautions": [caution]}, retain=True)
    expect(live.locator("#card")).to_contain_text("Have services marked.")
    live.click("#card button")
    expect(live.locator("#card")).to_be_hidden()
    expect(live.locator("[data-tool=trench] .aside")).to_have_text("1 to read")


def limit_figure(kind: str, state: str, distance_m: float, **more: Any) -> dict[str, Any]:
    plain = {"note": "", "point": "boom-stick pin", "time_s": None}
    return plain | {"kind": kind, "state": state, "distance_m": distance_m} | more


def test_every_limit_has_its_line_the_most_urgent_first(live: Page, stand_in: Any) -> None:
    limits = [{"kind": "floor", "value": 22.0, "note": "gas pipe"}, {"kind": "far reach", "value": 6.0}]
    limits.append({"kind": "ceiling", "value": 29.0})
    stand_in.publish("state", stand_in.state | {"limits": limits}, retain=True)
    lines = live.locator("#warnings li strong")
    # What has the same reason is said once.
    expect(lines).to_have_text(["Not watched: floor, gas pipe; far reach; ceiling."])
    stand_in.limits = [
        limit_figure("floor", "near", 0.4, time_s=5.0, note="gas pipe", point="tip"),
        limit_figure("ceiling", "near", 0.6, time_s=0.8),
        limit_figure("far reach", "beyond", -1.0),
    ]
    expect(lines).to_contain_text(["far reach", "ceiling", "floor, gas pipe"])
    # Why a metre, where the tip is 0.2 m past: the elbow's margin is in it.
    expect(lines.first).to_contain_text("1.00 m inside its margin, elbow")
    expect(lines.nth(1)).to_contain_text("in 0.8 s")


def test_governing_point_is_in_the_large_figure_and_all_figures_share_one_rounding(
    live: Page, stand_in: Any
) -> None:
    stand_in.tip |= {
        "deviation_m": -0.0105, "elevation_m": 22.9295, "governing": "left", "governing_deviation_m": -0.0172,
    }  # fmt: skip
    expect(live.locator("#digits")).to_have_text("−15")
    expect(live.locator("#verdict")).to_contain_text("left corner")
    expect(live.locator("#details")).to_contain_text("−10 mm")
    figures = re.findall(r"−?[\d.]+(?= mm)", live.inner_text("#details"))
    assert all(float(figure.replace("−", "-")) % 5 == 0 for figure in figures[:2])


def test_order_stands_over_the_figure_to_lower_and_under_it_to_raise(live: Page, stand_in: Any) -> None:
    def places() -> tuple[float, float]:
        expect(live.locator("#digits")).to_be_visible()
        boxes = [live.locator(name).bounding_box() for name in ("#order", "#digits")]
        assert boxes[0]
        assert boxes[1]
        return boxes[0]["y"], boxes[1]["y"]

    order, digits = places()
    assert order < digits
    stand_in.tip |= {"deviation_m": -0.1, "elevation_m": 22.84}
    expect(live.locator("#order")).to_have_text("Raise")
    order, digits = places()
    assert order > digits


def test_contradictions_are_asked_about_before_they_are_sent(live: Page, stand_in: Any) -> None:
    live.click("[data-tool=target]")
    live.click("[data-page=grade]")
    live.fill("input[name=grade]", "-2 %")
    live.locator("label:has-text('rising')").click()
    live.click("#form-actions .first")
    expect(live.locator("#answer")).to_contain_text("Which one is meant?")
    assert stand_in.commands == []
    live.click("#form-actions button:text-is('2 % falling')")
    expect(live.locator("#answer")).to_have_text(
        "What counts as on grade?"
    )  # it was sent: there is no tolerance
    assert stand_in.commands[-1][1]["grade"] == "falling 2%"
    live.click("[data-page=level]")
    live.fill("input[name=depth_m]", "-1.2")
    live.click("#form-actions .first")
    live.click("#form-actions button:text-is('1.200 m below')")
    expect(live.locator("#answer")).to_have_text("What counts as on grade?")
    assert stand_in.commands[-1][1]["depth_m"] == 1.2


def test_first_target_asks_for_a_tolerance(live: Page, stand_in: Any) -> None:
    live.click("[data-tool=target]")
    live.fill("input[name=elevation_m]", "22.5")
    live.click("#form-actions .first")
    expect(live.locator("#answer")).to_have_text("What counts as on grade?")
    live.click("#form-actions button:text-is('± 20 mm')")
    expect(live.locator("#answer")).to_contain_text("Done.")
    assert stand_in.commands[-1][0] == "target/tolerance"
    assert stand_in.commands[-1][1]["above_m"] == stand_in.commands[-1][1]["below_m"] == 0.02


def test_reference_that_is_not_in_doubt_is_not_given_up_by_one_touch(live: Page, stand_in: Any) -> None:
    live.click("[data-tool=zero]")
    expect(live.locator("#card")).to_contain_text("BM1, 24.310 m")
    assert stand_in.commands == []
    live.click("#card button:text-is('Replace it')")
    expect(live.locator("#card")).to_contain_text("Done.")
    assert stand_in.commands[-1][0] == "datum/set"
    assert stand_in.commands[-1][1]["elevation_m"] == 0


def test_zero_here_is_one_touch_without_a_reference(live: Page, stand_in: Any) -> None:
    stand_in.publish("state", stand_in.state | {"datum": "none", "reference": None}, retain=True)
    expect(live.locator("#setup")).to_contain_text("no reference")
    live.click("[data-tool=zero]")
    expect(live.locator("#card")).to_contain_text("Done.")


def test_no_mark_is_chosen_in_advance(live: Page, stand_in: Any) -> None:
    marks = {"BM1": {"elevation_m": 24.31, "known": True}}
    stand_in.publish("state", stand_in.state | {"marks": marks}, retain=True)
    live.click("[data-tool=reference]")
    live.click("[data-page=marks]")
    live.click("#form-actions [data-command='mark/check']")
    expect(live.locator("#answer")).to_have_text("Choose one.")
    live.locator("label:has-text('BM1')").click()
    live.click("#form-actions [data-command='mark/check']")
    expect(live.locator("#answer")).to_contain_text("Done.")
    assert stand_in.commands[-1][1]["name"] == "BM1"


def test_names_and_slew_limits_are_typed_by_touch(live: Page, stand_in: Any) -> None:
    live.click("[data-tool=limits]")
    live.locator("label:has-text('slew left')").click()
    live.click("input[name=value_deg]")
    for key in ("3", "5", "°"):
        live.click(f"#keypad button:text-is('{key}')")
    live.click("input[name=note]")
    for key in "WALL":
        live.click(f"#keypad button:text-is('{key}')")
    live.click("#form-actions [data-command='limit/set']")
    expect(live.locator("#answer")).to_contain_text("Done.")
    assert (
        stand_in.commands[-1][1] | {"kind": "slew left", "value_deg": 35, "note": "WALL"}
        == stand_in.commands[-1][1]
    )


def test_one_limit_is_taken_away_by_itself(live: Page, stand_in: Any) -> None:
    stand_in.publish("state", stand_in.state | {"limits": [{"kind": "floor", "value": 22.0}]}, retain=True)
    live.click("[data-tool=limits]")
    live.click("#form-body li button")
    expect(live.locator("#answer")).to_contain_text("Done.")
    assert stand_in.commands[-1][1]["kind"] == "floor"


def test_profile_is_typed_in_the_units_of_the_screen(live: Page, stand_in: Any) -> None:
    live.click("[data-tool=screen]")
    live.locator("label:has-text('decimal ft')").click()
    live.click("#form-close")
    live.click("[data-tool=target]")
    live.click("[data-page=profile]")
    live.fill("textarea[name=points]", "0; 10\n50; 9.5")
    live.click("#form-actions .first")
    expect(live.locator("#answer")).not_to_be_empty()
    rows = stand_in.commands[-1][1]["points"]
    assert rows == [
        [0, pytest.approx(10 * 0.3048)],
        [pytest.approx(50 * 0.3048), pytest.approx(9.5 * 0.3048)],
    ]


def test_change_can_be_put_back_from_where_it_was_answered(live: Page, stand_in: Any) -> None:
    live.click("[data-tool=target]")
    live.click("[data-page=band]")
    live.click(".chips button:text-is('± 20 mm')")
    expect(live.locator("#form-foot .undo")).to_contain_text("Undo")
    stand_in.reply = {"ok": True, "text": "The target is as it was."}
    live.click("#form-foot .undo")
    expect(live.locator("#form-foot .undo")).to_be_hidden()
    assert stand_in.commands[-1][0] == "change/undo"


def test_last_targets_come_back_as_chips(live: Page, stand_in: Any) -> None:
    live.click("[data-tool=target]")
    live.fill("input[name=depth_m]", "1.2")
    live.click("#form-actions .first")
    expect(live.locator("#answer")).to_have_attribute("data-outcome", re.compile("done|asked"))
    live.reload()
    live.click("[data-tool=target]")
    live.click(".chips button:text-is('1.200 m deep')")
    expect(live.locator("#answer")).not_to_be_empty()
    assert stand_in.commands[-1][1]["depth_m"] == 1.2


@pytest.mark.parametrize(
    ("view", "seen", "hidden"),
    [
        ("glance", ("#staff", "#digits"), ("#section", "#tools")),
        ("section", ("#section",), ("#digits", "#tools")),
        ("numbers", ("#digits", "#details"), ("#section", "#staff")),
    ],
)
def test_second_screen_shows_one_part_alone(
    live: Page, view: str, seen: tuple[str, ...], hidden: tuple[str, ...]
) -> None:
    live.goto(live.url.split("?")[0] + f"?view={view}")
    for name in seen:
        expect(live.locator(name)).to_be_visible()
    for name in hidden:
        expect(live.locator(name)).to_be_hidden()


def test_one_touch_fills_the_screen_and_one_brings_it_back(live: Page) -> None:
    live.click("#digits")
    expect(live.locator("#section")).to_be_hidden()
    live.click("#fill")
    expect(live.locator("#section")).to_be_visible()


def test_sound_that_was_on_is_taken_up_with_the_first_touch(live: Page) -> None:
    live.click("[data-tool=screen]")
    live.locator("label:has(input[name=sound][value=on])").click()
    live.reload()
    live.click("[data-tool=screen]")
    expect(live.locator("input[name=sound][value=on]")).to_be_checked()


def test_phone_that_read_the_code_may_only_read(live: Page) -> None:
    live.goto(live.url.split("?")[0] + "?role=display")
    live.click("[data-tool=reference]")
    expect(live.locator("#form-actions [data-command='datum/set']")).to_be_disabled()


def test_what_is_assumed_is_said_while_figures_stand(live: Page, stand_in: Any) -> None:
    assumed = "no sensor on the upper: level machine assumed"
    stand_in.tip |= {"quality": "moving", "reasons": [assumed, "arm moving"]}
    expect(live.locator("#warnings li")).to_contain_text([assumed])
    expect(live.locator("#digits")).not_to_be_empty()


def test_sensor_that_is_not_well_is_told_on_its_tool(live: Page, stand_in: Any) -> None:
    health: dict[str, Any] = {
        "sensor": "boom",
        "body": "boom",
        "state": "fault",
        "text": "loose plug",
        "rate_hz": None,
        "faults": {},
    }
    stand_in.publish("health/boom", health, retain=True)
    expect(live.locator("[data-tool=machine] .aside")).to_have_text("1 of 2 not well")
    expect(live.locator("#warnings")).to_contain_text("Sensor boom fault: loose plug")
    live.click("[data-tool=machine]")
    live.click("[data-page=sensors]")
    expect(live.locator("#form-body")).to_contain_text("loose plug")


def test_why_a_sensor_was_never_heard_stands_beside_the_missing_figure(live: Page, stand_in: Any) -> None:
    """A port that is not there is the commonest trouble of a first day; that one waits alone says nothing."""
    waits = {"sensor": "boom", "body": "boom", "state": "waiting", "rate_hz": None, "faults": {}}
    stand_in.publish("health/boom", waits | {"text": "no reading yet", "last_fault": None}, retain=True)
    expect(live.locator("[data-tool=machine]")).to_contain_text("1 of 2 not well")
    expect(live.locator("#warnings li")).to_have_count(0)
    told = sentence(
        "no-reading-yet-fault", why=recognised("port: /dev/ttyUSB0 is not there: unplugged, or another name?")
    )
    known = {"text": told, "said": said(told), "faults": {"port": 1}, "last_fault": "port"}
    stand_in.publish("health/boom", waits | known, retain=True)
    expect(live.locator("#warnings")).to_contain_text(
        "Sensor boom waiting: no reading yet (port: /dev/ttyUSB0 is not there: unplugged, or another name?)"
    )


def test_sound_starts_and_stops_by_touch(live: Page) -> None:
    live.click("[data-tool=screen]")
    live.locator("label:has(input[name=sound][value=on])").click()
    expect(live.locator("input[name=sound][value=on]")).to_be_checked()
    live.wait_for_timeout(300)  # notes are played in between; the page fixture fails on any error
    live.locator("label:has(input[name=sound][value=off])").click()


def test_picture_stays_where_a_finger_puts_it(live: Page) -> None:
    box = live.locator("#section").bounding_box()
    assert box is not None
    live.mouse.move(box["x"] + 200, box["y"] + 300)
    live.mouse.down()
    live.mouse.move(box["x"] + 300, box["y"] + 250)
    live.mouse.up()
    expect(live.locator("#picture")).to_have_text("Follow tip")
    live.click("#picture")
    expect(live.locator("#picture")).to_have_text("Whole arm")
    live.click("#picture")
    expect(live.locator("#picture")).to_have_text("From above")
