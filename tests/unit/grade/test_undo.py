"""What a command changed can be put back for half a minute, and contradictions are asked about."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tipdatum.errors import InputError
from tipdatum.grade.ledger import FIELDS, UNDO_S
from tipdatum.grade.units import parse_grade

RigMaker = Callable[..., Any]

CHANGES: list[tuple[str, dict[str, Any]]] = [
    ("datum/set", {"elevation_m": 55.0, "mark": "BM9"}),
    ("datum/correct", {"add_m": 0.1}),
    ("datum/clear", {}),
    ("mark/add", {"name": "BM7", "elevation_m": 1.0}),
    ("mark/forget", {"name": "BM1"}),
    ("mark/keep", {"name": "TP1"}),
    ("mark/return", {"name": "BM1"}),
    ("book/new", {}),
    ("target/level", {"elevation_m": 5.0}),
    ("target/clear", {}),
    ("target/tolerance", {"above_m": 0.02, "below_m": 0.02}),
    ("bucket/choose", {"name": "ditching 1400"}),
    ("bucket/wear-set", {"wear_m": 0.03}),
    ("limit/set", {"kind": "floor", "value_m": 1.0}),
    ("limit/clear", {}),
    ("laser/plane", {"elevation_m": 12.0}),
    ("point/clear", {}),
]


@pytest.fixture
def set_up(make_rig: RigMaker) -> Any:
    """A reference, a target, a limit and a point."""
    rig = make_rig()
    rig.send("datum/set", elevation_m=10.0, mark="BM1")
    rig.send("target/level", elevation_m=9.0)
    rig.send("limit/set", kind="ceiling", value_m=30.0)
    rig.send("point/record")
    rig.t += UNDO_S + 1.0
    return rig


@pytest.mark.parametrize(("command", "body"), CHANGES, ids=[name for name, _ in CHANGES])
def test_every_change_can_be_put_back(set_up: Any, command: str, body: dict[str, Any]) -> None:
    rig = set_up
    before, report, bucket = rig.work.state, rig.tick(), rig.estimator.machine.bucket[0]
    outcome = rig.send(command, **body)
    assert outcome.ok, outcome.text
    assert outcome.result["undo_s"] == UNDO_S
    assert rig.work.state != before
    undone = rig.send_now("change/undo")
    assert undone.ok
    assert undone.result["command"] == command
    assert {f: getattr(rig.work.state, f) for f in FIELDS} == {f: getattr(before, f) for f in FIELDS}
    again = rig.tick()
    assert (again.elevation_m, again.deviation_m) == pytest.approx((report.elevation_m, report.deviation_m))
    assert rig.estimator.machine.bucket[0] == bucket


def test_after_half_a_minute_a_change_stays(set_up: Any) -> None:
    assert set_up.send("target/level", elevation_m=5.0).ok
    set_up.t += UNDO_S + 0.1
    set_up.tick()
    refused = set_up.send_now("change/undo")
    assert not refused.ok
    assert "30 s" in refused.text
    assert set_up.work.state.target.elevation_m == 5.0


def test_changes_are_put_back_one_after_the_other_and_never_twice(set_up: Any) -> None:
    set_up.send("target/level", elevation_m=5.0)
    set_up.send("limit/clear")
    assert set_up.send_now("change/undo").result["command"] == "limit/clear"
    assert set_up.send_now("change/undo").result["command"] == "target/level"
    assert not set_up.send_now("change/undo").ok
    assert set_up.work.state.target.elevation_m == 9.0


def test_a_doubt_that_came_meanwhile_stays(set_up: Any) -> None:
    set_up.send("datum/set", elevation_m=55.0, mark="BM9")
    set_up.work.doubt(set_up.t, "somebody said so", travelled=True)
    assert set_up.send_now("change/undo").ok
    assert set_up.work.datum == "doubtful"
    assert set_up.work.state.travelled


def test_points_recorded_meanwhile_stay(set_up: Any) -> None:
    set_up.send("point/clear")
    set_up.send("point/record")
    assert set_up.send_now("change/undo").ok
    assert [point.number for point in set_up.work.state.points] == [1, 2]


@pytest.mark.parametrize("command", ["book/new", "point/clear"])
def test_a_record_is_destroyed_by_an_order_that_is_new_or_says_that_it_is_meant(
    set_up: Any, command: str
) -> None:
    kept = set_up.work.state
    refused = set_up.work.command(command, {}, set_up.t, fresh=False)
    assert not refused.ok
    assert '"sure": true' in refused.text
    assert set_up.work.state == kept
    assert set_up.work.command(command, {"sure": True}, set_up.t, fresh=False).ok
    assert set_up.work.command(command, {}, set_up.t, fresh=True).ok


def test_the_reference_is_cleared_by_the_command_as_it_always_was(set_up: Any) -> None:
    assert set_up.work.command("datum/clear", {}, set_up.t, fresh=False).ok
    assert set_up.work.datum == "none"


def test_what_changes_nothing_is_nothing_to_put_back(set_up: Any) -> None:
    for command, body in (("mark/check", {"name": "BM1"}), ("point/export", {}), ("trench/new", {})):
        outcome = set_up.send(command, **body)
        assert outcome.ok
        assert ("undo_s" in outcome.result) == (command == "mark/check"), "a check writes into the book"


def test_carrying_over_a_reference_that_is_not_in_doubt_can_be_asked_about(set_up: Any) -> None:
    refused = set_up.send("mark/return", name="BM1", if_doubtful=True)
    assert not refused.ok
    assert "not in doubt" in refused.text
    set_up.work.doubt(set_up.t, "somebody said so")
    assert set_up.send("mark/return", name="BM1", if_doubtful=True).ok


@pytest.mark.parametrize("text", ["rising -2%", "falling -2 %", "rises −1:100", "falling +2%", "-falling 2%"])
def test_a_grade_that_says_its_direction_twice_is_asked_about(text: str) -> None:
    with pytest.raises(InputError, match=r'write "rising .* or "falling '):
        parse_grade(text)


@pytest.mark.parametrize("command", ["target/level", "target/grade"])
def test_a_depth_above_the_mark_is_asked_about(set_up: Any, command: str) -> None:
    grade = {"grade": "2%"} if command == "target/grade" else {}
    refused = set_up.send(command, depth_m=-1.2, **grade)
    assert not refused.ok
    assert '"depth_m": 1.2' in refused.text
    assert "elevation_m" in refused.text
