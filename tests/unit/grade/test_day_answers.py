"""What an operator is told through the day, and what may not be taken for granted."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable
from typing import Any

import pytest

from tipdatum.bus.orders import Order
from tipdatum.errors import CommandRefused, InputError
from tipdatum.grade.commands import COMMANDS, parse_body
from tipdatum.grade.profiles import parse_profile

RigMaker = Callable[..., Any]


@pytest.mark.parametrize(
    ("name", "body", "words"),
    [
        ("datum/set", {"elevation_m": True}, "a number in metres"),
        ("datum/set", {"elevation_m": "24.31"}, 'goes under "elevation"'),
        ("target/grade", {"grade": 2}, "has no unit"),
        ("target", {}, "target/level"),
        ("target/pipe", {"invert_m": 22.0, "grade": "1:150"}, '"falling 1:150"'),
        ("target/pipe", {"invert_m": 22.0, "grade": "falling 1:150", "end_invert_m": 21.0}, "either"),
        ("limit/set", {"kind": "far reach", "value_m": -3.0}, "above 0 m"),
        ("bucket/wear", {"mark": "BM9"}, 'no mark "BM9"'),
        ("mark/return", {"name": "bm1"}, 'did you mean "BM1"'),
        ("book/close", {"mark": "BM1", "elevation_m": 25.31}, "noted at 24.310 m"),
    ],
)
def test_what_is_not_meant_so_is_refused(rig: Any, name: str, body: dict[str, Any], words: str) -> None:
    rig.send("datum/set", elevation_m=24.31, mark="BM1")
    outcome = rig.send(name, **body)
    assert not outcome.ok
    assert words in outcome.text


def test_no_field_is_taken_for_who_sent_the_command() -> None:
    """`by` and `request_id` belong to the order itself, and a length in words drops its _m."""
    reserved = {"by", "request_id"}
    assert reserved - {"request_id"} <= set(Order.__dataclass_fields__)
    for name, spec in COMMANDS.items():
        fields = set(spec.body.model_fields)
        assert not reserved & (fields | {field.removesuffix("_m") for field in fields}), name


def test_spaces_around_a_name_are_left_out() -> None:
    _, body = parse_body("mark/keep", {"name": " TP1 "})
    assert body.model_dump()["name"] == "TP1"
    with pytest.raises(CommandRefused):
        parse_body("mark/keep", {"name": "  "})


def test_a_number_is_a_name_too() -> None:
    _, body = parse_body("mark/keep", {"name": 101})
    assert body.model_dump()["name"] == "101"


@pytest.mark.parametrize(
    ("name", "body"),
    [
        ("target/grade", {"grade": "1:4"}),
        ("target/grade", {"grade": "2%", "cross": "1:3", "cross_falls": "left"}),
        ("target/below-plane", {"depth_m": 2.0, "grade": "1:3"}),
        ("laser/plane", {"elevation_m": 2.0, "grade": "1:3"}),
    ],
)
def test_an_ambiguous_grade_is_found_before_it_travels(name: str, body: dict[str, Any]) -> None:
    with pytest.raises(InputError, match="which side is vertical"):
        parse_body(name, body)


def test_semicolons_let_commas_be_decimal() -> None:
    assert parse_profile("station_m;elevation_m\n0;24,5\n2,5;24\n", "t") == [(0.0, 24.5), (2.5, 24.0)]


def test_a_correction_after_travel_carries_height_but_no_station(rig: Any) -> None:
    rig.send("datum/set", elevation_m=24.31, mark="BM1")
    rig.send("target/grade", grade="2%")
    assert rig.tick().deviation_m is not None
    rig.switch("travel", True)
    outcome = rig.send("datum/correct", add_m=0.05)
    assert "Station unknown" in outcome.text
    report = rig.tick()
    assert report.datum == "set"
    assert report.deviation_m is None
    assert "station unknown" in report.reasons
    assert not rig.send("target/grade", grade="2%").ok, "the old mark's place is not known from here"


def test_a_mark_noted_at_another_elevation_is_said(rig: Any) -> None:
    rig.send("mark/add", name="BM1", elevation_m=24.5)
    assert "had been at 24.500 m" in rig.send("datum/set", elevation_m=24.31, mark="BM1").text


def test_the_check_passes_or_fails_and_says_what_to_do(rig: Any) -> None:
    rig.send("datum/set", elevation_m=24.31, mark="BM1")
    passed = rig.send("mark/check", name="BM1")
    assert passed.result["passed"]
    assert "PASSED" in passed.text
    rig.centre_m += 0.04  # the machine is thought to stand where it stood; the mark was entered wrongly
    rig.send("mark/add", name="BM1", elevation_m=24.35)
    failed = rig.send("mark/check", name="BM1")
    assert not failed.result["passed"]
    assert "NOT PASSED" in failed.text
    assert "mark/return" in failed.text
    assert "check-failed" in [event.kind for event in rig.work.events()]
    assert rig.send("mark/check", name="BM1", within_m=0.05).result["passed"]
    assert rig.work.view()["checked"]["passed"]


def test_wear_needs_a_mark_where_the_reference_was_set_by_laser(rig: Any) -> None:
    rig.send("datum/set", elevation_m=24.31, mark="BM1")
    rig.beam()
    rig.send("laser/set", elevation_m=rig.receiver_m, crossings=1)
    outcome = rig.send("bucket/wear")
    assert not outcome.ok
    assert "Name the mark" in outcome.text


def test_of_a_command_sent_twice_the_later_one_waits_on(rig: Any) -> None:
    rig.tick(0.2)
    assert rig.work.command("datum/set", {"elevation_m": 24.0}, rig.t, token="first") is None
    assert rig.work.command("datum/set", {"elevation_m": 25.0}, rig.t, token="second") is None
    rig.tick(2.0)
    first, second = rig.work.outcomes()
    assert (first.token, first.ok) == ("first", False)
    assert "later datum/set" in first.text
    assert (second.token, second.ok) == ("second", True)


def test_points_and_book_lines_are_told_with_their_figures(rig: Any) -> None:
    rig.send("datum/set", elevation_m=24.31, mark="BM1")
    rig.send("mark/keep", name="TP1")
    rig.send("point/record", code="INV")
    told = {event.kind: event for event in rig.work.events()}
    assert told["point"].data["code"] == "INV"
    assert told["point"].data["elevation_m"] == pytest.approx(24.31)
    assert told["level-book"].data["point"] == "TP1"
    assert told["level-book"].data["elevation_m"] == pytest.approx(24.31)


def test_a_distributed_misclosure_stands_beside_the_points_as_recorded(rig: Any) -> None:
    """Proportional to the set-ups, as surveying texts distribute it: half of 6 mm after one of two."""
    rig.send("datum/set", elevation_m=24.31, mark="BM1")
    rig.send("point/record")
    rig.send("mark/keep", name="TP1")
    rig.switch("travel", True)
    rig.send("mark/return", name="TP1")
    rig.send("point/record")
    rig.send("book/close", mark="BM2", elevation_m=24.304, k_m=0.01)
    assert rig.send("book/distribute").result["points"] == 2
    text = rig.send("point/export").result["text"]
    rows = list(csv.DictReader(line for line in io.StringIO(text) if not line.startswith("#")))
    assert [row["elevation_m"] for row in rows] == ["24.310", "24.310"]
    assert [row["adjusted_m"] for row in rows] == ["24.307", "24.304"]
    rig.send("point/record")
    assert rig.work.state.points[-1].elevation_m == pytest.approx(24.304, abs=1e-6)
    assert rig.work.state.points[-1].adjusted_m is None


def hold_at(rig: Any, height_m: float, stick: float) -> None:
    """Stretch the stick to this angle with the tip kept at this true elevation by the boom."""
    rig.stand(joints=(rig.estimator.stand.joints[0], stick, -0.6))
    for _ in range(6):
        boom, _, bucket = rig.estimator.stand.joints
        reach = float(rig.estimator.stand.world(rig.machine)[0])
        rig.stand(joints=(boom + (height_m - rig.true_tip_m) / reach, stick, bucket))


def test_points_that_come_by_themselves_are_where_the_tip_was_lowest(rig: Any) -> None:
    """The tip comes down into the band, goes along the target in waves of 15 mm, and leaves."""
    rig.send("datum/set", elevation_m=10.0)
    above = rig.true_tip_m - 10.0
    rig.send("target/level", elevation_m=9.9)
    rig.send("point/auto", on=True, step_m=0.2, within_m=0.05)
    heights = []
    for i in range(120):
        entry, wave = max(0.0, 0.1 - 0.01 * i), 0.015 * math.sin(i / 3.0)
        hold_at(rig, 9.9 + above + entry + wave, -1.5 + 0.005 * i)
        heights.append((rig.tick().reach_m, 9.9 + entry + wave))
    points = rig.work.state.points
    travelled = abs(heights[-1][0] - heights[10][0])
    assert len(points) == pytest.approx(travelled / 0.2, abs=2)
    for point in points:
        # A wave is about as long as a step, so that every stretch has a trough at 9.885 m or comes near one.
        assert point.elevation_m < 9.895


def test_a_dip_through_the_band_is_no_point(rig: Any) -> None:
    rig.send("datum/set", elevation_m=10.0)
    rig.send("target/level", elevation_m=9.8)
    rig.send("point/auto", on=True, step_m=0.25, within_m=0.05)
    for i in range(40):
        rig.stand(joints=(0.5 - 0.002 * (i if i < 20 else 40 - i), -1.5, -0.6))
        rig.tick()
    assert rig.work.state.points == ()


def test_the_ground_is_not_asked_for_right_after_it_was_touched(rig: Any) -> None:
    rig.send("datum/set", elevation_m=10.0)
    rig.send("target/below-plane", depth_m=2.0)
    rig.work.events()
    rig.send("ground/set")
    assert not [e for e in rig.work.events() if "not known" in e.text]


@pytest.mark.parametrize(
    ("name", "body", "words"),
    [
        ("target/level", {"depth_m": 1.0}, "(level at 23.310 m)"),
        ("target/grade", {"grade": "falling 1%", "depth_m": 1.0}, "(falling 1.00 % from 23.310 m)"),
        ("target/profile", {"points": [[0, 24.0], [5, 23.5]]}, "(profile of 2 rows)"),
        ("target/below-plane", {"depth_m": 3.2}, "(3.200 m below the laser's plane)"),
    ],
)
def test_in_the_morning_the_target_is_named_as_the_operator_knows_it(
    rig: Any, name: str, body: dict[str, Any], words: str
) -> None:
    rig.send("datum/set", elevation_m=24.31, mark="BM1")
    assert rig.send(name, **body).ok
    rig.send("morning/ask")
    rig.send("morning/answer", question="bucket", yes=True)
    assert words in rig.work.view()["question"]["text"]


def test_a_volume_counts_what_was_left_in_the_end(rig: Any) -> None:
    """A box of 0.6 by 1 by 1 m by plain multiplication; what an earlier pass had left half-way is gone."""
    rig.send("datum/set", elevation_m=10.0)
    rig.send("point/record")
    one = rig.work.state.points[0]
    refused = rig.send("volume/trench", ground_m=11.0)
    assert "station/set" in refused.text
    points = [
        one.model_copy(update={"reach_m": 4.0 + 0.25 * i, "elevation_m": z})
        for z in (10.5, 10.0)
        for i in range(5)
    ]
    rig.work.site.change(points=tuple(points))
    outcome = rig.send("volume/trench", ground_m=11.0, width_m=0.6)
    assert outcome.result["volume_m3"] == pytest.approx(0.6)
    assert outcome.result["points"] == 5
    assert "5 left out" in outcome.text
    assert "of reach" in outcome.text
