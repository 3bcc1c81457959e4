"""The page's modules by themselves: units, freshness, verdicts, the record of the dig, sound, texts."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Any

import pint
import pytest
from playwright.sync_api import Browser

from tipdatum.display.server import PAGE, PageSettings, start
from tipdatum.display.texts import languages, speech

pytestmark = pytest.mark.browser

UNITS: Any = pint.UnitRegistry()
Ask = Callable[..., Any]


@pytest.fixture(scope="module")
def ask(browser: Browser) -> Iterator[Ask]:
    """`ask("units.js", "(m) => m.parseLength('1 m', 'm')")`: evaluates with a module of the page."""
    server = start("127.0.0.1", 0, PageSettings("ws://127.0.0.1:9", "none"))
    context = browser.new_context(bypass_csp=True)
    page = context.new_page()
    page.goto(server.url + "no-such-file")
    yield lambda module, code: page.evaluate(f"import('/{module}').then({code})")
    context.close()
    server.close()


# --- entry --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "unit", "expected"),
    [
        ("1.25", "m", 1.25 * UNITS.m),
        ("-1.2m", "m", -1.2 * UNITS.m),
        ("-1,2 m", "ft", -1.2 * UNITS.m),
        ("−0.35 m", "m", -0.35 * UNITS.m),
        ("850 mm", "m", 850 * UNITS.mm),
        ("12 cm", "m", 12 * UNITS.cm),
        (".5", "m", 0.5 * UNITS.m),
        ("4", "ft", 4 * UNITS.ft),
        ("4.1 ft", "m", 4.1 * UNITS.ft),
        ("4'", "m", 4 * UNITS.ft),
        ("4' 3 1/2\"", "m", 4 * UNITS.ft + 3.5 * UNITS.inch),
        ("-4' 3 1/2\"", "m", -(4 * UNITS.ft + 3.5 * UNITS.inch)),
        ("4 ft 3.5 in", "m", 4 * UNITS.ft + 3.5 * UNITS.inch),
        ("3′ 11 1/4″", "m", 3 * UNITS.ft + 11.25 * UNITS.inch),
        ('7/8"', "m", 0.875 * UNITS.inch),
        ("6 in", "m", 6 * UNITS.inch),
    ],
)
def test_lengths_are_read_as_people_type_them(ask: Ask, typed: str, unit: str, expected: Any) -> None:
    """Expected lengths by `pint`, an independent unit library."""
    result = ask("units.js", f"(m) => m.parseLength({typed!r}, '{unit}')")
    assert result["metres"] == pytest.approx(expected.to(UNITS.m).magnitude, abs=1e-12)


@pytest.mark.parametrize("typed", ["", "  ", "two", "1.2.3", "1 m 2", "4'' 3'", '1/0"', "--1", "m", "1e3"])
def test_what_is_no_length_is_refused(ask: Ask, typed: str) -> None:
    result = ask("units.js", f"(m) => m.parseLength({typed!r}, 'm')")
    assert result.get("error") in ("empty", "unreadable")
    assert "metres" not in result


@pytest.mark.parametrize(
    ("typed", "ratio"),
    [
        ("2%", 0.02),
        ("2,5 %", 0.025),
        ("-1 %", -0.01),
        ("1:100", 0.01),
        ("1 in 60", 1 / 60),
        ("5‰", 0.005),
        ("1/4 in/ft", 0.25 / 12),  # a quarter inch in twelve
        ('1/8" per ft', 0.125 / 12),
        ("45°", 1.0),  # tan 45° is 1
        ("30 deg", 3**-0.5),
    ],
)
def test_grades_are_read_as_people_type_them(ask: Ask, typed: str, ratio: float) -> None:
    assert ask("units.js", f"(m) => m.parseGrade({typed!r})")["ratio"] == pytest.approx(ratio, rel=1e-12)


def test_ratio_that_can_be_meant_two_ways_is_refused_with_both(ask: Ask) -> None:
    result = ask("units.js", "(m) => m.parseGrade('1:2')")
    assert result == {"error": "ambiguous", "hint": "50 %, 200 %"}


# --- figures ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("metres", "kind", "units", "step", "text"),
    [
        (0.0384, "short", "mm", 0.001, "+38 mm"),
        (-0.0384, "short", "mm", 0.005, "−40 mm"),
        (0.0005, "short", "mm", 0.001, "+1 mm"),  # halves away from zero, both ways alike
        (-0.0005, "short", "mm", 0.001, "−1 mm"),
        (-0.0002, "short", "mm", 0.001, "0 mm"),
        (23.1496, "long", "mm", 0.001, "+23.150 m"),
        (23.1496, "long", "cm", 0.01, "+23.15 m"),
        (0.1, "short", "ft", 0.003048, "+0.33 ft"),
        (1.3081, "long", "ft-in", 0.003175, "+4′ 3 1/2″"),  # 51.5 in
        (0.3047, "long", "ft-in", 0.003175, "+1′ 0″"),  # carries to the next foot
        (25.60955, "long", "ft-in", 0.003175, "+84′ 0 1/4″"),
        (-0.022225, "short", "ft-in", 0.003175, "−7/8 in"),
        (0.4, "short", "ft-in", 0.003175, "+1′ 3 3/4″"),  # 15.748 in
    ],
)
def test_figures_are_written_as_the_trade_writes_them(
    ask: Ask, metres: float, kind: str, units: str, step: float, text: str
) -> None:
    written = ask(
        "units.js", f"(m) => m.lengthText({metres}, '{kind}', '{units}', {{ step: {step}, sign: true }})"
    )
    assert written == text


def test_no_digit_is_finer_than_sigma_is_worth(ask: Ask) -> None:
    steps = ask("units.js", "(m) => [0.0002, 0.002, 0.006, 0.02, 5].map((s) => m.stepFor(s, 'mm'))")
    assert steps == [0.001, 0.002, 0.005, 0.02, 0.1]


# --- freshness ----------------------------------------------------------------------------------------

TIP = """
const tip = (t, more = {}) => ({ t, time: "", elevation_m: 1, left_m: 1, right_m: 1, reach_m: 5, lateral_m: 0,
  sigma_m: 0.004, quality: "good", reasons: [], datum: "set", deviation_m: 0.1, ...more });
