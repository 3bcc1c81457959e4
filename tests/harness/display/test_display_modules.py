"""The page's modules by themselves: units, freshness, verdicts, the record of the dig, sound, texts."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pint
import pytest
import qrcode
from playwright.sync_api import Browser

from tipdatum.bus.messages import Arm, Tip
from tipdatum.config import Settings
from tipdatum.core.messages_out import Outgoing
from tipdatum.core.pipeline import Pipeline
from tipdatum.display.server import PAGE, PageSettings, start
from tipdatum.display.texts import Speech, languages, speech
from tipdatum.machine.description import parse_machine
from tipdatum.sentences import COMMAND, said, sentence
from tipdatum.sessions.scorer import true_elevation
from tipdatum.sessions.tracks import read_truth
from tipdatum.walltime import WallTime, parse_started
from tipdatum_drivers.session_file import SessionFile

pytestmark = pytest.mark.browser

ROOT = Path(__file__).parents[3]
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


# --- the edge ---------------------------------------------------------------------------------------------

SAY = "Object.assign((key, values) => [key, ...Object.values(values ?? {})].join(' '), { comma: false })"


@pytest.mark.parametrize(
    ("percent", "words"),
    [
        # Percent rise to the left: what is higher on the left falls to the right.
        (25.04, "edge.fall 25 % side.right"),
        (-33.33, "edge.fall 33.3 % side.left"),
        (0.01, "edge.level"),
    ],
)
def test_a_fall_is_said_by_the_side_it_falls_to(ask: Ask, percent: float, words: str) -> None:
    assert ask("edge.js", f"(m) => m.fallWords({percent}, {SAY})") == words


@pytest.mark.parametrize(
    ("arm", "words"),
    [
        (
            {"tilt_to_set_deg": 4.26, "edge_fall_percent": 2.0, "target_fall_percent": 9.5},
            "4.3 side.left",
        ),
        (
            {"tilt_to_set_deg": -4.26, "edge_fall_percent": 9.5, "target_fall_percent": 2.0},
            "4.3 side.right",
        ),
        # An axis that points at the cab turns the sign of the tilt, not the side that has to rise.
        (
            {"tilt_to_set_deg": -4.26, "edge_fall_percent": 2.0, "target_fall_percent": 9.5},
            "4.3 side.left",
        ),
        ({"tilt_to_set_deg": 0.05, "edge_fall_percent": 2.0, "target_fall_percent": 2.1}, "set"),
        ({"tilt_to_set_deg": None, "edge_fall_percent": 2.0, "target_fall_percent": 9.5}, None),
    ],
)
def test_the_tilt_to_set_is_said_by_the_side_that_rises(ask: Ask, arm: Any, words: str | None) -> None:
    told = {
        None: [], "set": ["edge.set", "edge.set-short"],
    }.get(words, [f"edge.tilt {words}", f"edge.tilt-short {words}"])  # fmt: skip
    assert ask("edge.js", f"(m) => m.tiltWords({json.dumps(arm)}, {SAY})") == told


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
        ("1V:1.5H", 1 / 1.5),
        ("2h : 1v", 0.5),
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


def test_a_governing_corner_is_judged_by_its_own_sigma(ask: Ask) -> None:
    tip = (
        "{ deviation_m: 0.001, sigma_m: 0.002, judgement: 'on grade', governing: 'left', "
        "governing_deviation_m: -0.004, governing_sigma_m: 0.02, governing_judgement: 'cannot judge' }"
    )
    assert model(ask, f"return verdict({tip}, {{ above: 0.01, below: 0.01 }});") == "cannot-judge"
    # Without the service's word, as an older one sends, by the same figures.
    older = tip.replace("governing_judgement: 'cannot judge'", "governing_judgement: null")
    assert model(ask, f"return verdict({older}, {{ above: 0.01, below: 0.01 }});") == "cannot-judge"


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


RECORD = """
const record = new Record(); let t = 0;
const go = (reach, elevation, { slew = 0, cutting = null } = {}) => {
  const figures = { reach_m: reach, elevation_m: elevation, deviation_m: elevation + 1, sigma_m: 0 };
  record.take({ t: (t += 0.02), cutting, ...figures }, { slew_deg: slew, points: [] });
};
const stroke = (from, to, elevation, more = {}) => {
  const step = 0.02 * Math.sign(to - from);
  for (let r = from; (to - r) * step > 0; r += step) {
    go(r, elevation, { cutting: to < from ? from - r > 0.3 : null, ...more });
  }
};
"""


def record(ask: Ask, code: str) -> Any:
    return ask("record.js", f"({{ Record }}) => {{ {RECORD} {code} }}")


def test_ground_is_the_lowest_cut_and_air_is_none(ask: Ask) -> None:
    ground = record(
        ask,
        """stroke(6, 5, -1); stroke(5, 6, 2); stroke(6, 5, -1.2); stroke(5, 6, 2); stroke(6, 5, -0.5);
        return record.ground;""",
    )
    inner = [elevation for reach, elevation, _ in ground if 5.1 <= reach <= 5.8]
    assert len(inner) >= 13
    assert inner == pytest.approx([-1.2] * len(inner))


def test_stroke_counts_from_its_beginning_once_it_counts(ask: Ask) -> None:
    code = "go(6, 1); stroke(6, 5.8, -1); go(5.8, 1); stroke(6, 5, -1.5); return record.ground;"
    ground = record(ask, code)
    assert max(reach for reach, _, _ in ground) == pytest.approx(6)
    assert {elevation for _, elevation, _ in ground} == {-1.5}, "a stroke too short to count was drawn"


def test_another_line_of_the_boom_is_another_ground(ask: Ask) -> None:
    grounds = record(
        ask,
        """const cut = (elevation, slew) => {
            stroke(6, 5, elevation, { slew });
            return record.ground.find(([r]) => Math.abs(r - 5.5) < 0.03)[1];
          };
          return [cut(-1, 0), cut(-3, 40), cut(-0.5, 1)];""",
    )
    assert grounds == pytest.approx([-1, -3, -1])


@pytest.mark.parametrize("session", ["trench", "slope"])
def test_ground_of_a_recorded_dig_is_where_its_true_edge_cut(ask: Ask, session: str) -> None:
    """On recordings with truth: no place is drawn that the true tip was not at, and none lies in the air.

    The truth is the simulation's. Both recordings dig along a smooth floor, so a wall of air would stand out
    against its neighbours.
    """
    rows, truth = dig_of(ROOT / "replay_data" / f"{session}.ndjson.gz")
    ground = ask(
        "record.js",
        f"""({{ Record }}) => {{ const record = new Record();
          for (const [tip, arm] of {json.dumps(rows)}) record.take(tip, arm);
          return record.lines.flatMap((line) => line.ground); }}""",
    )
    assert len(ground) > 40
    for reach, elevation, _ in ground:
        near = truth[np.abs(truth[:, 0] - reach) < 0.06]
        assert np.abs(near[:, 1] - elevation).min() < 0.03, "somewhere the true edge never was"
    steps = np.diff(np.array([[reach, elevation] for reach, elevation, _ in ground]), axis=0)
    neighbours = steps[np.abs(steps[:, 0] - 0.05) < 1e-6]
    assert (np.abs(neighbours[:, 1]) <= 1.7 * 0.05 + 0.02).all(), "a wall stands in the ground"


def dig_of(path: Path) -> tuple[list[Any], Any]:
    """Every tip message with the arm message of its moment, and the true (reach, elevation) of the tip."""
    session = SessionFile(path)
    rows: list[Any] = []
    last: dict[str, Any] = {}

    def take(item: Outgoing) -> None:
        if isinstance(item.message, Arm):
            last["arm"] = item.message.model_dump(include={"t", "points", "slew_deg"})
        elif isinstance(item.message, Tip) and "arm" in last:
            names = {"t", "reach_m", "elevation_m", "deviation_m", "sigma_m", "cutting"}
            rows.append([item.message.model_dump(include=names), last["arm"]])

    machine = parse_machine(session.header.machine, str(path))
    wall = WallTime(parse_started(session.header.started, str(path)))
    pipeline = Pipeline(machine, Settings(arm_every=1), wall, take)
    for one in session.records():
        pipeline.feed(one)
    pipeline.finish()
    track = read_truth(path)
    reach = np.hypot(track.tip[:, 0], track.tip[:, 1])
    return rows, np.column_stack([reach, true_elevation(track, track.tip, track.t)])


# --- the plumb line -----------------------------------------------------------------------------------


def test_staff_has_its_middle_on_the_target_and_never_leaves_the_screen(ask: Ask) -> None:
    places = ask("staff.js", "({ place }) => [0, 0.02, -0.02, 0.1, 1, 30, -30].map(place)")
    assert places[0] == 0
    assert places[1] == -places[2] > 0
    assert places[1] < places[3] < places[4] == places[5] == 1 == -places[6]


def test_next_half_second_follows_the_speed_of_the_edge(ask: Ask) -> None:
    ahead = ask(
        "staff.js",
        """({ ahead, AHEAD_S }) => {
          const sample = (_, i) => ({ t: i * 0.02, deviation: 0.5 - 0.2 * i * 0.02, sigma: 0 });
          const trend = Array.from({ length: 30 }, sample);
          return [ahead(trend) - trend.at(-1).deviation, AHEAD_S, ahead([]), ahead(trend.slice(-3))];
        }""",
    )
    assert ahead[:2] == [pytest.approx(-0.1), 0.5]
    assert ahead[2:] == [None, None]


def test_linkage_closes_at_the_published_check_value(ask: Ask) -> None:
    """The check value of the machine description's linkage (conventions, from an independent engine)."""
    joint = ask(
        "shapes.js",
        """({ armShapes }) => {
          const linkage = { rocker_pivot_m: [2.1710844, 0.0037633], rocker_m: 0.6018478, link_m: 0.5467153,
            bucket_ear_m: 0.3836698, bucket_ear_angle_deg: 136.2, assembly: 1 };
          const machine = { linkage, bucket: [{ name: "b", tip_m: 1 }] };
          const angle = (-29.24 * Math.PI) / 180;
          const at = (reach, elevation) => ({ reach, elevation });
          const tip = at(2.5054549 + Math.cos(angle), Math.sin(angle));
          const pins = [at(-4, 1), at(0, 0), at(2.5054549, 0), tip];
          const [from, to] = armShapes(machine, "b", pins).find(({ name }) => name === "rocker").points;
          return (Math.atan2(to.elevation - from.elevation, to.reach - from.reach) * 180) / Math.PI;
        }""",
    )
    assert joint == pytest.approx(120.0, abs=0.05)


