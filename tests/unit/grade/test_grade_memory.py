"""What outlives a restart, what raises doubt, what is asked in the morning, what is recorded."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from tipdatum.fusion.pose import Matrices, Pose
from tipdatum.grade.doubt import MoveWatch
from tipdatum.grade.points import MOST
from tipdatum.grade.state import WorkState
from tipdatum.machine.description import parse_machine
from tipdatum_drivers.reading import Imu

RigMaker = Callable[..., Any]


def restarted(make_rig: RigMaker, rig: Any, away_s: float | None) -> Any:
    """A second rig that starts with what the first one would have written down."""
    state = WorkState.model_validate_json(rig.work.state.model_dump_json())
    again = make_rig(state=state)
    again.centre_m = rig.centre_m
    again.estimator.stand = rig.estimator.stand
    again.work.restore(away_s)
    return again


def test_a_short_absence_changes_nothing(make_rig: RigMaker) -> None:
    rig = make_rig()
    rig.send("datum/set", elevation_m=24.31, mark="BM1")
    rig.send("target/level", elevation_m=23.0)
    again = restarted(make_rig, rig, 5.0)
    report = again.tick()
    assert report.datum == "set"
    assert report.elevation_m == pytest.approx(24.31)
    assert report.deviation_m == pytest.approx(1.31)
    assert again.work.view()["question"] is None


@pytest.mark.parametrize("away_s", [3600.0, None, -5.0])
def test_after_a_long_or_unknown_absence_the_reference_is_doubtful_until_confirmed(
    make_rig: RigMaker, away_s: float | None
) -> None:
    rig = make_rig()
    rig.send("datum/set", elevation_m=24.31, mark="BM1")
    rig.send("target/level", elevation_m=23.0)
    again = restarted(make_rig, rig, away_s)
    report = again.tick()
    assert (report.datum, report.deviation_m) == ("doubtful", None)
    asked = []
    while (question := again.work.view()["question"]) is not None:
        asked.append(question["name"])
        name = question["name"]
        assert again.send("morning/answer", question=name, yes=name != "check").ok
    assert asked == ["bucket", "target", "reference", "check"]
    assert again.tick().datum == "set"


def test_bucket_and_wear_are_remembered(make_rig: RigMaker) -> None:
    rig = make_rig()
    rig.send("bucket/choose", name="ditching 1400")
    rig.send("bucket/wear-set", wear_m=0.02)
    again = restarted(make_rig, rig, 1.0)
    assert again.work.site.mounted.bucket == "ditching 1400"
    assert again.estimator.machine.bucket[0].tip_m == pytest.approx(1.03)


def test_the_revision_moves_with_the_state_and_stands_otherwise(rig: Any) -> None:
    rig.tick(1.0)
    before = rig.work.revision
    rig.tick(1.0)
    assert rig.work.revision == before
    rig.send("datum/set", elevation_m=1.0)
    assert rig.work.revision > before


def watch_with(shake_radps: float, joint_rate: float, seconds: float) -> str | None:
    """What the watch says of an upper that shakes at 6 Hz with the arm moving at that rate."""
    machine = parse_machine(
        {
            "name": "m", "boom": {"foot_m": [0.3, 0, 1.7], "length_m": 4.5}, "stick": {"length_m": 2.4},
            "bucket": [{"name": "b", "tip_m": 1.2, "width_m": 0.6}], "sensor": {"upper": {"body": "upper"}},
        },
        "m",
    )  # fmt: skip
    watch = MoveWatch(machine)
    for i in range(round(seconds * 100)):
        t = i * 0.01
        rate = shake_radps * math.sin(2 * math.pi * 6 * t)
        watch.hear(Imu(t, "upper", (0.0, 0.0, 9.8), (0.0, rate, 0.0)))
        if i % 2:
            continue
        rates = (rate, 0.0, rate + joint_rate, rate + joint_rate, rate + joint_rate)
        pose = Pose(t, (0.0,) * 5, rates, Matrices(np.eye(5) * 1e-8, np.zeros((5, 5))), "good", ())
        sign = watch.watch(pose, 6.0)
        if sign is not None:
            return sign.text
    return None


def test_shaking_with_a_still_arm_is_travel() -> None:
    text = watch_with(math.radians(1.0), 0.0, 8.0)
    assert text is not None
    assert "still arm" in text


def test_shaking_while_digging_and_an_idling_engine_are_not() -> None:
    assert watch_with(math.radians(1.0), 0.2, 20.0) is None
    assert watch_with(math.radians(0.1), 0.0, 20.0) is None


def test_a_lean_that_lasts_raises_doubt_and_slewing_on_a_slope_does_not(rig: Any) -> None:
    rig.estimator.sigma = 1e-5
    rig.stand(pitch=0.06)
    rig.send("datum/set", elevation_m=1.0)
    for i in range(8):
        rig.stand(slew=0.4 * i)
        rig.tick(6.0)
    assert rig.work.datum == "set"
    rig.stand(pitch=0.075)
    rig.tick(25.0)
    assert rig.work.datum == "doubtful"
    assert "lean" in rig.work.view()["reasons"][0]


def test_points_are_recorded_with_their_figures_and_say_what_they_are(rig: Any) -> None:
    rig.send("datum/set", elevation_m=24.31, mark="BM1")
    rig.send("target/grade", grade="2%")
    rig.send("mark/check", name="BM1")
    assert rig.send("point/record", code="INV", note="=joint").ok
    text = rig.send("point/export").result["text"]
    says = [line for line in text.splitlines() if line.startswith("#")]
    rows = list(csv.DictReader(io.StringIO("\n".join(text.splitlines()[len(says) :]))))
    assert any("not a certified survey" in line for line in says)
    assert any("Checked on BM1 by tester" in line for line in says)
    assert rows[0]["elevation_m"] == "24.310"
    assert (rows[0]["easting_m"], rows[0]["northing_m"]) == ("", "")
    assert float(rows[0]["station_m"]) == pytest.approx(0.0, abs=1e-3)
    assert rows[0]["note"] == "'=joint"
    assert rows[0]["time"].startswith("2026-05-11T06:40:")


def test_points_come_by_themselves_while_the_bucket_follows_the_target(rig: Any) -> None:
    rig.send("datum/set", elevation_m=10.0)
    rig.send("target/level", depth_m=0.0)
    assert rig.send("point/auto", on=True, step_m=0.25, within_m=1.0).ok
    reaches = []
    for i in range(60):
        rig.stand(joints=(0.5, -1.5 + 0.01 * i, -0.6 - 0.005 * i))
        reaches.append(rig.tick().reach_m)
    points = rig.work.state.points
    assert len(points) >= 2
    for a, b in pairwise(points):
        assert abs(b.reach_m - a.reach_m) >= 0.25
    assert rig.send("volume/trench").text.startswith("The ground's elevation is not known")


def test_cautions_come_once_for_a_trench_and_again_for_the_next(rig: Any) -> None:
    rig.send("datum/set", elevation_m=10.0)
    rig.send("ground/set")
    rig.send("target/level", depth_m=1.6)
    first = [s["name"] for s in rig.work.view()["cautions"]]
    assert "call before you dig" in first
    assert "protective system" not in first, "figures of a country that nobody chose"
    rig.send("trench/jurisdiction", jurisdiction="us")
    assert "protective system" in [s["name"] for s in rig.work.view()["cautions"]]
    told = len(rig.work.events())
    assert told > 0
    rig.send("target/level", depth_m=1.6)
    assert not [e for e in rig.work.events() if e.kind == "caution"]
    rig.send("trench/new", name="B")
    assert [e for e in rig.work.events() if e.kind == "caution"]
    assert "depth unknown" in [s["name"] for s in rig.work.view()["cautions"]]


def test_digging_past_a_threshold_tells_its_caution(rig: Any) -> None:
    rig.send("datum/set", elevation_m=10.0)
    rig.send("trench/jurisdiction", jurisdiction="us")
    rig.send("ground/set", elevation_m=11.0)
    rig.tick()
    assert "egress" not in [s["name"] for s in rig.work.view()["cautions"]]
    rig.stand(joints=(0.1, -1.3, -0.4))
    assert 11.0 - rig.tick().elevation_m > 1.3
    assert "egress" in [s["name"] for s in rig.work.view()["cautions"]]


def test_a_new_day_offers_the_check_on_a_known_mark(rig: Any) -> None:
    """The rig's clock begins at 06:40 UTC; the next day is 17 h 20 min away."""
    rig.send("datum/set", elevation_m=24.31, mark="BM1")
    assert rig.work.view()["question"] is None
    rig.t = 17.5 * 3600.0
    rig.tick()
    assert rig.work.view()["question"]["name"] == "check"
    assert "BM1" in rig.work.view()["question"]["text"]