const fresh = () => { const model = new Model(); model.setLink("connected", ""); return model; };
"""


def model(ask: Ask, code: str) -> Any:
    return ask("model.js", f"({{ Model, verdict }}) => {{ {TIP} {code} }}")


def test_figure_goes_when_messages_stop(ask: Ask) -> None:
    kinds = model(
        ask,
        """const m = fresh(); m.accept("tip", tip(10), 1000);
        return [1000, 1399, 1401, 9000].map((now) => m.figure(now).kind);""",
    )
    assert kinds == ["deviation", "deviation", "none", "none"]


def test_backlog_of_a_stalled_network_is_not_shown_as_the_present(ask: Ask) -> None:
    """Fifty messages held back for 2 s come in one burst: old until the newest of them."""
    late = model(
        ask,
        """const m = fresh(); const seen = [];
        for (let i = 0; i < 50; i += 1) m.accept("tip", tip(i * 0.02), i * 20);
        for (let i = 50; i <= 150; i += 1) {
          m.accept("tip", tip(i * 0.02), 3000);
          seen.push(m.figure(3000).kind);
        }
        return [seen[0], seen[60], seen.at(-1)];""",
    )
    assert late == ["none", "none", "deviation"]


def test_clocks_that_drift_apart_do_not_make_messages_late(ask: Ask) -> None:
    """The display's clock runs 200 parts in a million fast for two hours; that is 1.4 s."""
    kind = model(
        ask,
        """const m = fresh(); let now = 0;
        for (let t = 0; t < 7200; t += 0.1) { now = t * 1000 * 1.0002; m.accept("tip", tip(t), now); }
        return m.figure(now).kind;""",
    )
    assert kind == "deviation"


def test_session_that_starts_anew_is_not_late(ask: Ask) -> None:
    kind = model(
        ask,
        """const m = fresh(); m.accept("tip", tip(500), 1000); m.accept("tip", tip(0), 1020);
        return m.figure(1020).kind;""",
    )
    assert kind == "deviation"


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ("m.setLink('lost', 'connection closed')", "link.lost"),
        ("m.setLink('refused', 'not authorised')", "link.refused"),
        ("m.accept('status', { state: 'offline' }, 1000)", "service.offline"),
        ("m.accept('tip', tip(11, { quality: 'stale', elevation_m: null }), 1000)", "quality.stale"),
        ("m.accept('tip', tip(11, { quality: 'invalid', elevation_m: null }), 1000)", "quality.invalid"),
        (
            "m.accept('tip', tip(11, { datum: 'none', elevation_m: null, deviation_m: null }), 990)",
            "datum.none",
        ),
    ],
)
def test_every_cause_has_its_own_reason(ask: Ask, change: str, why: str) -> None:
    code = f"const m = fresh(); m.accept('tip', tip(10), 990); {change}; return m.figure(1000).why.key;"
    assert model(ask, code) == why


@pytest.mark.parametrize(
    ("deviation", "sigma", "band", "word"),
    [
        (0.0, 0.002, "{ above: 0.01, below: 0.025 }", "on-grade"),
        (0.012, 0.002, "{ above: 0.01, below: 0.025 }", "above"),
        (-0.027, 0.002, "{ above: 0.01, below: 0.025 }", "below"),
        (0.0, 0.02, "{ above: 0.01, below: 0.025 }", "cannot-judge"),
        (0.5, 0.02, "{ above: 0.01, below: 0.025 }", "above"),
        (0.03, 0.002, "null", "above"),
        (-0.03, 0.002, "null", "below"),
    ],
)
def test_verdict(ask: Ask, deviation: float, sigma: float, band: str, word: str) -> None:
    assert model(ask, f"return verdict({{ deviation_m: {deviation}, sigma_m: {sigma} }}, {band});") == word


