"""The terminal view: what stands on the screen, and above all what does not."""

from __future__ import annotations

import json
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console

from tipdatum.cli.demo import _Introduced
from tipdatum.display import figures
from tipdatum.display.canvas import Canvas, Viewport, big
from tipdatum.display.figures import deviation_words
from tipdatum.display.terminal import View
from tipdatum.display.texts import languages, speech
from tipdatum.sentences import said_each

MACHINE = {
    "name": "Fourteen-tonne demo machine",
    "boom": {"foot_m": [0.35, 0.0, 1.75], "length_m": 4.6},
    "stick": {"length_m": 2.5},
    "bucket": [{"name": "trenching 600", "tip_m": 1.3, "width_m": 0.6}],
}
PINS = [
    {"name": "boom", "reach_m": 0.35, "height_m": 1.75},
    {"name": "stick", "reach_m": 4.3, "height_m": 4.1},
    {"name": "bucket", "reach_m": 5.4, "height_m": 1.9},
    {"name": "tip", "reach_m": 5.2, "height_m": 0.6},
]


def tip(**fields: Any) -> dict[str, Any]:
    return {
        "t": 1.0, "time": "2026-05-04T08:00:01.000Z", "elevation_m": -1.234, "left_m": -1.23,
        "right_m": -1.24, "reach_m": 5.2, "lateral_m": 0.0, "sigma_m": 0.012,
        "quality": "good", "reasons": [], "datum": "set",
        "deviation_m": None,
    } | fields  # fmt: skip


def health(sensor: str, **fields: Any) -> dict[str, Any]:
    return {
        "sensor": sensor,
        "body": sensor,
        "state": "ok",
        "text": "",
        "rate_hz": 100.0,
        "faults": {},
    } | fields


def view(**messages: dict[str, Any]) -> View:
    """A view that is linked and heard these messages at 10 s."""
    shown = View()
    shown.link(True, "127.0.0.1:1883")
    shown.apply("tipdatum/digger-1/about", json.dumps({"machine": MACHINE}).encode(), 10.0)
    for name, message in messages.items():
        shown.apply(f"tipdatum/digger-1/{name.replace('__', '/')}", json.dumps(message).encode(), 10.0)
    return shown


def screen(shown: View, now: float = 10.1, width: int = 100, height: int = 30) -> str:
    console = Console(width=width, height=height, color_system=None, legacy_windows=False)
    with console.capture() as captured:
        console.print(shown.render(width, height, now))
    return captured.get()


def test_elevation_sigma_quality_and_health_stand_on_the_screen() -> None:
    text = screen(view(tip=tip(), health__boom=health("boom")))
    for line in big("-1.234 m"):
        assert line in text
    assert "± 0.012 m" in text
    assert "good" in text
    assert "boom      ok       100.0 Hz" in text
    assert "no safety device" in text


@pytest.mark.parametrize(
    ("deviation", "sigma", "words"),
    [
        (0.134, 0.012, "above target, lower"),
        (-0.034, 0.012, "below target, raise"),
        (0.004, 0.008, "on grade"),
        (-0.009, None, "on grade"),
        (0.05, 0.3, "above target, by less than 1σ"),
        (-0.05, 0.3, "below target, by less than 1σ"),
        (0.002, 0.3, "near target, within 1σ"),
    ],
)
def test_a_deviation_in_words_says_no_more_than_sigma_allows(
    deviation: float, sigma: float | None, words: str
) -> None:
    """Positive is above the target, material left to cut (the project's conventions)."""
    assert deviation_words(deviation, sigma) == words
    assert words in screen(view(tip=tip(deviation_m=deviation, sigma_m=sigma)))


@pytest.mark.parametrize(
    ("judgement", "words"),
    [
        ("on grade", "on grade"),
        ("above", "above target, lower"),
        ("below", "below target, raise"),
        ("cannot judge", "cannot judge: 2σ exceeds the"),
    ],
)
def test_where_a_tolerance_is_set_the_service_judges(judgement: str, words: str) -> None:
    assert words in screen(view(tip=tip(deviation_m=0.02, judgement=judgement)))


def _no_figures(text: str) -> bool:
    return not any(line in text for line in big("-1.234 m")) and "1.23" not in text and "5.2" not in text