@pytest.mark.parametrize(
    "text",
    [
        "http://10.0.0.7:8080/",
        "http://192.168.4.1:18080/?role=display",
        "a",
        "x" * 120,
        "Löffel ⌀ 600",
        "z" * 213,
    ],
)
def test_code_is_the_one_that_an_independent_encoder_makes(ask: Ask, text: str) -> None:
    """Against the qrcode library, module by module, for every mask."""
    for mask in range(8):
        made = qrcode.QRCode(error_correction=qrcode.ERROR_CORRECT_M, border=0, mask_pattern=mask)
        made.add_data(qrcode.util.QRData(text.encode(), mode=qrcode.util.MODE_8BIT_BYTE))
        made.make(fit=True)
        expected = [[int(bit) for bit in row] for row in made.get_matrix()]
        assert ask("qr.js", f"({{ qrModules }}) => qrModules({json.dumps(text)}, {mask})") == expected


@pytest.mark.parametrize(
    ("typed", "units", "rows"),
    [
        ("0, 23.10\n5, 23.05", "mm", [[0, 23.1], [5, 23.05]]),
        ("0; 23,10\n5; 23,05", "mm", [[0, 23.1], [5, 23.05]]),
        ("0 10\n50 9.5", "ft", [[0, 3.048], [15.24, 2.8956]]),
        ("0; 75' 9\"", "ft-in", [[0, 23.0886]]),
    ],
)
def test_profile_rows_are_read_as_people_type_them(ask: Ask, typed: str, units: str, rows: Any) -> None:
    read = ask("fields.js", f"({{ readTable }}) => readTable({json.dumps(typed)}, '{units}')")
    assert read["value"] == [pytest.approx(row) for row in rows]


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
        assert set(texts) == set(english), language
        for key, text in english.items():
            blanks, said = Counter(re.findall(r"\{\w+\}", text)), Counter(re.findall(r"\{\w+\}", texts[key]))
            # A sentence of the service may leave out what its reader does not need, such as a key's name.
            assert said <= blanks if key.startswith("say.") else said == blanks, (language, key)