def test_service_s_judgement_is_taken_where_it_gives_one(ask: Ask) -> None:
    tip = "{ deviation_m: 0.001, sigma_m: 0.002, judgement: 'cannot judge' }"
    code = f"return verdict({tip}, {{ above: 1, below: 1 }});"
    assert model(ask, code) == "cannot-judge"


def test_limits_of_which_nothing_is_heard_are_not_watched(ask: Ask) -> None:
    states = model(
        ask,
        """const m = fresh(); m.accept("state", { limits: [{ kind: "floor", note: "gas" }] }, 0);
        m.accept("tip", tip(1), 1000);
        const seen = [m.warnings(1000)[0].state];
        m.accept("limits", { limits: [{ kind: "floor", state: "near" }] }, 1000);
        seen.push(m.warnings(1000)[0].state);
        m.accept("limits", { limits: [{ kind: "floor", state: "within" }] }, 1000);
        seen.push(m.warnings(1000).length);
        seen.push(m.warnings(1500)[0].state);
        return seen;""",
    )
    assert states == ["unknown", "near", 0, "unknown"]


# --- what the tip has done ----------------------------------------------------------------------------


def test_ground_is_the_lowest_cut_and_air_is_none(ask: Ask) -> None:
    ground = ask(
        "record.js",
        """({ Record }) => {
          const record = new Record(); let t = 0;
          const go = (reach, elevation) => record.take(
            { t: (t += 0.02), reach_m: reach, elevation_m: elevation, deviation_m: null, sigma_m: 0 }, 0);
          for (let r = 6; r >= 5; r -= 0.02) go(r, -1);         // first cut
          for (let r = 5; r <= 6; r += 0.02) go(r, 2);          // back through the air
          for (let r = 6; r >= 5; r -= 0.02) go(r, -1.2);       // a deeper one
          for (let r = 6; r >= 5; r -= 0.02) go(r, -0.5);       // and one above it
          return record.ground;
        }""",
    )
    inner = [elevation for reach, elevation in ground if 5.1 <= reach <= 5.9]
    assert len(inner) >= 16
    assert inner == pytest.approx([-1.2] * len(inner))


def test_another_line_of_the_boom_is_another_ground(ask: Ask) -> None:
    grounds = ask(
        "record.js",
        """({ Record }) => {
          const record = new Record(); let t = 0;
          const cut = (elevation, slew) => {
            for (let r = 6; r >= 5; r -= 0.05) record.take(
              { t: (t += 0.02), reach_m: r, elevation_m: elevation, deviation_m: null, sigma_m: 0 }, slew);
            return record.ground.find(([r]) => Math.abs(r - 5.5) < 0.03)[1];
          };
          return [cut(-1, 0), cut(-3, 40), cut(-0.5, 1)];
        }""",
    )
    assert grounds == pytest.approx([-1, -3, -1])


# --- sound and texts ----------------------------------------------------------------------------------


def test_sound_tells_side_by_pitch_and_distance_by_rhythm(ask: Ask) -> None:
    notes = ask(
        "sound.js",
        """({ noteFor }) => [["above", 0.3], ["above", 0.1], ["below", -0.1], ["on-grade", 0]]
             .map(([verdict, value]) => noteFor({ kind: "deviation", verdict, value }))""",
    )
    far, near, below, even = notes
    assert far["hz"] == near["hz"] > even["hz"] > below["hz"]
    assert far["gap"] > near["gap"] > even["gap"] == 0
    assert ask("sound.js", "({ noteFor }) => noteFor({ kind: 'none' })") is None


def test_languages_have_the_same_texts_and_the_same_blanks() -> None:
    catalogue = {name: dict(speech(name).texts) for name in languages()}
    english = catalogue["en"]
    for language, texts in catalogue.items():
        assert {k for k in texts if not k.startswith("reason.")} == set(english), language
        for key, text in english.items():
            assert sorted(re.findall(r"\{\w+\}", texts[key])) == sorted(re.findall(r"\{\w+\}", text)), key


def test_every_text_that_the_page_asks_for_is_in_the_catalogue() -> None:
    known = set(speech("en").texts)
    key = re.compile(r'(?:say\(|label: |title: |note: |send: )"([a-z][\w.-]+)"')
    modules = [*PAGE.glob("*.js"), *PAGE.glob("tools/*.js")]
    asked = {found for file in modules for found in key.findall(file.read_text())}
    asked |= set(re.findall(r'data-(?:text|label)="([^"]+)"', (PAGE / "index.html").read_text()))
    assert len(asked) > 100
    assert asked - known == set()


def test_markup_carries_no_text_of_its_own() -> None:
    """All words come from the catalogue; the one exception is what stands where nothing can run."""
    markup = re.sub(r"<noscript>.*?</noscript>|<title>.*?</title>", "", (PAGE / "index.html").read_text())
    words = re.findall(r">\s*([^<>\s][^<>]*)<", markup)
    assert words == ["tipdatum"]