def test_figures_vanish_with_a_reason_when_messages_stop() -> None:
    shown = view(tip=tip(), arm={"points": PINS}, health__boom=health("boom"))
    assert not _no_figures(screen(shown, now=10.4))
    text = screen(shown, now=14.2)
    assert _no_figures(text)
    assert "no message for 4 s" in text
    # A sensor's health is not known either then, however good it was.
    assert "100.0 Hz" not in text
    assert "boom      not known" in text


def test_figures_vanish_when_the_broker_is_gone_or_the_service_is_offline() -> None:
    shown = view(tip=tip())
    shown.link(False, "the connection to 127.0.0.1:1883 was lost")
    assert _no_figures(screen(shown))
    assert "no broker: the connection to" in screen(shown)
    shown = view(tip=tip(), status={"state": "offline", "reason": "connection lost"})
    assert _no_figures(screen(shown))
    assert "service offline: connection lost" in screen(shown)


def test_a_null_elevation_stands_as_a_dash_with_its_reasons() -> None:
    text = screen(
        view(tip=tip(elevation_m=None, sigma_m=None, quality="stale", reasons=["boom sensor silent"]))
    )
    assert "—" in text
    assert "stale" in text
    assert "boom sensor silent" in text


def test_without_a_reference_the_screen_says_how_to_set_one() -> None:
    text = screen(view(tip=tip(elevation_m=None, datum="none")), width=60)
    assert "tipdatum/digger-1/command/datum/set" in text
    assert '{"elevation_m": 0}' in text


def test_a_reference_in_doubt_is_said_with_its_reason() -> None:
    text = screen(view(tip=tip(datum="doubtful"), state={"reasons": ["the service was off for 8 min"]}))
    assert "reference in doubt" in text
    assert "the service was off for 8 min" in text


def test_a_large_sigma_takes_the_millimetres_away_and_gives_them_back_late() -> None:
    shown = view(tip=tip(sigma_m=0.2))
    assert big("-1.23 m")[0] in screen(shown)
    seen = []
    for sigma in (0.04, 0.02, 0.04, 0.06):
        shown.apply("tipdatum/digger-1/tip", json.dumps(tip(sigma_m=sigma)).encode(), 10.0)
        seen.append(shown.line(10.1).split("elevation ")[1].split(" m")[0])
    assert seen == ["-1.23", "-1.234", "-1.234", "-1.23"]


def test_the_arm_is_drawn_and_goes_when_it_is_not_known() -> None:
    drawn = screen(view(tip=tip(), arm={"points": PINS}))
    without = screen(view(tip=tip(), arm={"points": None}))
    dots = [sum(0x2800 < ord(c) <= 0x28FF for c in text) for text in (drawn, without)]
    assert dots[0] > dots[1] + 30
    assert "1 m" in drawn


def test_one_machine_is_shown_and_others_are_named() -> None:
    shown = view(tip=tip())
    shown.apply("tipdatum/digger-2/tip", json.dumps(tip(elevation_m=99.0)).encode(), 10.05)
    text = screen(shown)
    assert "also heard: digger-2" in text
    assert "99" not in text


def test_a_sensor_that_is_taken_away_leaves_the_screen() -> None:
    shown = view(tip=tip(), health__boom=health("boom"))
    shown.apply("tipdatum/digger-1/health/boom", b"", 10.0)
    assert "boom      ok" not in screen(shown)


@pytest.mark.parametrize(("width", "height"), [(40, 10), (60, 20), (80, 24), (132, 43)])
def test_the_picture_fits_its_terminal(width: int, height: int) -> None:
    shown = view(
        tip=tip(deviation_m=0.1, reasons=["arm moving", "filter settling after the start"]),
        arm={"points": PINS},
        **{f"health__{body}": health(body) for body in ("upper", "boom", "stick", "bucket")},
    )
    lines = screen(shown, width=width, height=height).rstrip("\n").split("\n")
    assert len(lines) == height
    assert all(len(line) <= width for line in lines)


def test_nobody_can_send_the_terminal_an_order() -> None:
    text = screen(
        view(
            tip=tip(reasons=["\x1b[2J\x07gone"], quality="\x1b]0;x"),
            health__boom=health("boom", text="\x1bc"),
        )
    )
    assert "\x1b" not in text
    assert "\x07" not in text
    assert "gone" in text


values = st.recursive(
    st.none() | st.booleans() | st.floats(allow_nan=False, allow_infinity=False) | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)