def test_a_full_list_ends_the_recording_and_says_so(rig: Any) -> None:
    rig.send("datum/set", elevation_m=10.0)
    assert rig.send("point/record").ok
    first = rig.work.state.points[0]
    many = tuple(first.model_copy(update={"number": n}) for n in range(1, MOST + 1))
    rig.work.site.change(points=many)
    refused = rig.send("point/record")
    assert not refused.ok
    assert "point/clear" in refused.text
    rig.send("target/level", depth_m=0.0)
    rig.send("point/auto", on=True, within_m=1.0)
    for i in range(60):
        rig.stand(joints=(0.5, -1.5 + 0.01 * i, -0.6 - 0.005 * i))
        rig.tick()
    assert not rig.work.view()["recording"]
    assert "points-full" in [event.kind for event in rig.work.events()]


def test_nothing_is_recorded_by_itself_in_doubt(rig: Any) -> None:
    rig.send("datum/set", elevation_m=10.0)
    rig.send("target/below-plane", depth_m=2.0)
    rig.beam()
    rig.send("point/auto", on=True, within_m=1.0, step_m=0.1)
    rig.work.doubt(rig.t, "somebody said so")
    for i in range(60):
        rig.stand(joints=(0.5, -1.5 + 0.01 * i, -0.6 - 0.005 * i))
        rig.tick()
    assert rig.work.state.points == ()


