"""Commands as an operator meets them: every refusal is a sentence that says what to do."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tipdatum.errors import CommandRefused, InputError
from tipdatum.grade.commands import COMMANDS, explain, listing, parse_body


@pytest.mark.parametrize(
    ("name", "body", "words"),
    [
        ("datum/set", {}, '"elevation_m"'),
        ("datum/set", {"elevation_m": "high"}, "a number in metres"),
        ("datum/set", {"elevation_m": 24310}, "millimetres"),
        ("datum/set", {"elevatoin_m": 24.31}, '"elevation_m"'),
        ("datum/set", {"elevation": "1,200 m"}, "1.200 or as 1200"),
        ("datum/set", {"elevation_m": 1.0, "point": "heel"}, '"left"'),
        ("datum/sett", {"elevation_m": 1.0}, 'Did you mean "datum/set"?'),
        ("target/level", {}, 'either "elevation_m" or "depth_m"'),
        ("target/grade", {"grade": "1:3"}, "which side is vertical"),
        ("target/grade", {"grade": "2"}, "has no unit"),
        ("target/level", {"depth_m": 1.2}, "set one with datum/set first"),
        ("target/grade", {"grade": "2%"}, "set one with datum/set first"),
        ("mark/keep", {"name": "TP1"}, "Set one with datum/set"),
        ("mark/return", {"name": "TP1"}, 'no mark "TP1"'),
        ("datum/confirm", {}, "no reference to confirm"),
        ("datum/correct", {"add_m": 0.1}, "no reference to correct"),
        ("bucket/choose", {"name": "grading"}, "ditching 1400"),
        ("limit/set", {"kind": "ceiling"}, '"value_m"'),
        ("limit/set", {"kind": "slew left", "value_deg": 30}, "slew sensor"),
        ("limit/clear", {"kind": "floor"}, "no limit of kind floor"),
        ("laser/set", {}, "laser/plane"),
        ("book/close", {}, '"elevation_m"'),
        ("book/distribute", {}, "book/close first"),
        ("point/record", {}, "no reference"),
        ("point/auto", {"on": True}, "set one first"),
        ("volume/trench", {}, "ground/set"),
        ("morning/answer", {"question": "bucket", "yes": True}, "was not asked"),
        ("target/tolerance", {"above_m": 0, "below_m": 0}, "wider than nothing"),
        ("target/profile", {"table": "a,b\n1,2\n"}, "station_m"),
        ("target/profile", {"table": "station_m,elevation_m\n1,x\n"}, '"x"'),
    ],
)
def test_refusals_say_what_is_wrong_and_what_to_do(
    rig: Any, name: str, body: dict[str, Any], words: str
) -> None:
    rig.tick(1.2)
    outcome = rig.work.command(name, body, rig.t, token=7)
    assert outcome is not None
    assert not outcome.ok
    assert words in outcome.text
    assert outcome.token == 7
    assert rig.work.datum == "none"


def test_a_length_in_feet_and_inches_is_taken_as_metres(rig: Any) -> None:
    assert rig.send("datum/set", elevation="4' 3 1/2\"").ok
    assert rig.tick().elevation_m == pytest.approx(1.3081)


def test_the_plain_commands_that_outside_programs_rely_on(rig: Any) -> None:
    assert rig.send("datum/set", elevation_m=0).ok
    assert rig.tick().datum == "set"
    assert rig.send("datum/clear").ok
    report = rig.tick()
    assert (report.datum, report.elevation_m, report.deviation_m) == ("none", None, None)
    assert report.height_m is not None


@settings(max_examples=200, deadline=None)
@given(
    st.sampled_from(sorted(COMMANDS)),
    st.dictionaries(
        st.sampled_from(
            ["elevation_m", "elevation", "name", "grade", "kind", "points", "on", "value_m", "x"]
        ),
        st.none() | st.booleans() | st.floats() | st.text(max_size=12) | st.lists(st.floats(), max_size=3),
        max_size=3,
    ),
)
def test_no_body_makes_it_stumble(name: str, body: dict[str, Any]) -> None:
    try:
        spec, parsed = parse_body(name, body)
    except (CommandRefused, InputError):
        return
    assert isinstance(parsed, spec.body)


def test_every_command_and_every_field_is_explained() -> None:
    text = listing()
    for name, spec in COMMANDS.items():
        assert name in text
        assert spec.help.endswith((".", ")."))
        assert spec.body.__doc__
        for key, field in spec.body.model_fields.items():
            assert field.description or key == "name", (name, key)
            assert key in explain(name)


def test_a_benchmark_is_no_turning_point(rig: Any) -> None:
    rig.send("datum/set", elevation_m=24.31, mark="BM1")
    assert "is a benchmark" in rig.send("mark/keep", name="BM1").text


def test_a_mark_kept_in_doubt_is_refused(rig: Any) -> None:
    rig.send("datum/set", elevation_m=24.31)
    rig.switch("travel", True)
    refusal = rig.send("mark/keep", name="TP1").text
    assert "doubtful" in refusal
    assert "travel switch" in refusal


def test_crossings_that_disagree_are_refused_with_the_figures(rig: Any) -> None:
    rig.tick(1.0)
    for joint in (0.50, 0.51, 0.52):
        rig.stand(joints=(joint, -1.5, -0.6))
        rig.tick(0.2)
        rig.beam()
    refusal = rig.send_now("laser/set", elevation_m=26.3)
    assert not refusal.ok
    assert "disagree by" in refusal.text
    assert "allowed 30 mm" in refusal.text
    assert rig.work.datum == "none"
    for _ in range(3):
        rig.beam()
    assert rig.send_now("laser/set", elevation_m=26.3).ok, "the ones that disagreed are not used again"


def test_too_few_crossings_are_refused_after_a_while(rig: Any) -> None:
    rig.tick(1.0)
    rig.beam()
    assert "Only 1 of 3 crossings" in rig.send_now("laser/set", elevation_m=26.3).text


def test_wear_shows_only_where_it_can(rig: Any) -> None:
    rig.send("datum/set", elevation_m=10.0)
    assert "does not show" in rig.send("bucket/wear").text
    rig.send("bucket/choose", name="ditching 1400")
    rig.stand(joints=(0.5, -1.5, -0.5))
    known = rig.tick().elevation_m
    rig.send("mark/add", name="BM", elevation_m=known + 0.03)
    outcome = rig.send("bucket/wear", mark="BM")
    assert outcome.ok, outcome.text
    assert rig.tick().elevation_m == pytest.approx(known + 0.03, abs=1e-6)
    assert "not moved" in outcome.text