FIELDS = (
    "elevation_m", "sigma_m", "deviation_m", "quality", "reasons", "datum", "points", "machine", "state",
    "text", "rate_hz", "faults", "reason", "target", "time",
)  # fmt: skip
payloads = st.binary(max_size=20) | (
    st.dictionaries(st.sampled_from(FIELDS), values, max_size=6) | values
).map(lambda value: json.dumps(value).encode())
topics = st.sampled_from(["tip", "arm", "status", "about", "state", "health/boom", "health/", "tip/x", "odd"])


@settings(deadline=None)
@given(st.lists(st.tuples(topics, payloads), max_size=8))
def test_whatever_is_published_the_view_goes_on(messages: list[tuple[str, bytes]]) -> None:
    shown = view(tip=tip(), arm={"points": PINS})
    for topic, payload in messages:
        shown.apply(f"tipdatum/digger-1/{topic}", payload, 10.0)
    text = screen(shown)
    assert "no safety device" in text
    assert shown.line(10.1)


def test_digits_are_five_pixels_high_and_of_even_width() -> None:
    assert big("8") == ["█▀█", "█▀█", "▀▀▀"]
    assert big("-1") == ["    ▄█ ", "▀▀▀  █ ", "    ▀▀▀"]
    assert len({len(line) for line in big("-0.123 m")}) == 1


def test_a_dot_lands_in_its_braille_cell() -> None:
    """Unicode names U+2801 BRAILLE PATTERN DOTS-1: the upper left dot of a cell."""
    canvas = Canvas(2, 1, Viewport(0.0, 4.0, 0.0, 4.0))
    canvas.dot(0.0, 4.0)
    assert canvas.lines()[0].plain == "⠁ "
    canvas.line((2.0, 4.0), (2.0, 0.0))
    assert canvas.lines()[0].plain == "⠁⡇"


@pytest.mark.parametrize("language", languages())
def test_demo_on_80_by_24_keeps_large_digits_and_a_line_that_can_be_copied(language: str) -> None:
    topics = SimpleNamespace(root="tipdatum", base="tipdatum/demo")
    where = SimpleNamespace(
        machine_id="demo", topics=topics, broker_host="127.0.0.1", broker_port=41883, page_url="http://[::1]/"
    )
    view = _Introduced(where, speech(language))  # type: ignore[arg-type]
    view.link(True, "127.0.0.1:41883")
    tip = {"elevation_m": 1.5, "deviation_m": 0.1, "sigma_m": 0.004, "quality": "good", "reasons": []}
    view.apply("tipdatum/demo/tip", json.dumps(tip).encode(), 0.0)
    for name in ("upper", "boom", "stick", "bucket"):
        health = {"sensor": name, "body": name, "state": "ok", "rate_hz": 50.0, "faults": {}, "text": ""}
        view.apply(f"tipdatum/demo/health/{name}", json.dumps(health).encode(), 0.0)
    console = Console(width=80, height=24, force_terminal=True, color_system=None)
    with console.capture() as drawn:
        console.print(view.render(80, 24, 0.1))
    lines = drawn.get().splitlines()
    assert len(lines) <= 24
    assert any("tipdatum send datum/set elevation_m=101.25 --port 41883" in line for line in lines)
    assert sum("█" in line for line in lines) >= 4, "two figures, each of more than one line"


@pytest.mark.parametrize("language", languages())
def test_terminal_speaks_the_readers_language(language: str) -> None:
    """Words, reasons and doubts; a figure has that language's decimal sign."""
    say = speech(language)
    tip = {
        "elevation_m": 1.234, "sigma_m": 0.004, "quality": "moving", "datum": "set", "deviation_m": 0.5,
        "reasons": ["stick sensor silent for 3.2 s"],
        "reasons_said": said_each(["stick sensor silent for 3.2 s"]),
    }  # fmt: skip
    lines = [
        line.plain for line in figures.block(tip, {}, "", rows=9, columns=60, fine=True, base="x", say=say)
    ]
    text = "\n".join(lines)
    assert say("terminal.elevation") in text
    assert say("terminal.above") in text
    assert say("terminal.quality.moving") in text
    assert say.number(1.234, 3) in text
    assert say("say.sensor-silent-for", sensor="stick", age_s=say.number(3.2, 1) + " s") in text


def test_why_nothing_comes_from_a_sensor_can_be_read_at_80_columns() -> None:
    why = "no reading yet (port: /dev/ttyUSB0 is not there: unplugged, or"
    message = health("boom", state="waiting", rate_hz=None, faults={"port": 1}, text=f"{why} another name?)")
    assert why[:55] in figures.sensor_line("boom", message, 80).plain