def test_commands_that_sentences_name_have_a_button(ask: Ask) -> None:
    buttons = set(ask("tools/index.js", "({ LABELS }) => Object.keys(LABELS)"))
    named = {name for text in speech("en").texts.values() for name in COMMAND.findall(text)}
    assert named <= buttons


def test_third_language_is_one_file(ask: Ask) -> None:
    """Every text in quotes, as a language that nobody speaks: page and terminal say sentences in it."""
    told = said(sentence("not-still", why=sentence("tip-spread", spread_fine_m=0.03, last_s=1.0)))
    pseudo = {key: f"«{text}»" for key, text in speech("en").texts.items()} | {"decimal": ","}
    say = Speech("qq", pseudo, speech("en").texts)
    python = say.said(told, "")
    page = ask(
        "texts.js",
        f"""(m) => {{ Object.assign(m.LANGUAGES, {{ qq: {json.dumps(pseudo)}, en: {{}} }});
          const say = m.speaker(m.pickLanguage("qq", [])); say.units = "mm";
          return m.saySaid(say, {json.dumps(told)}, "English"); }}""",
    )
    assert (
        page
        == python
        == (
            "«The tip is not still: «its height spread over 30 mm in the last 1,0 s». "
            "Hold it on the mark and try again.»"
        )
    )


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


@pytest.mark.parametrize(("wish", "glides"), [("no-preference", True), ("reduce", False)])
def test_drawing_glides_only_where_motion_is_welcome(modules: Any, wish: Any, glides: bool) -> None:
    """WCAG 2.1, 2.3.3: motion that an interaction sets off can be turned off."""
    modules.emulate_media(reduced_motion=wish)
    moving = modules.evaluate(
        """async () => {
          const { Section } = await import("/section.js");
          const { readInks } = await import("/canvas.js");
          document.body.innerHTML = '<canvas style="width: 400px; height: 300px"></canvas>';
          const still = {
            live: false, arm: null, shapes: [], stand: [], floor: null, tip: null, deviation: null,
            beside: null, depth: null, ground: [], trace: [], limits: [], targetLine: null, band: null,
            sigma: 0, offset: 0, reachMost: 9, inks: readInks(), units: "mm", comma: false,
            font: "13px sans-serif", words: {},
          };
          const section = new Section(document.querySelector("canvas"));
          section.draw(still, 0);
          return section.draw({ ...still, tip: { reach: 6, elevation: -1 }, deviation: 0.05 }, 20);
        }"""
    )
    assert moving is glides