def test_a_state_that_was_taken_stays_as_it_was_while_the_work_goes_on(rig: Any) -> None:
    rig.send("datum/set", elevation_m=10.0, mark="BM1")
    rig.send("point/record")
    taken = rig.work.state
    written = taken.model_dump_json()
    rig.send("point/record")
    rig.send("mark/forget", name="BM1")
    rig.send("target/level", elevation_m=9.0)
    assert taken.model_dump_json() == written
    with pytest.raises(ValidationError):
        taken.layer = "bedding"
    with pytest.raises(TypeError, match="no layr"):
        rig.work.site.change(layr="bedding")


@pytest.mark.parametrize(("early_deg", "datum"), [(0.01, "doubtful"), (0.2, "set")])
def test_a_lean_that_was_badly_known_before_is_no_sign(rig: Any, early_deg: float, datum: str) -> None:
    """The estimator finds the lean 0.5° elsewhere than at first: a sign only if it had been sure of it."""
    rig.estimator.sigma = math.radians(early_deg)
    rig.send("datum/set", elevation_m=10.0)
    rig.tick(12.0)
    rig.estimator.sigma = math.radians(0.01)
    rig.stand(pitch=math.radians(0.5))
    rig.tick(20.0)
    assert rig.work.datum == datum


def test_points_in_quick_succession_change_the_state_once_a_second_and_none_is_forgotten(rig: Any) -> None:
    rig.send("datum/set", elevation_m=10.0)
    rig.send("target/level", depth_m=0.0)
    rig.send("point/auto", on=True, step_m=0.02, within_m=1.0)
    rig.tick(2.0)
    before, seconds = rig.work.revision, 3.0
    for i in range(60):
        rig.stand(joints=(0.5, -1.5 + 0.01 * i, -0.6 - 0.005 * i))
        rig.tick()
    assert len(rig.work.state.points) > 15
    assert rig.work.revision - before <= seconds + 1
    count = rig.work.revision
    rig.tick(1.5)
    assert rig.work.revision == count + 1, "the last ones are told too"
    rig.tick(5.0)
    assert rig.work.revision == count + 1
